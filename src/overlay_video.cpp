#include "src/overlay_video.h"

#include <algorithm>
#include <cmath>
#include <cstdio>
#include <filesystem>
#include <memory>
#include <utility>
#include <vector>

#include <unistd.h>

extern "C" {
#include <libavcodec/avcodec.h>
#include <libavformat/avformat.h>
#include <libavutil/log.h>
#include <libavutil/opt.h>
}
#include <fmt/format.h>
#include <opencv2/imgproc.hpp>

#include <calib/error.h>
#include <vision/footage.h>
#include <vision/transfer.h>

#include "src/report/overlay.h"

namespace conebook::src {
namespace {

constexpr AVRational kTick{1, 90'000};
constexpr double kFolderFramesPerSecond = 25.0;  // a folder of frames has no pace of its own
// x264 gives other bytes for other numbers of threads, so the number is fixed.
constexpr int kEncoderThreads = 2;
constexpr int kHeadFrames = 64;

struct FreeFormat {
  void operator()(AVFormatContext* context) const {
    if (context->pb != nullptr) avio_closep(&context->pb);
    avformat_free_context(context);
  }
};
struct FreeCodec {
  void operator()(AVCodecContext* context) const { avcodec_free_context(&context); }
};
struct FreeFrame {
  void operator()(AVFrame* frame) const { av_frame_free(&frame); }
};
struct FreePacket {
  void operator()(AVPacket* packet) const { av_packet_free(&packet); }
};

// One H.264 stream in one MP4 file; finished by Finish, thrown away by its end otherwise.
class Film {
 public:
  Film(std::string out_path, cv::Size size)
      : out_path_(std::move(out_path)), part_path_(fmt::format("{}.part-{}", out_path_, ::getpid())) {
    const AVCodec* codec = avcodec_find_encoder_by_name("libx264");
    if (codec == nullptr)
      throw calib::InputError(out_path_ +
                              ": this FFmpeg has no libx264, which the overlay film needs; install a "
                              "libavcodec that has it, or leave --overlay out");
    AVFormatContext* format = nullptr;
    avformat_alloc_output_context2(&format, nullptr, "mp4", part_path_.c_str());
    if (format == nullptr) throw calib::InputError(out_path_ + ": this FFmpeg cannot write MP4");
    format_.reset(format);
    format_->flags |= AVFMT_FLAG_BITEXACT;
    codec_.reset(avcodec_alloc_context3(codec));
    codec_->width = size.width;
    codec_->height = size.height;
    codec_->pix_fmt = AV_PIX_FMT_YUV420P;
    codec_->time_base = kTick;
    codec_->color_range = AVCOL_RANGE_MPEG;
    codec_->colorspace = AVCOL_SPC_SMPTE170M;  // what OpenCV's conversion gives: ITU-R BT.601
    codec_->color_primaries = AVCOL_PRI_BT709;
    codec_->color_trc = AVCOL_TRC_BT709;
    codec_->thread_count = kEncoderThreads;
    codec_->flags |= AV_CODEC_FLAG_GLOBAL_HEADER | AV_CODEC_FLAG_BITEXACT;
    av_opt_set(codec_->priv_data, "preset", "veryfast", 0);
    av_opt_set(codec_->priv_data, "crf", "21", 0);
    codec_->log_level_offset = AV_LOG_TRACE;  // the encoder's own chatter is not for the user
    Check(avcodec_open2(codec_.get(), codec, nullptr), "the encoder does not start");
    stream_ = avformat_new_stream(format_.get(), nullptr);
    if (stream_ == nullptr) throw std::bad_alloc();
    stream_->time_base = kTick;
    Check(avcodec_parameters_from_context(stream_->codecpar, codec_.get()), "the encoder has no parameters");
    Check(avio_open(&format_->pb, part_path_.c_str(), AVIO_FLAG_WRITE), "cannot be written");
    Check(avformat_write_header(format_.get(), nullptr), "cannot be written");
    frame_.reset(av_frame_alloc());
    packet_.reset(av_packet_alloc());
    frame_->format = AV_PIX_FMT_YUV420P;
    frame_->width = size.width;
    frame_->height = size.height;
    Check(av_frame_get_buffer(frame_.get(), 0), "no memory for a frame");
  }

  Film(const Film&) = delete;
  Film& operator=(const Film&) = delete;
  ~Film() {
    format_.reset();
    if (!finished_) std::remove(part_path_.c_str());
  }

  void Add(const cv::Mat& bgr, double time_s) {
    cv::cvtColor(bgr, planes_, cv::COLOR_BGR2YUV_I420);
    Check(av_frame_make_writable(frame_.get()), "no memory for a frame");
    const std::uint8_t* from = planes_.data;
    for (int plane = 0; plane < 3; ++plane) {
      const int width = plane == 0 ? bgr.cols : bgr.cols / 2;
      const int height = plane == 0 ? bgr.rows : bgr.rows / 2;
      for (int y = 0; y < height; ++y, from += width)
        std::copy_n(from, width,
                    frame_->data[plane] + static_cast<std::ptrdiff_t>(y) * frame_->linesize[plane]);
    }
    // Stamps must rise, whatever the clip's do.
    const std::int64_t pts =
        std::max(last_pts_ + 1, static_cast<std::int64_t>(std::llround(time_s * kTick.den)));
    if (last_pts_ >= 0) interval_ = pts - last_pts_;
    last_pts_ = pts;
    frame_->pts = last_pts_;
    Encode(frame_.get());
  }

  void Finish() {
    Encode(nullptr);
    Check(av_write_trailer(format_.get()), "cannot be written");
    Check(avio_closep(&format_->pb), "cannot be written");
    std::error_code error;
    std::filesystem::rename(part_path_, out_path_, error);
    if (error) throw calib::InputError(out_path_ + ": cannot be written: " + error.message());
    finished_ = true;
  }

 private:
  void Check(int result, const char* what) const {
    if (result >= 0) return;
    char text[AV_ERROR_MAX_STRING_SIZE] = {};
    av_strerror(result, text, sizeof text);
    throw calib::InputError(fmt::format("{}: {}: {}", out_path_, what, text));
  }

  void Encode(const AVFrame* frame) {
    Check(avcodec_send_frame(codec_.get(), frame), "the encoder refused a frame");
    while (true) {
      const int result = avcodec_receive_packet(codec_.get(), packet_.get());
      if (result == AVERROR(EAGAIN) || result == AVERROR_EOF) return;
      Check(result, "the encoder failed");
      // A last frame that lasts no time would not be shown, or even decoded.
      packet_->duration = interval_;
      av_packet_rescale_ts(packet_.get(), codec_->time_base, stream_->time_base);
      packet_->stream_index = stream_->index;
      Check(av_interleaved_write_frame(format_.get(), packet_.get()), "cannot be written");
    }
  }

  std::string out_path_, part_path_;
  std::unique_ptr<AVFormatContext, FreeFormat> format_;
  std::unique_ptr<AVCodecContext, FreeCodec> codec_;
  AVStream* stream_ = nullptr;
  std::unique_ptr<AVFrame, FreeFrame> frame_;
  std::unique_ptr<AVPacket, FreePacket> packet_;
  cv::Mat planes_;
  std::int64_t last_pts_ = -1, interval_ = kTick.den / 25;
  bool finished_ = false;
};

// Capture time per container time: stamps that say 30 frames a second for a clip taken at 3000 run 100 times
// slow.
double CaptureTimePerStamp(const std::string& clip_path, const OverlayVideoOptions& options) {
  if (!options.fps) return 1.0;
  const auto footage = vision::OpenFootage(clip_path, {options.threads, options.white_level});
  std::vector<double> intervals_s;
  vision::LumaFrame frame;
  double last_s = 0.0;
  for (int i = 0; i < kHeadFrames && footage->Next(frame); ++i) {
    if (i > 0) intervals_s.push_back(frame.stamp_s - last_s);
    last_s = frame.stamp_s;
  }
  if (intervals_s.empty()) return 1.0;
  const auto middle = intervals_s.begin() + static_cast<std::ptrdiff_t>(intervals_s.size() / 2);
  std::nth_element(intervals_s.begin(), middle, intervals_s.end());
  return *middle > 0.0 ? 1.0 / (*options.fps * *middle) : 1.0;
}

// Code value to an 8-bit grey as a screen shows it: linear frames get the curve of ITU-R BT.709, without
// which they would look black.
std::vector<std::uint8_t> GreyOfCodeValue(const vision::FootageFormat& format) {
  const std::vector<float> light = vision::LightOfCodeValue(format);
  std::vector<std::uint8_t> grey(light.size());
  for (std::size_t i = 0; i < light.size(); ++i) {
    const double x = std::clamp(static_cast<double>(light[i]), 0.0, 1.0);
    const double shown = x < 0.018 ? 4.5 * x : 1.099 * std::pow(x, 0.45) - 0.099;
    grey[i] = static_cast<std::uint8_t>(std::lround(255.0 * shown));
  }
  return grey;
}

cv::Mat UprightGrey(const vision::FootageFormat& format, const vision::LumaFrame& frame,
                    const std::vector<std::uint8_t>& grey_of) {
  cv::Mat grey(format.stored_height_px, format.stored_width_px, CV_8UC1);
  const auto convert = [&](const auto* from, int y) {
    std::uint8_t* to = grey.ptr(y);
    for (int x = 0; x < grey.cols; ++x) to[x] = grey_of[std::min<std::size_t>(from[x], grey_of.size() - 1)];
  };
  for (int y = 0; y < grey.rows; ++y) {
    if (format.bits > 8)
      convert(frame.Row<std::uint16_t>(y), y);
    else
      convert(frame.Row<std::uint8_t>(y), y);
  }
  if (format.mirrored) cv::flip(grey, grey, 1);
  switch (format.turn) {
    case vision::QuarterTurn::k0:
      return grey;
    case vision::QuarterTurn::k90:
      cv::rotate(grey, grey, cv::ROTATE_90_CLOCKWISE);
      return grey;
    case vision::QuarterTurn::k180:
      cv::rotate(grey, grey, cv::ROTATE_180);
      return grey;
    case vision::QuarterTurn::k270:
      cv::rotate(grey, grey, cv::ROTATE_90_COUNTERCLOCKWISE);
      return grey;
  }
  return grey;
}

std::optional<std::size_t> PointAt(const Run& run, double capture_s) {
  for (std::size_t i = 0; i < run.points.size(); ++i) {
    const auto& span = run.points[i].video;
    if (span && capture_s >= span->t0_s && capture_s <= span->t1_s) return i;
  }
  return std::nullopt;
}

std::string Caption(const Run& run, std::optional<std::size_t> point, double capture_s) {
  std::string text = fmt::format("{:.3f} s", capture_s);
  if (!point) return text;
  text += fmt::format("   point {}", *point + 1);
  if (run.points[*point].pressure_bar)
    text += fmt::format(", {:.1f} bar", run.points[*point].pressure_bar->value);
  return text;
}

}  // namespace

void WriteOverlayVideo(const Run& run, const std::string& clip_path, const std::string& out_path,
                       const OverlayVideoOptions& options) {
  const double capture_per_stamp = CaptureTimePerStamp(clip_path, options);
  const auto footage = vision::OpenFootage(clip_path, {options.threads, options.white_level});
  const vision::FootageFormat& format = footage->Format();
  const std::vector<std::uint8_t> grey_of = GreyOfCodeValue(format);
  const cv::Size upright(format.UprightWidth(), format.UprightHeight());
  const cv::Rect even(0, 0, upright.width & ~1, upright.height & ~1);
  if (even.empty())
    throw calib::InputError(clip_path + ": frames of less than 2 x 2 px cannot be made a film");

  std::vector<Overlay> overlays;
  for (const Point& point : run.points) overlays.push_back(BuildOverlay(run, point, upright));

  Film film(out_path, even.size());
  vision::LumaFrame frame;
  cv::Mat bgr;
  while (footage->Next(frame)) {
    if (options.should_stop && options.should_stop()) throw vision::Interrupted();
    const double capture_s = frame.stamp_s * capture_per_stamp;
    cv::cvtColor(UprightGrey(format, frame, grey_of), bgr, cv::COLOR_GRAY2BGR);
    const std::optional<std::size_t> point = PointAt(run, capture_s);
    Overlay drawn = point ? overlays[*point] : Overlay{};
    if (!point) drawn.crop = cv::Rect({0, 0}, upright);
    drawn.labels.push_back(
        {Ink::kScale,
         {0.012F * static_cast<float>(upright.width), 0.04F * static_cast<float>(upright.width)},
         Anchor::kLeft,
         Caption(run, point, capture_s)});
    DrawOverlay(bgr, drawn);
    film.Add(bgr(even),
             format.has_stamps ? frame.stamp_s : static_cast<double>(frame.index) / kFolderFramesPerSecond);
  }
  film.Finish();
}

}  // namespace conebook::src

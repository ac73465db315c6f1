#include "render/video_writer.h"

#include <cmath>
#include <stdexcept>

extern "C" {
#include <libavcodec/avcodec.h>
#include <libavformat/avformat.h>
#include <libavutil/opt.h>
}

#include <fmt/format.h>
#include <opencv2/core.hpp>
#include <opencv2/imgcodecs.hpp>

namespace conebook::render {
namespace {

void Check(int status, const char* what) {
  if (status < 0) throw std::runtime_error(fmt::format("{} failed (libav status {})", what, status));
}

// Rows of the 3 x 3 display matrix in 16.16 fixed point (last column 2.30): where stored (p, q) goes upright.
void SetDisplayMatrix(std::int32_t* m, int clockwise_deg, int width, int height) {
  constexpr std::int32_t kOne = 1 << 16;
  for (int i = 0; i < 9; ++i) m[i] = 0;
  m[8] = 1 << 30;
  if (clockwise_deg == 90) {
    m[1] = kOne;
    m[3] = -kOne;
    m[6] = height * kOne;
  } else if (clockwise_deg == 180) {
    m[0] = m[4] = -kOne;
    m[6] = width * kOne;
    m[7] = height * kOne;
  } else if (clockwise_deg == 270) {
    m[1] = -kOne;
    m[3] = kOne;
    m[7] = width * kOne;
  } else {
    m[0] = m[4] = kOne;
  }
}

constexpr int kTimeBase = 90000;

}  // namespace

struct ClipWriter::State {
  RecordingSetting setting;
  std::filesystem::path directory;
  std::string name;
  bool frames = false;
  int index = 0;
  AVFormatContext* format = nullptr;
  AVCodecContext* codec = nullptr;
  AVStream* stream = nullptr;
  AVFrame* frame = nullptr;
  AVPacket* packet = nullptr;
  bool finished = false;

  ~State() {
    av_packet_free(&packet);
    av_frame_free(&frame);
    avcodec_free_context(&codec);
    if (format != nullptr) {
      if (format->pb != nullptr) avio_closep(&format->pb);
      avformat_free_context(format);
    }
  }

  void Drain() {
    for (;;) {
      const int status = avcodec_receive_packet(codec, packet);
      if (status == AVERROR(EAGAIN) || status == AVERROR_EOF) return;
      Check(status, "encoding");
      av_packet_rescale_ts(packet, codec->time_base, stream->time_base);
      packet->stream_index = stream->index;
      Check(av_interleaved_write_frame(format, packet), "writing the clip");
    }
  }
};

ClipWriter::ClipWriter(const std::filesystem::path& directory, const RecordingSetting& setting, int width,
                       int height)
    : state_(std::make_unique<State>()) {
  State& s = *state_;
  s.setting = setting;
  s.directory = directory;
  s.frames = setting.codec.starts_with("frames");
  if (s.frames) {
    s.name = "clip";
    std::filesystem::create_directories(directory / "clip");
    return;
  }
  av_log_set_level(AV_LOG_ERROR);
  s.name = "clip." + setting.container;
  const std::string path = (directory / s.name).string();
  Check(avformat_alloc_output_context2(&s.format, nullptr,
                                       setting.container == "mkv" ? "matroska" : setting.container.c_str(),
                                       path.c_str()),
        "opening the container");
  s.format->flags |= AVFMT_FLAG_BITEXACT;
  const bool hevc = setting.codec == "hevc";
  const AVCodec* encoder = avcodec_find_encoder_by_name(hevc ? "libx265" : "libx264");
  if (encoder == nullptr)
    throw std::runtime_error(fmt::format("this libavcodec has no {} encoder", setting.codec));
  s.codec = avcodec_alloc_context3(encoder);
  s.codec->width = width;
  s.codec->height = height;
  s.codec->pix_fmt = setting.ten_bit ? AV_PIX_FMT_YUV420P10LE : AV_PIX_FMT_YUV420P;
  s.codec->time_base = {1, kTimeBase};
  s.codec->framerate = {static_cast<int>(std::lround(setting.playback_fps * 1000.0)), 1000};
  s.codec->color_range = setting.full_range ? AVCOL_RANGE_JPEG : AVCOL_RANGE_MPEG;
  s.codec->color_primaries = AVCOL_PRI_BT709;
  s.codec->color_trc = AVCOL_TRC_BT709;
  s.codec->colorspace = AVCOL_SPC_BT709;
  s.codec->gop_size = 30;
  s.codec->thread_count = 1;
  s.codec->flags |= AV_CODEC_FLAG_BITEXACT;
  if (s.format->oformat->flags & AVFMT_GLOBALHEADER) s.codec->flags |= AV_CODEC_FLAG_GLOBAL_HEADER;
  if (setting.bit_rate_mbit > 0.0) {
    s.codec->bit_rate = static_cast<std::int64_t>(setting.bit_rate_mbit * 1e6);
  } else {
    av_opt_set(s.codec->priv_data, "crf", fmt::format("{:.1f}", setting.quality).c_str(), 0);
  }
  av_opt_set(s.codec->priv_data, "preset", hevc ? "ultrafast" : "superfast", 0);
  if (hevc) av_opt_set(s.codec->priv_data, "x265-params", "log-level=none:pools=none:frame-threads=1", 0);
  Check(avcodec_open2(s.codec, encoder, nullptr), "opening the encoder");
  s.stream = avformat_new_stream(s.format, nullptr);
  s.stream->time_base = s.codec->time_base;
  s.stream->avg_frame_rate = s.codec->framerate;
  Check(avcodec_parameters_from_context(s.stream->codecpar, s.codec), "copying the encoder's parameters");
  if (setting.rotation_deg != 0) {
    auto* matrix = reinterpret_cast<std::int32_t*>(
        av_stream_new_side_data(s.stream, AV_PKT_DATA_DISPLAYMATRIX, 9 * sizeof(std::int32_t)));
    if (matrix == nullptr) throw std::bad_alloc();
    SetDisplayMatrix(matrix, setting.rotation_deg, width, height);
  }
  Check(avio_open(&s.format->pb, path.c_str(), AVIO_FLAG_WRITE), "opening the clip for writing");
  Check(avformat_write_header(s.format, nullptr), "writing the header");
  s.frame = av_frame_alloc();
  s.frame->format = s.codec->pix_fmt;
  s.frame->width = width;
  s.frame->height = height;
  s.frame->color_range = s.codec->color_range;
  Check(av_frame_get_buffer(s.frame, 0), "allocating a frame");
  s.packet = av_packet_alloc();
}

ClipWriter::~ClipWriter() = default;

std::string ClipWriter::Name() const {
  return state_->name;
}

void ClipWriter::Write(const StoredFrame& picture, double container_time_s) {
  State& s = *state_;
  const int index = s.index++;
  if (s.frames) {
    cv::Mat image(picture.height, picture.width, CV_16U, const_cast<std::uint16_t*>(picture.value.data()));
    if (s.setting.codec == "frames8") image.convertTo(image, CV_8U);
    const bool tiff = s.setting.container == "tiff";
    const auto path = s.directory / "clip" / fmt::format("frame_{:04d}.{}", index, tiff ? "tiff" : "png");
    const std::vector<int> how = tiff ? std::vector<int>{cv::IMWRITE_TIFF_COMPRESSION, 1}
                                      : std::vector<int>{cv::IMWRITE_PNG_COMPRESSION, 1};
    if (!cv::imwrite(path.string(), image, how)) throw std::runtime_error("cannot write " + path.string());
    return;
  }
  Check(av_frame_make_writable(s.frame), "reusing a frame");
  const int bytes = s.setting.ten_bit ? 2 : 1;
  const int neutral = s.setting.ten_bit ? 512 : 128;
  for (int plane = 0; plane < 3; ++plane) {
    const int w = plane == 0 ? picture.width : (picture.width + 1) / 2;
    const int h = plane == 0 ? picture.height : (picture.height + 1) / 2;
    for (int y = 0; y < h; ++y) {
      std::uint8_t* row = s.frame->data[plane] + static_cast<std::ptrdiff_t>(y) * s.frame->linesize[plane];
      for (int x = 0; x < w; ++x) {
        const int v = plane == 0 ? picture.value[static_cast<std::size_t>(y) * static_cast<std::size_t>(w) +
                                                 static_cast<std::size_t>(x)]
                                 : neutral;
        if (bytes == 1) {
          row[x] = static_cast<std::uint8_t>(v);
        } else {
          row[2 * x] = static_cast<std::uint8_t>(v & 0xFF);
          row[2 * x + 1] = static_cast<std::uint8_t>(v >> 8);
        }
      }
    }
  }
  s.frame->pts = static_cast<std::int64_t>(std::llround(container_time_s * kTimeBase));
  s.frame->pict_type = AV_PICTURE_TYPE_NONE;
  Check(avcodec_send_frame(s.codec, s.frame), "encoding");
  s.Drain();
}

void ClipWriter::Finish() {
  State& s = *state_;
  if (s.finished || s.frames) return;
  s.finished = true;
  Check(avcodec_send_frame(s.codec, nullptr), "flushing the encoder");
  s.Drain();
  Check(av_write_trailer(s.format), "closing the clip");
}

}  // namespace conebook::render

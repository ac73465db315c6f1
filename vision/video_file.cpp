#include "vision/video_file.h"

#include <algorithm>
#include <cctype>
#include <cmath>
#include <cstdlib>
#include <cstring>
#include <iterator>
#include <optional>
#include <vector>

extern "C" {
#include <libavcodec/avcodec.h>
#include <libavformat/avformat.h>
#include <libavutil/display.h>
#include <libavutil/log.h>
#include <libavutil/pixdesc.h>
#include <libswscale/swscale.h>
}

#include <calib/error.h>

#include "vision/cine_header.h"
#include "vision/transfer.h"

namespace conebook::vision {
namespace {

struct FormatCloser {
  void operator()(AVFormatContext* context) const { avformat_close_input(&context); }
};
struct CodecCloser {
  void operator()(AVCodecContext* context) const { avcodec_free_context(&context); }
};
struct PacketFreer {
  void operator()(AVPacket* packet) const { av_packet_free(&packet); }
};
struct ScalerFreer {
  void operator()(SwsContext* context) const { sws_freeContext(context); }
};
struct FrameFreer {
  void operator()(AVFrame* frame) const { av_frame_free(&frame); }
};
using FramePtr = std::unique_ptr<AVFrame, FrameFreer>;

// Luma can be taken from plane 0 as it is.
bool HasLumaPlane(const AVPixFmtDescriptor& d) {
  if (d.flags & (AV_PIX_FMT_FLAG_RGB | AV_PIX_FMT_FLAG_PAL | AV_PIX_FMT_FLAG_HWACCEL |
                 AV_PIX_FMT_FLAG_BITSTREAM | AV_PIX_FMT_FLAG_BE | AV_PIX_FMT_FLAG_BAYER)) {
    return false;
  }
  const AVComponentDescriptor& y = d.comp[0];
  const int bytes = y.depth > 8 ? 2 : 1;
  return y.plane == 0 && y.offset == 0 && y.step == bytes && y.depth <= 16;
}

bool IsLossless(AVCodecID id) {
  const AVCodecDescriptor* descriptor = avcodec_descriptor_get(id);
  return descriptor != nullptr && (descriptor->props & AV_CODEC_PROP_LOSSY) == 0;
}

// Phones also write the local time, which gives the day that the engineer remembers; the plain tag is in UTC.
std::string RecordedAt(const AVFormatContext& container, const AVStream& stream) {
  for (const char* key : {"com.apple.quicktime.creationdate", "creation_time"}) {
    for (const AVDictionary* tags : {container.metadata, stream.metadata}) {
      const AVDictionaryEntry* entry = av_dict_get(tags, key, nullptr, 0);
      if (entry != nullptr && entry->value != nullptr) return entry->value;
    }
  }
  return {};
}

// The rate at which a phone filmed what it plays slower (a tag that its recorder writes).
std::optional<double> CaptureFps(const AVFormatContext& container, const AVStream& stream) {
  for (const AVDictionary* tags : {container.metadata, stream.metadata}) {
    const AVDictionaryEntry* entry = av_dict_get(tags, "com.android.capture.fps", nullptr, 0);
    if (entry == nullptr || entry->value == nullptr) continue;
    const double fps = std::strtod(entry->value, nullptr);
    if (fps > 0.0) return fps;
  }
  return std::nullopt;
}

// Several frames are decoded at once as long as the stream is whole. Damage makes them race: what a frame
// takes from a damaged one depends on how far that had come. At the first error the file is therefore opened
// again and decoded one frame at a time, with what came before left out.
class VideoFile : public Footage {
 public:
  VideoFile(const std::string& path, const FootageOptions& options) : path_(path) {
    av_log_set_level(AV_LOG_QUIET);  // the decoder's chatter is not for the user
    one_at_a_time_ = options.threads == 1;
    Open(options.threads);
    AVStream* stream = container_->streams[stream_];
    const AVRational rate = stream->avg_frame_rate.num > 0 ? stream->avg_frame_rate : stream->r_frame_rate;
    fallback_interval_s_ = rate.num > 0 && rate.den > 0 ? av_q2d(av_inv_q(rate)) : 1.0 / 30.0;
    if (rate.num > 0 && rate.den > 0) format_.declared_fps = av_q2d(rate);
    format_.capture_fps = CaptureFps(*container_, *stream);
    if (stream->nb_frames > 0) format_.declared_frames = stream->nb_frames;
    ReadRotation(*stream);
    format_.recorded_at = RecordedAt(*container_, *stream);
    if (std::strcmp(container_->iformat->name, "cine") == 0) cine_ = ReadCineHeader(path_);
    if (cine_) format_.recorded_at = cine_->RecordedAt();
    first_ = Decode();
    if (!first_) throw NoFrame();
    Describe(*first_);
    // The library spreads a cine's 9 to 15 real bits over all 16.
    const bool spread = cine_ && cine_->real_bits > 8;
    if (direct_ && format_.bits == 16 && options.white_level && !spread)
      format_.bits = BitsOfWhiteLevel(*options.white_level);
  }

  const FootageFormat& Format() const override { return format_; }
  int DecodeErrors() const override { return errors_; }

  bool Next(LumaFrame& out) override {
    FramePtr frame = first_ ? std::move(first_) : Decode();
    if (!frame) return false;
    const int rows = frame->height;
    if (frame->width != format_.stored_width_px || rows != format_.stored_height_px) {
      throw calib::InputError(path_ + ": frame " + std::to_string(next_index_) + " is " +
                              std::to_string(frame->width) + " x " + std::to_string(rows) +
                              " px, the first one " + std::to_string(format_.stored_width_px) + " x " +
                              std::to_string(format_.stored_height_px) + "; expected frames of one size");
    }
    out.index = next_index_++;
    out.stamp_s = Stamp(*frame);
    out.corrupt = Corrupt(*frame);
    if (out.corrupt) ++errors_;
    if (suspect_) out.corrupt = true;
    suspect_ = false;
    // Damage lasts until a key frame that is whole.
    const bool whole_key_frame = frame->key_frame != 0 && !out.corrupt;
    damaged_ = !whole_key_frame && (damaged_ || out.corrupt || errors_ > errors_seen_);
    errors_seen_ = errors_;
    out.tainted = damaged_;
    if (direct_) {
      out.data = frame->data[0];
      out.stride_bytes = frame->linesize[0];
      out.keep = std::shared_ptr<const void>(frame.release(), [](const void* p) {
        AVFrame* owned = static_cast<AVFrame*>(const_cast<void*>(p));
        av_frame_free(&owned);
      });
    } else {
      Convert(*frame, out);
    }
    return true;
  }

 private:
  calib::InputError NoFrame() const {
    return calib::InputError(path_ +
                             ": no frame could be decoded; expected a video with at least one whole frame");
  }

  void Open(int threads) {
    AVFormatContext* raw = nullptr;
    const std::string url = "file:" + path_;  // a colon in a name must not be taken for a protocol
    if (avformat_open_input(&raw, url.c_str(), nullptr, nullptr) < 0) {
      throw calib::InputError(
          path_ + ": not a video that can be opened; expected a video file or a folder of frames");
    }
    container_.reset(raw);
    if (avformat_find_stream_info(raw, nullptr) < 0) throw NoFrame();
    const AVCodec* decoder = nullptr;
    stream_ = av_find_best_stream(raw, AVMEDIA_TYPE_VIDEO, -1, -1, &decoder, 0);
    if (stream_ < 0 || decoder == nullptr) {
      throw calib::InputError(path_ + ": holds no video stream that can be decoded; expected a clip");
    }
    for (unsigned i = 0; i < raw->nb_streams; ++i) {
      raw->streams[i]->discard = static_cast<int>(i) == stream_ ? AVDISCARD_DEFAULT : AVDISCARD_ALL;
    }
    AVStream* stream = raw->streams[stream_];
    codec_.reset(avcodec_alloc_context3(decoder));
    if (!codec_ || avcodec_parameters_to_context(codec_.get(), stream->codecpar) < 0) throw NoFrame();
    codec_->flags |= AV_CODEC_FLAG_BITEXACT;
    codec_->thread_count = one_at_a_time_ ? 1 : threads;
    if (!one_at_a_time_) codec_->err_recognition |= AV_EF_EXPLODE;
    codec_->pkt_timebase = stream->time_base;
    if (avcodec_open2(codec_.get(), decoder, nullptr) < 0) throw NoFrame();
    packet_.reset(av_packet_alloc());
    time_base_s_ = av_q2d(stream->time_base);
  }

  // Frames that were handed out are decoded again and dropped.
  void OpenAgain() {
    one_at_a_time_ = true;
    codec_.reset();
    container_.reset();
    drained_ = false;
    errors_ = 1;  // the one that was met; decoding with concealment may pass over it
    suspect_ = true;
    Open(1);
    for (std::int64_t k = 0; k < decoded_; ++k) {
      if (!DecodeOne()) return;
    }
  }

  FramePtr Decode() {
    FramePtr frame = DecodeOne();
    if (!one_at_a_time_ && (errors_ > 0 || (frame && Corrupt(*frame)))) {
      OpenAgain();
      frame = DecodeOne();
    }
    if (frame) ++decoded_;
    return frame;
  }

  static bool Corrupt(const AVFrame& frame) {
    return (frame.flags & AV_FRAME_FLAG_CORRUPT) != 0 || frame.decode_error_flags != 0;
  }

  void ReadRotation(const AVStream& stream) {
    const auto* matrix = reinterpret_cast<const std::int32_t*>(
        av_stream_get_side_data(&stream, AV_PKT_DATA_DISPLAYMATRIX, nullptr));
    if (matrix == nullptr) return;
    const double degrees = av_display_rotation_get(matrix);  // counter-clockwise
    if (std::isnan(degrees)) return;
    const int quarter = static_cast<int>(std::lround(-degrees / 90.0)) & 3;
    format_.turn = static_cast<QuarterTurn>(quarter * 90);
    const double determinant =
        static_cast<double>(matrix[0]) * matrix[4] - static_cast<double>(matrix[1]) * matrix[3];
    format_.mirrored = determinant < 0.0;
  }

  void Describe(const AVFrame& frame) {
    const auto pixel_format = static_cast<AVPixelFormat>(frame.format);
    const AVPixFmtDescriptor* descriptor = av_pix_fmt_desc_get(pixel_format);
    if (descriptor == nullptr) throw NoFrame();
    format_.stored_width_px = frame.width;
    format_.stored_height_px = frame.height;
    direct_ = HasLumaPlane(*descriptor);
    const int depth = descriptor->comp[0].depth;
    format_.bits = direct_ ? depth : (depth > 8 ? 16 : 8);
    const bool grey_or_rgb = descriptor->nb_components < 3 || (descriptor->flags & AV_PIX_FMT_FLAG_RGB) != 0;
    const bool named_full = std::strncmp(descriptor->name, "yuvj", 4) == 0;
    format_.full_range = !direct_ || frame.color_range == AVCOL_RANGE_JPEG || named_full ||
                         (grey_or_rgb && frame.color_range != AVCOL_RANGE_MPEG);
    switch (frame.color_trc) {
      case AVCOL_TRC_SMPTE2084:
      case AVCOL_TRC_ARIB_STD_B67:
        format_.transfer = Transfer::kHdr;
        break;
      case AVCOL_TRC_LINEAR:
        format_.transfer = Transfer::kLinear;
        break;
      default:
        format_.transfer = depth > 10 || cine_ ? Transfer::kLinear : Transfer::kDisplay;
        break;
    }
    format_.compressed = !IsLossless(codec_->codec_id);
    format_.codec = avcodec_get_name(codec_->codec_id);
  }

  double Stamp(const AVFrame& frame) {
    double stamp_s = 0.0;
    const auto number = static_cast<std::size_t>(next_index_ - 1);
    if (cine_ && number < cine_->stamps.size()) {
      stamp_s = cine_->SecondsAfterFirst(number);
    } else if (frame.best_effort_timestamp != AV_NOPTS_VALUE) {
      stamp_s = static_cast<double>(frame.best_effort_timestamp) * time_base_s_;
      if (!first_stamp_s_) first_stamp_s_ = stamp_s;
      stamp_s -= *first_stamp_s_;
    } else if (last_stamp_s_) {
      stamp_s = *last_stamp_s_ + fallback_interval_s_;
    }
    if (!first_stamp_s_) first_stamp_s_ = 0.0;
    // Two frames at one instant, or time running backwards, would spoil every later step.
    if (last_stamp_s_ && !(stamp_s > *last_stamp_s_)) stamp_s = *last_stamp_s_ + 0.01 * fallback_interval_s_;
    last_stamp_s_ = stamp_s;
    return stamp_s;
  }

  FramePtr DecodeOne() {
    FramePtr frame(av_frame_alloc());
    for (;;) {
      const int got = avcodec_receive_frame(codec_.get(), frame.get());
      if (got == 0) return frame;
      if (got == AVERROR_EOF) return nullptr;
      if (got != AVERROR(EAGAIN)) {
        ++errors_;
        if (drained_ || !one_at_a_time_) return nullptr;
      }
      if (drained_) return nullptr;
      const int read = av_read_frame(container_.get(), packet_.get());
      if (read < 0) {
        if (read != AVERROR_EOF) ++errors_;
        drained_ = true;
        avcodec_send_packet(codec_.get(), nullptr);
        continue;
      }
      if (packet_->stream_index == stream_ && avcodec_send_packet(codec_.get(), packet_.get()) < 0) ++errors_;
      av_packet_unref(packet_.get());
    }
  }

  void Convert(const AVFrame& frame, LumaFrame& out) {
    const AVPixelFormat target = format_.bits > 8 ? AV_PIX_FMT_GRAY16LE : AV_PIX_FMT_GRAY8;
    if (!scaler_) {
      scaler_.reset(sws_getContext(frame.width, frame.height, static_cast<AVPixelFormat>(frame.format),
                                   frame.width, frame.height, target,
                                   SWS_BICUBIC | SWS_ACCURATE_RND | SWS_BITEXACT, nullptr, nullptr, nullptr));
      if (!scaler_) throw NoFrame();
      const int* table = sws_getCoefficients(SWS_CS_ITU709);
      sws_setColorspaceDetails(scaler_.get(), table, frame.color_range == AVCOL_RANGE_MPEG ? 0 : 1, table, 1,
                               0, 1 << 16, 1 << 16);
    }
    const int bytes = format_.bits > 8 ? 2 : 1;
    const int stride = (frame.width * bytes + 63) & ~63;
    auto pixels = std::make_shared<std::vector<std::uint8_t>>(static_cast<std::size_t>(stride) *
                                                              static_cast<std::size_t>(frame.height));
    std::uint8_t* planes[4] = {pixels->data(), nullptr, nullptr, nullptr};
    const int strides[4] = {stride, 0, 0, 0};
    sws_scale(scaler_.get(), frame.data, frame.linesize, 0, frame.height, planes, strides);
    out.data = pixels->data();
    out.stride_bytes = stride;
    out.keep = pixels;
  }

  std::string path_;
  FootageFormat format_;
  std::unique_ptr<AVFormatContext, FormatCloser> container_;
  std::unique_ptr<AVCodecContext, CodecCloser> codec_;
  std::unique_ptr<AVPacket, PacketFreer> packet_;
  std::unique_ptr<SwsContext, ScalerFreer> scaler_;
  int stream_ = -1;
  double time_base_s_ = 0.0;
  double fallback_interval_s_ = 0.0;
  FramePtr first_;
  bool direct_ = true;
  bool drained_ = false;
  int errors_ = 0, errors_seen_ = 0;
  bool damaged_ = false, one_at_a_time_ = false;
  bool suspect_ = false;  // the next frame is, or comes just before, the one that was found damaged
  std::int64_t decoded_ = 0;
  std::int64_t next_index_ = 0;
  std::optional<double> first_stamp_s_, last_stamp_s_;
  std::optional<CineHeader> cine_;
};

}  // namespace

bool IsVideoName(const std::filesystem::path& path) {
  static const char* const kKnown[] = {".mp4", ".mov",  ".m4v", ".avi", ".mkv", ".webm", ".mts", ".m2ts",
                                       ".mpg", ".mpeg", ".3gp", ".wmv", ".mxf", ".ts",   ".cine"};
  std::string extension = path.extension().string();
  std::transform(extension.begin(), extension.end(), extension.begin(),
                 [](unsigned char c) { return static_cast<char>(std::tolower(c)); });
  return std::any_of(std::begin(kKnown), std::end(kKnown), [&](const char* k) { return extension == k; });
}

std::unique_ptr<Footage> OpenVideoFile(const std::string& path, const FootageOptions& options) {
  return std::make_unique<VideoFile>(path, options);
}

}  // namespace conebook::vision

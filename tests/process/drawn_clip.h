// Small clips from drawn pictures, with the tags that cameras write; pictures of element cards.
#pragma once

#include <map>
#include <stdexcept>
#include <string>
#include <vector>

#include <opencv2/core.hpp>
#include <opencv2/imgcodecs.hpp>
#include <opencv2/imgproc.hpp>

extern "C" {
#include <libavcodec/avcodec.h>
#include <libavformat/avformat.h>
}

#include "program.h"

namespace conebook::tests {

using Tags = std::map<std::string, std::string>;

// Motion JPEG, 8-bit, as the name's ending says (mov, mp4, avi, mkv).
inline void WriteClip(const fs::path& path, const std::vector<cv::Mat>& frames, const Tags& tags = {},
                      int fps = 10) {
  const auto check = [](int status) {
    if (status < 0) throw std::runtime_error("writing a test clip failed");
  };
  AVFormatContext* container = nullptr;
  check(avformat_alloc_output_context2(&container, nullptr, nullptr, path.c_str()));
  for (const auto& [key, value] : tags) av_dict_set(&container->metadata, key.c_str(), value.c_str(), 0);
  AVStream* stream = avformat_new_stream(container, nullptr);
  stream->time_base = {1, fps};
  stream->avg_frame_rate = {fps, 1};
  stream->codecpar->codec_type = AVMEDIA_TYPE_VIDEO;
  stream->codecpar->codec_id = AV_CODEC_ID_MJPEG;
  stream->codecpar->width = frames.front().cols;
  stream->codecpar->height = frames.front().rows;
  stream->codecpar->format = AV_PIX_FMT_GRAY8;
  check(avio_open(&container->pb, path.c_str(), AVIO_FLAG_WRITE));
  AVDictionary* options = nullptr;
  av_dict_set(&options, "movflags", "use_metadata_tags", 0);
  check(avformat_write_header(container, &options));
  av_dict_free(&options);
  AVPacket* packet = av_packet_alloc();
  for (std::size_t k = 0; k < frames.size(); ++k) {
    std::vector<unsigned char> jpeg;
    cv::imencode(".jpg", frames[k], jpeg, {cv::IMWRITE_JPEG_QUALITY, 92});
    check(av_new_packet(packet, static_cast<int>(jpeg.size())));
    std::copy(jpeg.begin(), jpeg.end(), packet->data);
    packet->stream_index = stream->index;
    packet->flags = AV_PKT_FLAG_KEY;
    packet->pts = packet->dts = av_rescale_q(static_cast<std::int64_t>(k), {1, fps}, stream->time_base);
    packet->duration = av_rescale_q(1, {1, fps}, stream->time_base);
    check(av_interleaved_write_frame(container, packet));
  }
  av_packet_free(&packet);
  check(av_write_trailer(container));
  avio_closep(&container->pb);
  avformat_free_context(container);
}

// What the camera sees when nothing is held before it.
inline cv::Mat Scene() {
  cv::Mat picture(360, 480, CV_8U, cv::Scalar(180));
  cv::rectangle(picture, {220, 0}, {260, 40}, cv::Scalar(30), cv::FILLED);
  return picture;
}

// The element's card as the program prints it, held before the camera.
inline cv::Mat CardPicture(const Folder& folder, const std::string& element) {
  const Outcome drawn = folder.Shell(CONEBOOK_BINARY " --quiet calibrate target --element '" + element +
                                     "' --out card.svg && rsvg-convert -d 100 -p 100 card.svg -o card.png");
  if (drawn.exit != 0) throw std::runtime_error("drawing a card failed: " + drawn.err);
  const cv::Mat page = cv::imread((folder / "card.png").string(), cv::IMREAD_GRAYSCALE);
  fs::remove(folder / "card.svg");
  fs::remove(folder / "card.png");
  cv::Mat picture = Scene();
  page(cv::Rect(40, 40, 370, 272)).copyTo(picture(cv::Rect(60, 50, 370, 272)));
  return picture;
}

// `card_s` of a card (an empty picture: none), then the scene.
inline std::vector<cv::Mat> Frames(double seconds, const cv::Mat& card = {}, double card_s = 0.0,
                                   int fps = 10) {
  std::vector<cv::Mat> frames;
  for (int k = 0; k < static_cast<int>(seconds * fps + 0.5); ++k)
    frames.push_back(k < card_s * fps ? card : Scene());
  return frames;
}

}  // namespace conebook::tests

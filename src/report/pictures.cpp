#include "src/report/pictures.h"

#include <algorithm>
#include <array>
#include <cstdint>
#include <utility>
#include <vector>

#include <fmt/format.h>
#include <opencv2/imgcodecs.hpp>
#include <opencv2/imgproc.hpp>

#include "src/report/digits.h"
#include "src/report/html.h"
#include "src/report/overlay.h"
#include "src/report/point_table.h"

namespace conebook::src {
namespace {

constexpr std::size_t kLeastPictureBytes = 12'000;

// Grey JPEG of at most about max_bytes: first poorer, then smaller.
std::string PictureUri(cv::Mat picture, int max_width, std::size_t max_bytes) {
  if (picture.cols > max_width)
    cv::resize(picture, picture, {max_width, std::max(1, picture.rows * max_width / picture.cols)}, 0, 0,
               cv::INTER_AREA);
  std::vector<unsigned char> bytes;
  for (int round = 0; round < 8; ++round) {
    for (const int quality : {88, 75, 60}) {
      cv::imencode(".jpg", picture, bytes, {cv::IMWRITE_JPEG_QUALITY, quality});
      if (bytes.size() <= max_bytes) return "data:image/jpeg;base64," + Base64(bytes);
    }
    if (picture.cols < 160) break;
    cv::resize(picture, picture, {picture.cols * 3 / 4, std::max(1, picture.rows * 3 / 4)}, 0, 0,
               cv::INTER_AREA);
  }
  return "data:image/jpeg;base64," + Base64(bytes);
}

cv::Mat GreyEightBit(const cv::Mat& still) {
  cv::Mat grey = still;
  if (grey.channels() == 3) cv::cvtColor(grey, grey, cv::COLOR_BGR2GRAY);
  if (grey.depth() == CV_16U) grey.convertTo(grey, CV_8U, 1.0 / 257.0);
  return grey;
}

// What the picture shows, for those who cannot see it.
std::string PictureWords(const Run& run, int point) {
  const vision::SprayPoint& spray = run.points[static_cast<std::size_t>(point)].spray;
  std::string words = "Frame of the spray at " + PointInWords(run, point);
  if (spray.half_angle)
    words += ": boundary and fitted lines, half angle left " + ValueWithU(spray.half_angle->left_deg) +
             " degrees, right " + ValueWithU(spray.half_angle->right_deg) + " degrees";
  if (spray.breakup_mm) words += ", breakup at " + ValueWithU(*spray.breakup_mm) + " mm";
  return words + ".";
}

std::string PictureHtml(const Run& run, int point, bool large, std::size_t max_bytes) {
  const Point& shown = run.points[static_cast<std::size_t>(point)];
  const cv::Mat grey = GreyEightBit(shown.spray.still);
  const Overlay overlay = BuildOverlay(run, shown, grey.size());
  const std::string words = PictureWords(run, point);
  std::string caption = PointInWords(run, point);
  caption.front() = 'P';
  if (shown.spray.half_angle) caption += ": half angle " + ValueWithU(shown.spray.half_angle->mean_deg) + "°";
  if (shown.spray.breakup_mm) caption += ", breakup " + ValueWithU(*shown.spray.breakup_mm) + " mm";
  return fmt::format(
      "<figure class=\"{}\"><div class=\"picture\" style=\"aspect-ratio:{}/{};--ratio:{:.4f}\"><img "
      "alt=\"{}\" "
      "src=\"{}\">{}</div><figcaption>{}</figcaption></figure>",
      large ? "large" : "small", overlay.crop.width, overlay.crop.height,
      static_cast<double>(overlay.crop.width) / overlay.crop.height, EscapeHtml(words),
      PictureUri(grey(overlay.crop).clone(), large ? 1280 : 720, max_bytes),
      OverlaySvg(overlay, "Drawn in: " + words), EscapeHtml(caption));
}

// Of what is drawn over any of the run's pictures; empty where nothing is.
std::string LegendHtml(const Run& run) {
  static constexpr std::array<std::pair<Ink, const char*>, 4> kEntries{
      std::pair{Ink::kBoundary, "visible boundary, median of the frames"},
      std::pair{Ink::kLine, "fitted lines; dashed: carried on"},
      std::pair{Ink::kStation, "stations, near and far"}, std::pair{Ink::kBreakup, "end of the sheet"}};
  std::vector<Ink> drawn;
  for (const Point& point : run.points) {
    if (point.spray.still.empty()) continue;
    for (const Stroke& stroke : BuildOverlay(run, point, point.spray.still.size()).strokes)
      drawn.push_back(stroke.ink);
  }
  std::string out;
  for (const auto& [ink, words] : kEntries) {
    if (std::find(drawn.begin(), drawn.end(), ink) == drawn.end()) continue;
    const InkStyle style = StyleOf(ink, false);
    std::string dash;
    for (const double length : style.dash) dash += fmt::format("{:g} ", length * 0.6);
    out += fmt::format(
        "<li><svg width=\"40\" height=\"10\" aria-hidden=\"true\"><rect width=\"40\" height=\"10\" "
        "fill=\"#333\"/><path "
        "d=\"M2 5H38\" stroke=\"{}\" stroke-width=\"{:.1f}\" stroke-dasharray=\"{}\"/></svg>{}</li>",
        style.colour, style.width * 0.8, dash, words);
  }
  return out.empty() ? out : "<ul class=\"legend\">" + out + "</ul>";
}

}  // namespace

std::optional<int> PointForLargePicture(const Run& run) {
  std::optional<int> best;
  int best_rank = -1;
  std::int64_t best_frames = -1;
  for (std::size_t i = 0; i < run.points.size(); ++i) {
    const vision::SprayPoint& spray = run.points[i].spray;
    if (spray.still.empty()) continue;
    const int rank = (spray.half_angle ? 2 : 0) + (spray.breakup_mm ? 1 : 0);
    if (rank > best_rank || (rank == best_rank && spray.frames > best_frames)) {
      best = static_cast<int>(i);
      best_rank = rank;
      best_frames = spray.frames;
    }
  }
  return best;
}

std::string LeadPictureHtml(const Run& run, int point, std::size_t max_bytes) {
  return "<div class=\"lead\">" + PictureHtml(run, point, true, max_bytes) + LegendHtml(run) + "</div>";
}

std::string PicturesHtml(const Run& run, std::size_t picture_bytes) {
  const std::optional<int> first = PointForLargePicture(run);
  if (!first) return "";
  std::vector<int> others;
  for (int i = 0; i < static_cast<int>(run.points.size()); ++i)
    if (i != *first && !run.points[static_cast<std::size_t>(i)].spray.still.empty()) others.push_back(i);
  const std::size_t share = std::max(kLeastPictureBytes, picture_bytes / (others.size() + 3));
  std::string out = "<section class=\"pictures\"><h2>Picture</h2>" +
                    LeadPictureHtml(run, *first, others.empty() ? picture_bytes * 2 / 3 : 3 * share);
  if (!others.empty()) {
    out += "<div class=\"others\">";
    for (const int i : others) out += PictureHtml(run, i, false, share);
    out += "</div>";
  }
  return out + "</section>";
}

}  // namespace conebook::src

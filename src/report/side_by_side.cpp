#include "src/report/side_by_side.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdint>
#include <numbers>
#include <utility>

#include <fmt/format.h>
#include <opencv2/imgcodecs.hpp>
#include <opencv2/imgproc.hpp>

#include <calib/error.h>

#include "src/grain_rank.h"
#include "src/report/digits.h"
#include "src/report/html.h"
#include "src/report/page.h"

namespace conebook::src {
namespace {

constexpr double kAboveExit = 0.06;  // of the height shown
constexpr double kWidestPx = 460.0;  // of a picture on the page
constexpr std::uint8_t kAir = 205, kDark = 24, kBright = 235;
constexpr int kQuality = 85;

const Point& PointOf(const SideBySideEntry& entry) {
  return entry.run.points[entry.point];
}

bool Frontlit(const SideBySideEntry& entry) {
  return entry.run.clip.illumination == vision::Illumination::kFrontlit;
}

// Direction of the spray in the picture, and across it to the right as seen with the spray down.
struct Axes {
  double along_x, along_y, across_x, across_y;
};
Axes AxesOf(const Run& run) {
  const double turn = run.axis_deg * std::numbers::pi / 180.0;
  return {std::sin(turn), std::cos(turn), std::cos(turn), -std::sin(turn)};
}

// How much lies in the picture, in mm from the exit.
struct Room {
  double across_mm = 0.0, down_mm = 0.0;  // either side
};
Room RoomOf(const SideBySideEntry& entry) {
  const cv::Mat& still = PointOf(entry).spray.still;
  const Axes axes = AxesOf(entry.run);
  const auto until_border = [&](double dx, double dy) {
    double most = 1e9;
    const double x = entry.run.exit_px.x, y = entry.run.exit_px.y;
    if (dx > 1e-9) most = std::min(most, (still.cols - 1 - x) / dx);
    if (dx < -1e-9) most = std::min(most, -x / dx);
    if (dy > 1e-9) most = std::min(most, (still.rows - 1 - y) / dy);
    if (dy < -1e-9) most = std::min(most, -y / dy);
    return std::max(0.0, most) / entry.run.px_per_mm->value;
  };
  return {std::min(until_border(axes.across_x, axes.across_y), until_border(-axes.across_x, -axes.across_y)),
          until_border(axes.along_x, axes.along_y)};
}

std::uint8_t Quantile(const cv::Mat& grey, double part) {
  std::array<std::size_t, 256> count{};
  for (int y = 0; y < grey.rows; ++y) {
    for (int x = 0; x < grey.cols; ++x) ++count[grey.at<std::uint8_t>(y, x)];
  }
  const auto wanted = static_cast<std::size_t>(part * static_cast<double>(grey.total()));
  std::size_t below = 0;
  for (std::size_t level = 0; level < count.size(); ++level) {
    below += count[level];
    if (below > wanted) return static_cast<std::uint8_t>(level);
  }
  return 255;
}

std::string Uri(const cv::Mat& picture) {
  std::vector<unsigned char> bytes;
  cv::imencode(".jpg", picture, bytes, {cv::IMWRITE_JPEG_QUALITY, kQuality});
  return "data:image/jpeg;base64," + Base64(bytes);
}

std::string NameOf(const SideBySide& what, std::size_t place, std::size_t entry) {
  return what.hide_order ? fmt::format("Spray {}", place + 1) : "Element " + what.entries[entry].run.element;
}

std::string FigureHtml(const SideBySide& what, std::size_t place, std::size_t entry, const Room& shown,
                       double px_per_mm) {
  const SideBySideEntry& of = what.entries[entry];
  const cv::Mat picture = ComparableStill(of, 2.0 * shown.across_mm, shown.down_mm, px_per_mm);
  const std::string name = EscapeHtml(NameOf(what, place, entry));
  std::string caption = name;
  if (!what.hide_order) {
    caption += fmt::format(": {} bar", ValueWithU(*PointOf(of).pressure_bar));
    if (of.run.date) caption += ", " + EscapeHtml(*of.run.date);
  }
  // A bar of 5 mm, or of a tenth of what is shown where that is more.
  double bar_mm = 5.0;
  while (bar_mm < 0.12 * 2.0 * shown.across_mm) bar_mm *= 2.0;
  const double bar_px = bar_mm * px_per_mm;
  const std::string scale = fmt::format(
      "<svg style=\"position:absolute;inset:0;width:100%;height:100%\" viewBox=\"0 0 {0} {1}\" role=\"img\" "
      "aria-label=\"Scale bar\"><path d=\"M10 {2}h{3:.1f}\" "
      "stroke=\"#000\" "
      "stroke-width=\"6\"/><path d=\"M10 {2}h{3:.1f}\" stroke=\"#fff\" stroke-width=\"3\"/><text x=\"10\" "
      "y=\"{4}\" "
      "font-size=\"15\" fill=\"#fff\" stroke=\"#000\" stroke-width=\"3\" paint-order=\"stroke\">{5:g} "
      "mm</text></svg>",
      picture.cols, picture.rows, picture.rows - 12, bar_px, picture.rows - 20, bar_mm);
  return fmt::format(
      "<figure class=\"small\"><div class=\"picture\" style=\"aspect-ratio:{}/{}\"><img alt=\"{}: frame of "
      "the spray\" "
      "src=\"{}\">{}</div><figcaption>{}</figcaption></figure>",
      picture.cols, picture.rows, name, Uri(picture), scale, caption);
}

std::string Cell(const std::optional<calib::Quantity>& quantity) {
  return "<td>" + (quantity ? ValueWithU(*quantity) : std::string("<span class=\"none\">none</span>")) +
         "</td>";
}

// What was measured of each, and how its grain stands against the first one's.
std::string NumbersHtml(const SideBySide& what, const std::vector<std::size_t>& order) {
  std::string rows;
  for (std::size_t place = 0; place < order.size(); ++place) {
    const SideBySideEntry& of = what.entries[order[place]];
    const Point& point = PointOf(of);
    const vision::SprayPoint& spray = point.spray;
    std::string grain = "<td><span class=\"none\">none</span></td>";
    if (spray.grain) {
      const Rounded rounded = RoundByU(spray.grain->index, spray.grain->u);
      grain = fmt::format("<td>{} ± {}</td>", rounded.value, rounded.u);
    }
    const std::string rank =
        place == 0
            ? std::string("taken as the measure")
            : CompareGrain(of.run, point, what.entries[order[0]].run, PointOf(what.entries[order[0]])).words;
    std::string name = EscapeHtml(NameOf(what, place, order[place]));
    if (what.hide_order) name += ": element " + EscapeHtml(of.run.element);
    rows +=
        fmt::format("<tr><th scope=\"row\">{}<small>record {}{}</small></th>", name,
                    EscapeHtml(of.record.substr(0, 12)), of.run.date ? ", " + EscapeHtml(*of.run.date) : "") +
        Cell(point.pressure_bar) +
        Cell(spray.half_angle ? std::optional(spray.half_angle->mean_deg) : std::nullopt) +
        Cell(spray.breakup_mm) + grain + "<td>" + EscapeHtml(rank) + "</td></tr>";
  }
  return "<div class=\"scroll\" tabindex=\"0\" role=\"region\" aria-label=\"What was measured\"><table "
         "class=\"theory\"><thead><tr><th></th><th>Pressure drop, bar</th><th>Half angle, °</th><th>Breakup, "
         "mm</th><th>Grain index</th><th>Its grain, against the first</th></tr></thead><tbody>" +
         rows + "</tbody></table></div>";
}

void Check(const SideBySide& what) {
  const SideBySideEntry& first = what.entries.front();
  for (const SideBySideEntry& entry : what.entries) {
    if (!entry.run.px_per_mm || !entry.run.has_scale)
      throw calib::InputError(
          "element " + entry.run.element +
          ": its rig states no scale, so its picture cannot be shown in the same millimetres; "
          "state [scale] px_per_mm and measure again");
    if (Frontlit(entry) != Frontlit(first))
      throw calib::InputError(
          fmt::format("element {} is lit from {}, element {} is not: their pictures cannot have "
                      "one grey scale",
                      first.run.element, Frontlit(first) ? "the front" : "behind", entry.run.element));
  }
}

}  // namespace

cv::Mat ComparableStill(const SideBySideEntry& entry, double width_mm, double height_mm, double px_per_mm) {
  const Run& run = entry.run;
  cv::Mat grey = PointOf(entry).spray.still;
  if (grey.channels() == 3) cv::cvtColor(grey, grey, cv::COLOR_BGR2GRAY);
  const Axes axes = AxesOf(run);
  const double step = run.px_per_mm->value / px_per_mm;  // px of the still, for one of the picture
  const double middle = 0.5 * width_mm * px_per_mm;
  const double above = kAboveExit * height_mm * px_per_mm;
  const cv::Matx23d still_from_picture(
      axes.across_x * step, axes.along_x * step,
      run.exit_px.x - step * (axes.across_x * middle + axes.along_x * above), axes.across_y * step,
      axes.along_y * step, run.exit_px.y - step * (axes.across_y * middle + axes.along_y * above));
  const cv::Size size(static_cast<int>(std::lround(width_mm * px_per_mm)),
                      static_cast<int>(std::lround((1.0 + kAboveExit) * height_mm * px_per_mm)));
  cv::Mat picture;
  if (step > 1.0) {
    const double blur = 0.4 * step;
    cv::Mat soft;
    cv::GaussianBlur(grey, soft, cv::Size(), blur, blur, cv::BORDER_REPLICATE);
    grey = soft;
  }
  cv::warpAffine(grey, picture, still_from_picture, size, cv::INTER_LINEAR | cv::WARP_INVERSE_MAP,
                 cv::BORDER_REPLICATE);
  const bool front = Frontlit(entry);
  const double dark = front ? Quantile(picture, 0.1) : 0.0;
  const double bright =
      std::max(dark + 8.0, static_cast<double>(front ? Quantile(picture, 0.998) : Quantile(picture, 0.9)));
  const double low = front ? kDark : 0.0;
  const double high = front ? kBright : kAir;
  picture.convertTo(picture, CV_8U, (high - low) / (bright - dark),
                    low - dark * (high - low) / (bright - dark));
  return picture;
}

std::string RenderSideBySideHtml(const SideBySide& what) {
  Check(what);
  std::vector<std::size_t> order;
  for (std::size_t k = 0; k < what.entries.size(); ++k) order.push_back(k);
  // A record's key is a hash: its order says nothing of the element.
  if (what.hide_order) {
    std::sort(order.begin(), order.end(),
              [&](std::size_t a, std::size_t b) { return what.entries[a].record < what.entries[b].record; });
  }
  Room shown{1e9, 1e9};
  double px_per_mm = 1e9;
  for (const SideBySideEntry& entry : what.entries) {
    const Room room = RoomOf(entry);
    shown.across_mm = std::min(shown.across_mm, room.across_mm);
    shown.down_mm = std::min(shown.down_mm, room.down_mm);
    px_per_mm = std::min(px_per_mm, entry.run.px_per_mm->value);
  }
  px_per_mm = std::min(px_per_mm, kWidestPx / (2.0 * shown.across_mm));
  std::string figures;
  for (std::size_t place = 0; place < order.size(); ++place)
    figures += FigureHtml(what, place, order[place], shown, px_per_mm);
  const std::string numbers = NumbersHtml(what, order);
  std::string body = fmt::format(
      "<article><header class=\"block\"><div class=\"what\"><span>Side by side</span><h1>Sprays at {:g} "
      "bar</h1></div>{}</header><section><p class=\"hint\">Each picture is one frame, {:.3g} mm across, exit "
      "at the top in the middle, spray down; grey runs {}. Plain margins: not kept on record. One frame is "
      "one "
      "moment: look for what all of a spray's frames share.{}</p><div class=\"charts\">{}</div></section>",
      what.at_bar, TitleCell("Sprays", fmt::format("{}", what.entries.size())), 2.0 * shown.across_mm,
      Frontlit(what.entries.front()) ? "from the dark behind the spray to the brightest of it"
                                     : "from black to the light of the air",
      what.hide_order ? " The order is by chance; write down your judgement before you open the key." : "",
      figures);
  body += what.hide_order ? "<section><details><summary>Key: which spray is which</summary>" + numbers +
                                "</details></section>"
                          : "<section><h2>What was measured</h2>" + numbers + "</section>";
  return Page(fmt::format("Sprays at {:g} bar, side by side", what.at_bar), body + "</article>");
}

}  // namespace conebook::src

#include "src/report/overlay.h"

#include <algorithm>
#include <cmath>
#include <numbers>

#include <fmt/format.h>
#include <fmt/ranges.h>
#include <opencv2/imgproc.hpp>

#include "src/report/digits.h"
#include "src/report/html.h"
#include "vision/statistics.h"

namespace conebook::src {
namespace {

using calib::Quantity;

bool Drawn(const cv::Point2f& p) {
  return p.x != 0.0F || p.y != 0.0F;
}

cv::Point2f AlongAxis(double axis_deg) {
  const double angle = axis_deg * std::numbers::pi / 180.0;
  return {static_cast<float>(std::sin(angle)), static_cast<float>(std::cos(angle))};
}

float Length(const cv::Point2f& v) {
  return std::hypot(v.x, v.y);
}

// Everything a reader should see, with room for nozzle and labels.
cv::Rect CropOf(const Overlay& overlay, const cv::Point2f& exit, const cv::Point2f& along, cv::Size image) {
  std::vector<cv::Point2f> seen{exit};
  for (const Stroke& stroke : overlay.strokes)
    seen.insert(seen.end(), stroke.points.begin(), stroke.points.end());
  const cv::Rect whole({0, 0}, image);
  if (seen.size() < 4) return whole;
  float left = seen[0].x, right = seen[0].x, top = seen[0].y, bottom = seen[0].y;
  for (const cv::Point2f& p : seen) {
    left = std::min(left, p.x);
    right = std::max(right, p.x);
    top = std::min(top, p.y);
    bottom = std::max(bottom, p.y);
  }
  const float size = std::max({right - left, bottom - top, 60.0F});
  const float side = 0.16F * size, back = 0.16F * size, ahead = 0.10F * size;
  left -= side + std::max(0.0F, back * along.x);
  right += side + std::max(0.0F, -back * along.x);
  top -= along.y > 0.0F ? back : ahead;
  bottom += along.y > 0.0F ? ahead : back;
  const cv::Point corner(static_cast<int>(std::floor(left)), static_cast<int>(std::floor(top)));
  const cv::Point end(static_cast<int>(std::ceil(right)), static_cast<int>(std::ceil(bottom)));
  const cv::Rect crop = cv::Rect(corner, end) & whole;
  return crop.area() > 0 ? crop : whole;
}

// A boundary has a point a row; rows that do not count have none, and no line is drawn across them.
std::vector<std::vector<cv::Point2f>> UnbrokenStretches(const std::vector<cv::Point2f>& boundary,
                                                        const cv::Point2f& along) {
  constexpr double kRows = 4.5;
  constexpr std::size_t kLeast = 5;  // fewer are a speck
  if (boundary.size() < kLeast) return {};
  std::vector<double> steps;
  for (std::size_t i = 1; i < boundary.size(); ++i)
    steps.push_back(std::abs((boundary[i] - boundary[i - 1]).dot(along)));
  std::vector<double> sorted = steps;
  const double most = kRows * vision::MedianInPlace(sorted);
  std::vector<std::vector<cv::Point2f>> stretches{{boundary.front()}};
  for (std::size_t i = 1; i < boundary.size(); ++i) {
    if (steps[i - 1] > most) stretches.emplace_back();
    stretches.back().push_back(boundary[i]);
  }
  std::erase_if(stretches, [](const auto& stretch) { return stretch.size() < kLeast; });
  return stretches;
}

std::string StationText(double distance, bool has_scale) {
  return has_scale ? fmt::format("{:.3g} mm", distance) : fmt::format("{:.3g} exit diameters", distance);
}

std::string AngleText(const char* side, const Quantity& angle) {
  return fmt::format("{} {}°", side, RoundByU(angle.value, angle.u).value);
}

// Labels at the sides keep inside the picture and off each other, at the text size of a narrow screen (the
// largest, in shares of the picture's width).
void SettleLabels(Overlay& overlay) {
  const float width = static_cast<float>(overlay.crop.width);
  const float letter = 0.024F * width, line = 0.05F * width;
  const float left_edge = static_cast<float>(overlay.crop.x) + 0.012F * width;
  const float right_edge = static_cast<float>(overlay.crop.x) + 0.988F * width;
  std::vector<const Label*> moved;  // to the other anchor; still of the side where they were
  for (const Anchor side : {Anchor::kLeft, Anchor::kRight}) {
    std::vector<Label*> column;
    for (Label& label : overlay.labels)
      if (label.anchor == side && std::find(moved.begin(), moved.end(), &label) == moved.end())
        column.push_back(&label);
    const Anchor other_side = side == Anchor::kLeft ? Anchor::kRight : Anchor::kLeft;
    for (Label* label : column) {
      const float text_width = letter * static_cast<float>(label->text.size());
      const bool fits = side == Anchor::kLeft ? label->at.x + text_width <= right_edge
                                              : label->at.x - text_width >= left_edge;
      if (fits) continue;
      // Against the edge it lies over what it names: a little higher, so that both can be read.
      label->at = {side == Anchor::kLeft ? right_edge : left_edge, label->at.y - 0.5F * line};
      label->anchor = other_side;
      moved.push_back(label);
    }
    std::stable_sort(column.begin(), column.end(),
                     [](const Label* a, const Label* b) { return a->at.y < b->at.y; });
    for (std::size_t i = 1; i < column.size(); ++i)
      column[i]->at.y = std::max(column[i]->at.y, column[i - 1]->at.y + line);
  }
}

void AddScaleBar(Overlay& overlay, double px_per_mm) {
  const double length_mm = RoundScaleLength(0.22 * overlay.crop.width / px_per_mm);
  const auto length_px = static_cast<float>(length_mm * px_per_mm);
  const float margin = 0.03F * static_cast<float>(overlay.crop.width);
  const float x = static_cast<float>(overlay.crop.x) + margin;
  const float y = static_cast<float>(overlay.crop.y + overlay.crop.height) - margin;
  const float tick = 0.35F * margin;
  overlay.strokes.push_back(
      {Ink::kScale, {{x, y - tick}, {x, y}, {x + length_px, y}, {x + length_px, y - tick}}});
  overlay.labels.push_back({Ink::kScale,
                            {x + 0.5F * length_px, y - 0.6F * tick},
                            Anchor::kMiddle,
                            fmt::format("{:g} mm", length_mm)});
}

}  // namespace

double RoundScaleLength(double longest) {
  if (!(longest > 0.0)) return 1.0;
  const double power = std::pow(10.0, std::floor(std::log10(longest)));
  for (const double step : {5.0, 2.0})
    if (step * power <= longest) return step * power;
  return power;
}

Overlay BuildOverlay(const Run& run, const Point& point, cv::Size image_size) {
  const vision::SprayPoint& spray = point.spray;
  const cv::Point2f exit(run.exit_px);
  const cv::Point2f along = AlongAxis(run.axis_deg);
  const cv::Point2f across(along.y, -along.x);
  Overlay overlay;
  for (const auto* side : {&spray.boundary_left, &spray.boundary_right})
    for (std::vector<cv::Point2f>& stretch : UnbrokenStretches(*side, along))
      overlay.strokes.push_back({Ink::kBoundary, std::move(stretch)});

  const bool fitted = Drawn(spray.line_left[0]) && Drawn(spray.line_right[0]);
  if (fitted) {
    for (const auto* line : {&spray.line_left, &spray.line_right}) {
      const cv::Point2f near = (*line)[0], far = (*line)[1];
      const cv::Point2f step = far - near;
      const float gained = step.dot(along);
      overlay.strokes.push_back({Ink::kLine, {near, far}});
      if (gained > 1.0F) {
        overlay.strokes.push_back(
            {Ink::kLine, {near - step * ((near - exit).dot(along) / gained), near}, true});
        overlay.strokes.push_back({Ink::kLine, {far, far + step * 0.18F}, true});
      }
    }
    const double distance[2] = {run.near_mm.value_or(0.0), run.far_mm.value_or(0.0)};
    for (int i = 0; i < 2; ++i) {
      const cv::Point2f left = spray.line_left[i], right = spray.line_right[i];
      const float outward = 0.10F * Length(spray.line_right[1] - spray.line_left[1]);
      cv::Point2f over = right - left;
      over = Length(over) > 0.0F ? over * (outward / Length(over)) : across * outward;
      overlay.strokes.push_back({Ink::kStation, {left - over, right + over}});
      if (distance[i] > 0.0)
        overlay.labels.push_back({Ink::kStation, right + over * 1.12F, Anchor::kLeft,
                                  (i == 0 ? "near " : "far ") + StationText(distance[i], run.has_scale)});
    }
    if (spray.half_angle) {
      const cv::Point2f left = (spray.line_left[0] + spray.line_left[1]) * 0.5F;
      const cv::Point2f right = (spray.line_right[0] + spray.line_right[1]) * 0.5F;
      const cv::Point2f gap = across * (0.03F * Length(spray.line_right[1] - spray.line_left[1]));
      overlay.labels.push_back(
          {Ink::kLine, left - gap, Anchor::kRight, AngleText("left", spray.half_angle->left_deg)});
      overlay.labels.push_back(
          {Ink::kLine, right + gap, Anchor::kLeft, AngleText("right", spray.half_angle->right_deg)});
    }
  }

  if (spray.breakup_mm) {
    std::vector<cv::Point2f> front = spray.breakup_front;
    if (front.size() < 2 && run.px_per_mm) {
      const cv::Point2f middle =
          exit + along * static_cast<float>(spray.breakup_mm->value * run.px_per_mm->value);
      const float half = fitted ? 0.5F * Length(spray.line_right[1] - spray.line_left[1])
                                : 0.25F * static_cast<float>(image_size.width);
      front = {middle - across * half, middle + across * half};
    }
    if (front.size() > 1) {
      const auto outermost = *std::max_element(front.begin(), front.end(), [&](const auto& a, const auto& b) {
        return (a - exit).dot(across) < (b - exit).dot(across);
      });
      const Rounded length = RoundByU(spray.breakup_mm->value, spray.breakup_mm->u);
      const cv::Point2f gap = across * (0.015F * static_cast<float>(image_size.width));
      overlay.labels.push_back(
          {Ink::kBreakup, outermost + gap, Anchor::kLeft, "breakup " + length.value + " mm"});
      overlay.strokes.push_back({Ink::kBreakup, std::move(front)});
    }
  }
  overlay.crop = CropOf(overlay, exit, along, image_size);
  SettleLabels(overlay);
  if (run.has_scale && run.px_per_mm && run.px_per_mm->value > 0.0)
    AddScaleBar(overlay, run.px_per_mm->value);
  return overlay;
}

InkStyle StyleOf(Ink ink, bool extension) {
  switch (ink) {
    case Ink::kBoundary:
      return {"boundary", "#56b4e9", 2.6, {}};
    case Ink::kLine:
      if (extension) return {"line", "#f0c060", 1.8, {5.0, 5.0}};
      return {"line", "#e69f00", 4.0, {}};
    case Ink::kStation:
      return {"station", "#ffffff", 2.0, {}};
    case Ink::kBreakup:
      return {"breakup", "#ff8fc7", 3.4, {11.0, 5.0, 2.5, 5.0}};
    case Ink::kScale:
      return {"scale", "#ffffff", 3.0, {}};
  }
  return {"scale", "#ffffff", 3.0, {}};
}

std::string OverlaySvg(const Overlay& overlay, const std::string& title) {
  const cv::Rect& crop = overlay.crop;
  const double unit = crop.width / 1000.0;
  std::string strokes, casings, labels;
  for (const Stroke& stroke : overlay.strokes) {
    const InkStyle style = StyleOf(stroke.ink, stroke.extension);
    std::string path;
    for (const cv::Point2f& p : stroke.points)
      path += fmt::format("{:.1f},{:.1f} ", p.x - static_cast<float>(crop.x) + 0.5F,
                          p.y - static_cast<float>(crop.y) + 0.5F);
    if (!path.empty()) path.pop_back();
    std::vector<double> dash = style.dash;
    for (double& length : dash) length *= unit;
    const std::string dashes =
        dash.empty() ? "" : fmt::format(" stroke-dasharray=\"{:.2f}\"", fmt::join(dash, " "));
    casings +=
        fmt::format("<polyline points=\"{}\" stroke-width=\"{:.2f}\"/>", path, (style.width + 2.4) * unit);
    strokes += fmt::format("<polyline points=\"{}\" stroke=\"{}\" stroke-width=\"{:.2f}\"{}/>", path,
                           style.colour, style.width * unit, dashes);
  }
  for (const Label& label : overlay.labels) {
    static constexpr const char* kAnchors[] = {"start", "middle", "end"};
    labels += fmt::format("<text x=\"{:.1f}\" y=\"{:.1f}\" text-anchor=\"{}\" fill=\"{}\">{}</text>",
                          label.at.x - static_cast<float>(crop.x), label.at.y - static_cast<float>(crop.y),
                          kAnchors[static_cast<int>(label.anchor)], StyleOf(label.ink, false).colour,
                          EscapeHtml(label.text));
  }
  return fmt::format(
      "<svg class=\"drawn\" viewBox=\"0 0 {} {}\" role=\"img\" aria-label=\"{}\" style=\"--unit:{:.3f}px\">"
      "<g class=\"casing\">{}</g><g class=\"ink\">{}</g><g class=\"label\">{}</g></svg>",
      crop.width, crop.height, EscapeHtml(title), unit, casings, strokes, labels);
}

namespace {

cv::Scalar BgrOf(const char* colour) {
  const auto value = static_cast<unsigned>(std::stoul(colour + 1, nullptr, 16));
  return {static_cast<double>(value & 255U), static_cast<double>(value >> 8U & 255U),
          static_cast<double>(value >> 16U & 255U)};
}

constexpr int kSubpixelBits = 4;
cv::Point Fixed(const cv::Point2f& p) {
  return {cvRound(p.x * (1 << kSubpixelBits)), cvRound(p.y * (1 << kSubpixelBits))};
}

void DrawSegment(cv::Mat& bgr, const cv::Point2f& a, const cv::Point2f& b, const cv::Scalar& colour,
                 int width) {
  cv::line(bgr, Fixed(a), Fixed(b), colour, width, cv::LINE_AA, kSubpixelBits);
}

// Walks along the stroke and draws the "on" lengths of its dash pattern.
void DrawStroke(cv::Mat& bgr, const std::vector<cv::Point2f>& points, const std::vector<double>& dash,
                const cv::Scalar& colour, int width) {
  std::size_t part = 0;
  double left = dash.empty() ? 0.0 : dash[0];
  for (std::size_t i = 1; i < points.size(); ++i) {
    if (dash.empty()) {
      DrawSegment(bgr, points[i - 1], points[i], colour, width);
      continue;
    }
    cv::Point2f from = points[i - 1];
    double rest = Length(points[i] - from);
    while (rest > 1e-6) {
      const double step = std::min(rest, left);
      const cv::Point2f to = from + (points[i] - from) * static_cast<float>(step / rest);
      if (part % 2 == 0) DrawSegment(bgr, from, to, colour, width);
      from = to;
      rest -= step;
      left -= step;
      if (left <= 1e-6) {
        part = (part + 1) % dash.size();
        left = dash[part];
      }
    }
  }
}

std::string Ascii(std::string text) {
  for (const auto& [sign, word] : {std::pair{"°", " deg"}, std::pair{"±", "+-"}, std::pair{"≥", ">="}})
    for (std::size_t at = text.find(sign); at != std::string::npos; at = text.find(sign))
      text.replace(at, std::char_traits<char>::length(sign), word);
  return text;
}

}  // namespace

void DrawOverlay(cv::Mat& bgr, const Overlay& overlay) {
  const double unit = std::max(0.4, overlay.crop.width / 1000.0);
  const cv::Scalar dark(20, 16, 16);
  for (const bool casing : {true, false}) {
    for (const Stroke& stroke : overlay.strokes) {
      const InkStyle style = StyleOf(stroke.ink, stroke.extension);
      std::vector<double> dash = style.dash;
      for (double& length : dash) length *= unit;
      if (casing) dash.clear();
      DrawStroke(bgr, stroke.points, dash, casing ? dark : BgrOf(style.colour),
                 std::max(casing ? 3 : 1, cvRound((style.width + (casing ? 2.4 : 0.0)) * unit)));
    }
  }
  const double size = std::max(0.4, unit * 0.9);
  const int width = std::max(1, cvRound(unit * 1.6));
  for (const Label& label : overlay.labels) {
    const std::string text = Ascii(label.text);
    int base_line = 0;
    const cv::Size box = cv::getTextSize(text, cv::FONT_HERSHEY_SIMPLEX, size, width, &base_line);
    cv::Point at(cvRound(label.at.x), cvRound(label.at.y));
    if (label.anchor == Anchor::kMiddle) at.x -= box.width / 2;
    if (label.anchor == Anchor::kRight) at.x -= box.width;
    at.x = std::clamp(at.x, 2, std::max(2, bgr.cols - box.width - 2));
    at.y = std::clamp(at.y, box.height + 2, std::max(box.height + 2, bgr.rows - base_line - 2));
    cv::putText(bgr, text, at, cv::FONT_HERSHEY_SIMPLEX, size, dark, width + 3, cv::LINE_AA);
    cv::putText(bgr, text, at, cv::FONT_HERSHEY_SIMPLEX, size, BgrOf(StyleOf(label.ink, false).colour), width,
                cv::LINE_AA);
  }
}

}  // namespace conebook::src

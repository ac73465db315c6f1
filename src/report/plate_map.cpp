#include "src/report/plate_map.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <map>
#include <numbers>
#include <stdexcept>

#include <fmt/format.h>

#include "src/report/html.h"

namespace conebook::src {
namespace {

// In units of the drawing; text of 11 to 14 units.
constexpr double kWidth = 720.0, kCentreX = 360.0, kCentreY = 398.0;
constexpr double kPlate = 300.0;    // the outermost position's circle ends here
constexpr double kMostSpot = 46.0;  // radius of a position's circle
constexpr double kLegendY = 736.0, kHeight = 822.0;

struct Place {
  double x = 0.0, y = 0.0;
};

// 0 at the top, counter-clockwise.
Place At(double radius, double angle_deg) {
  const double turn = angle_deg * std::numbers::pi / 180.0;
  return {kCentreX - radius * std::sin(turn), kCentreY - radius * std::cos(turn)};
}

struct Layout {
  double per_mm = 1.0, spot = kMostSpot;
};

Layout LayOut(const std::vector<MatchPosition>& positions) {
  double outermost = 0.0, nearest = 1e300;
  for (std::size_t i = 0; i < positions.size(); ++i) {
    outermost = std::max(outermost, positions[i].radius_mm);
    for (std::size_t k = 0; k < i; ++k) {
      const Place a = At(positions[i].radius_mm, positions[i].angle_deg),
                  b = At(positions[k].radius_mm, positions[k].angle_deg);
      nearest = std::min(nearest, std::hypot(a.x - b.x, a.y - b.y));
    }
  }
  Layout layout;
  if (outermost <= 0.0) return layout;
  // The outermost spots end at the plate's edge, and no two overlap.
  layout.spot = std::min(kMostSpot, 0.45 * nearest * kPlate / (outermost + 0.45 * nearest));
  layout.spot = std::max(layout.spot, 6.0);
  layout.per_mm = (kPlate - layout.spot) / outermost;
  return layout;
}

// From less to more flow: blue, pale, orange; told apart by colour-blind eyes, and by the numbers.
std::string Fill(double share) {
  struct Colour {
    double r, g, b;
  };
  constexpr Colour kLess{0.0, 114.0, 178.0}, kNone{244.0, 243.0, 238.0}, kMore{213.0, 94.0, 0.0};
  const Colour& end = share < 0.0 ? kLess : kMore;
  const double s = 0.75 * std::min(1.0, std::abs(share));
  const auto mix = [&](double from, double to) {
    return static_cast<int>(std::lround(from + s * (to - from)));
  };
  return fmt::format("#{:02x}{:02x}{:02x}", mix(kNone.r, end.r), mix(kNone.g, end.g), mix(kNone.b, end.b));
}

std::string Words(double x, double y, double size, const std::string& text, const char* anchor = "middle",
                  const char* more = "") {
  return fmt::format("<text x=\"{:.1f}\" y=\"{:.1f}\" font-size=\"{:.1f}\" text-anchor=\"{}\"{}>{}</text>\n",
                     x, y, size, anchor, more, EscapeHtml(text));
}

std::string Line(const Place& a, const Place& b, double width, const char* more = "") {
  return fmt::format(
      "<line x1=\"{:.1f}\" y1=\"{:.1f}\" x2=\"{:.1f}\" y2=\"{:.1f}\" stroke=\"currentColor\" "
      "stroke-width=\"{:.1f}\"{}/>\n",
      a.x, a.y, b.x, b.y, width, more);
}

double MeanDeviation(const SiteResult& site) {
  double mean = 0.0;
  for (const double d : site.flow_deviation_percent)
    mean += d / static_cast<double>(site.flow_deviation_percent.size());
  return mean;
}

// A round number that is no less than the largest deviation: the end of the colour scale.
double ScaleEnd(const std::vector<SiteResult>& sites) {
  double largest = 0.01;
  for (const SiteResult& site : sites) largest = std::max(largest, std::abs(MeanDeviation(site)));
  const double decade = std::pow(10.0, std::floor(std::log10(largest)));
  for (const double step : {1.0, 2.0, 5.0, 10.0})
    if (step * decade >= largest * (1.0 - 1e-9)) return step * decade;
  return 10.0 * decade;
}

std::string Spot(const MatchResult& result, std::size_t s, const Layout& layout, double scale_end) {
  const MatchPosition& position = result.plate.positions[s];
  const SiteResult& site = result.found->sites[s];
  const StockLine& line = result.stock[site.stock];
  const Place at = At(position.radius_mm * layout.per_mm, position.angle_deg);
  const double spot = layout.spot, off = MeanDeviation(site);
  const bool undecided = line.verdict[position.wall ? 1 : 0].decision != calib::Conformity::kAccept;
  std::string out = fmt::format(
      "<g><title>{}</title>\n<circle cx=\"{:.1f}\" cy=\"{:.1f}\" r=\"{:.1f}\" fill=\"{}\" "
      "stroke=\"#16191c\" stroke-width=\"{}\"{}/>\n",
      EscapeHtml(fmt::format("position {}: element {}, flow {:+.2f} % of target", position.name,
                             line.element.element, off)),
      at.x, at.y, spot, Fill(off / scale_end), position.wall ? "3" : "1.2",
      undecided ? " stroke-dasharray=\"5 3\"" : "");
  // Letters of half a size's width, within the circle.
  const std::string& name = line.element.element;
  const double size =
      std::min(0.52 * spot, 1.65 * spot / (0.6 * static_cast<double>(std::max<std::size_t>(1, name.size()))));
  out += Words(at.x, at.y + 0.1 * spot, size, name, "middle", " font-weight=\"700\" fill=\"#16191c\"");
  if (spot > 20.0) {
    out += Words(at.x, at.y + 0.52 * spot, 0.3 * spot, fmt::format("{:+.2f} %", off), "middle",
                 " fill=\"#16191c\"");
    out += Words(at.x, at.y - 0.52 * spot, 0.28 * spot, position.name, "middle", " fill=\"#16191c\"");
  }
  if (position.mark_deg) {
    const Place inner = At(spot * 0.86, *position.mark_deg), outer = At(spot * 1.12, *position.mark_deg);
    out += Line({at.x + inner.x - kCentreX, at.y + inner.y - kCentreY},
                {at.x + outer.x - kCentreX, at.y + outer.y - kCentreY}, 4.0);
  }
  if (site.lean_azimuth_deg && line.element.lean) {
    const double length = spot * (1.15 + 0.5 * std::min(1.0, line.element.lean->size_deg.value));
    const Place from = At(spot, *site.lean_azimuth_deg), to = At(length, *site.lean_azimuth_deg);
    out += Line({at.x + from.x - kCentreX, at.y + from.y - kCentreY},
                {at.x + to.x - kCentreX, at.y + to.y - kCentreY}, 2.0, " stroke-dasharray=\"2 2\"");
  }
  return out + "</g>\n";
}

std::string Legend(const MatchResult& result, double scale_end) {
  constexpr double kBar = 300.0, kLeft = kCentreX - kBar / 2.0;
  constexpr int kSteps = 30;
  std::string out;
  for (int k = 0; k < kSteps; ++k)
    out += fmt::format("<rect x=\"{:.1f}\" y=\"{:.1f}\" width=\"{:.1f}\" height=\"14\" fill=\"{}\"/>\n",
                       kLeft + kBar * k / kSteps, kLegendY, kBar / kSteps + 0.3,
                       Fill(2.0 * (k + 0.5) / kSteps - 1.0));
  for (const double end : {-1.0, 0.0, 1.0})
    out += Words(kCentreX + end * kBar / 2.0, kLegendY + 30.0, 13.0,
                 end == 0.0 ? std::string("target") : fmt::format("{:+g} %", end * scale_end));
  std::string said = "flow area against its target";
  if (result.plate.HasWallRow()) said += "; bold circles: wall row";
  const auto& sites = result.found->sites;
  bool undecided = false, marks = false, leans = false;
  for (std::size_t s = 0; s < sites.size(); ++s) {
    const MatchPosition& position = result.plate.positions[s];
    undecided = undecided || result.stock[sites[s].stock].verdict[position.wall ? 1 : 0].decision !=
                                 calib::Conformity::kAccept;
    marks = marks || position.mark_deg;
    leans = leans || sites[s].lean_azimuth_deg;
  }
  if (undecided) said += "; dashed circles: undecided";
  if (marks) said += "; ticks: datum marks";
  if (leans) said += "; dotted: which way the spray leans";
  return out + Words(kCentreX, kLegendY + 50.0, 13.0, said) +
         Words(kCentreX, kLegendY + 70.0, 13.0,
               "For cold-flow matching. Firing hardware needs licensed practice.");
}

}  // namespace

std::string PlateMapSvg(const MatchResult& result, bool on_page) {
  if (!result.found) throw std::logic_error("PlateMapSvg: there is no match");
  const std::vector<MatchPosition>& positions = result.plate.positions;
  const Layout layout = LayOut(positions);
  const double scale_end = ScaleEnd(result.found->sites);
  std::string body;
  std::map<int, std::array<double, 2>> rings;  // radius and count
  for (const MatchPosition& position : positions) {
    rings[position.ring][0] += position.radius_mm;
    rings[position.ring][1] += 1.0;
  }
  body += fmt::format(
      "<circle cx=\"{0:.1f}\" cy=\"{1:.1f}\" r=\"{2:.1f}\" fill=\"none\" stroke=\"currentColor\" "
      "stroke-width=\"1.5\"/>\n",
      kCentreX, kCentreY, kPlate + 12.0);
  for (const auto& [ring, sum] : rings)
    if (const double radius = sum[0] / sum[1] * layout.per_mm; radius > 1.0)
      body += fmt::format(
          "<circle cx=\"{:.1f}\" cy=\"{:.1f}\" r=\"{:.1f}\" fill=\"none\" stroke=\"currentColor\" "
          "stroke-width=\"0.8\" stroke-dasharray=\"2 5\"/>\n",
          kCentreX, kCentreY, radius);
  // The plate's own mark, and the sense of angles.
  body += Line(At(kPlate + 12.0, 0.0), At(kPlate + 26.0, 0.0), 4.0);
  body += Words(kCentreX + 10.0, kCentreY - kPlate - 16.0, 13.0, "plate's mark, 0\u00b0", "start");
  const Place from = At(kPlate + 26.0, 8.0), to = At(kPlate + 26.0, 24.0);
  body += fmt::format(
      "<path d=\"M{:.1f} {:.1f} A{:.1f} {:.1f} 0 0 0 {:.1f} {:.1f}\" fill=\"none\" stroke=\"currentColor\" "
      "stroke-width=\"1.5\"/>\n",
      from.x, from.y, kPlate + 26.0, kPlate + 26.0, to.x, to.y);
  for (const double side : {-6.0, 6.0}) body += Line(to, At(kPlate + 26.0 + side, 21.5), 1.5);
  for (std::size_t s = 0; s < positions.size(); ++s) body += Spot(result, s, layout, scale_end);
  body += Words(kCentreX, 26.0, 18.0, "Plate " + result.plate.id, "middle", " font-weight=\"700\"") +
          Words(kCentreX, 44.0, 13.0, "seen looking upstream at the face, angles counter-clockwise") +
          Legend(result, scale_end);
  const std::string head = on_page
                               ? std::string("<svg class=\"platemap\" style=\"max-width:100%;height:auto\"")
                               : std::string("<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n<svg");
  return fmt::format(
      "{} xmlns=\"http://www.w3.org/2000/svg\" width=\"{:g}\" height=\"{:g}\" viewBox=\"0 0 {:g} {:g}\" "
      "role=\"img\" aria-label=\"{}\" font-family=\"system-ui, Liberation Sans, DejaVu Sans, "
      "sans-serif\"{}>\n{}"
      "<g fill=\"currentColor\">\n{}</g></svg>\n",
      head, kWidth, kHeight, kWidth, kHeight,
      EscapeHtml(fmt::format("Map of plate {} with {} elements", result.plate.id, positions.size())),
      on_page ? "" : " color=\"#16191c\"",
      on_page ? std::string()
              : fmt::format("<rect width=\"{:g}\" height=\"{:g}\" fill=\"#ffffff\"/>\n", kWidth, kHeight),
      body);
}

}  // namespace conebook::src

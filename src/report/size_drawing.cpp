#include "src/report/size_drawing.h"

#include <algorithm>
#include <cmath>
#include <numbers>
#include <vector>

#include <fmt/core.h>

namespace conebook::src {
namespace {

constexpr double kWidth = 560.0, kHeight = 560.0, kMargin = 34.0;

// A number of a drawing: hundredths, without the minus of a zero.
std::string N(double value) {
  return fmt::format("{:.2f}", std::abs(value) < 0.005 ? 0.0 : value);
}

std::string Line(double x0, double y0, double x1, double y1, const std::string& style) {
  return fmt::format("<line x1=\"{}\" y1=\"{}\" x2=\"{}\" y2=\"{}\" style=\"{}\"/>", N(x0), N(y0), N(x1),
                     N(y1), style);
}

std::string Circle(double x, double y, double r, const std::string& style) {
  return fmt::format("<circle cx=\"{}\" cy=\"{}\" r=\"{}\" style=\"{}\"/>", N(x), N(y), N(r), style);
}

std::string Text(double x, double y, const std::string& text, const char* anchor = "middle",
                 const char* ink = "--ink") {
  return fmt::format(
      "<text x=\"{}\" y=\"{}\" text-anchor=\"{}\" "
      "style=\"fill:var({});font-size:13px;paint-order:stroke;stroke:var(--paper);stroke-width:4\">{}</text>",
      N(x), N(y), anchor, ink, text);
}

std::string Svg(double width, double height, const std::string& label, const std::string& inside) {
  return fmt::format(
      "<svg viewBox=\"0 0 {} {}\" role=\"img\" aria-label=\"{}\" style=\"width:100%;max-width:{}px\">{}"
      "</svg>",
      N(width), N(height), label, N(width), inside);
}

// The two places nearest each other, the outermost of these.
std::pair<std::size_t, std::size_t> NearestPair(const std::vector<calib::Place>& places, double pitch_mm) {
  std::pair<std::size_t, std::size_t> best{0, 0};
  double farthest = -1.0;
  for (std::size_t i = 0; i < places.size(); ++i) {
    for (std::size_t j = i + 1; j < places.size(); ++j) {
      const double dx = places[i].x_mm - places[j].x_mm, dy = places[i].y_mm - places[j].y_mm;
      if (std::hypot(dx, dy) > pitch_mm * (1.0 + 1e-6)) continue;
      const double out = std::hypot(places[i].x_mm + places[j].x_mm, places[i].y_mm + places[j].y_mm);
      if (out > farthest + 1e-9) {
        farthest = out;
        best = {i, j};
      }
    }
  }
  return best;
}

// The sheet's half width below the exit.
double SheetRadius(double z_mm, double exit_mm, double half_angle_deg) {
  const double grown = z_mm * std::tan(half_angle_deg * std::numbers::pi / 180.0);
  return std::sqrt(0.25 * exit_mm * exit_mm + grown * grown);
}

}  // namespace

std::string PlateDrawing(const SizeTarget& target, const SizeCandidate& candidate) {
  const double outer_mm = 0.5 * std::max(target.plate_diameter_mm, target.wall_diameter_mm);
  const double scale = (0.5 * kWidth - kMargin) / outer_mm, cx = 0.5 * kWidth, cy = 0.5 * kHeight;
  std::string out;
  out += Circle(cx, cy, 0.5 * target.plate_diameter_mm * scale,
                "fill:var(--wash);stroke:var(--ink);stroke-width:1.5");
  if (target.wall_diameter_mm != target.plate_diameter_mm)
    out += Circle(cx, cy, 0.5 * target.wall_diameter_mm * scale,
                  "fill:none;stroke:var(--ink);stroke-width:1.5;stroke-dasharray:7 4");
  out += Circle(cx, cy, target.Space().usable_radius_mm * scale,
                "fill:none;stroke:var(--soft);stroke-width:1;stroke-dasharray:3 3");
  for (const calib::Ring& ring : candidate.layout.rings)
    if (candidate.layout.kind == calib::LayoutKind::kRings && ring.radius_mm > 0.0)
      out += Circle(cx, cy, ring.radius_mm * scale, "fill:none;stroke:var(--faint);stroke-width:1");
  const SizeGeometry& geometry = candidate.one.geometry;
  for (const calib::Place& place : candidate.layout.places) {
    const double x = cx + place.x_mm * scale, y = cy - place.y_mm * scale;
    out += Circle(x, y, 0.5 * geometry.chamber.mm * scale, "fill:none;stroke:var(--s1);stroke-width:1.2");
    out += Circle(x, y, std::max(1.2, 0.5 * geometry.exit.mm * scale), "fill:var(--s1)");
  }
  if (candidate.layout.places.size() > 1) {
    const auto [i, j] = NearestPair(candidate.layout.places, candidate.layout.least_pitch_mm);
    const calib::Place &a = candidate.layout.places[i], &b = candidate.layout.places[j];
    out += Line(cx + a.x_mm * scale, cy - a.y_mm * scale, cx + b.x_mm * scale, cy - b.y_mm * scale,
                "stroke:var(--s2);stroke-width:2.5");
  }
  out += Text(cx, kHeight - 8.0, fmt::format("plate {:g} mm", target.plate_diameter_mm), "middle", "--soft");
  return Svg(kWidth, kHeight, fmt::format("Plate with {} elements", candidate.elements), out);
}

std::string ConesDrawing(const SizeTarget& target, const SizeCandidate& candidate) {
  const double half_pitch_mm = candidate.neighbours ? 0.5 * candidate.layout.least_pitch_mm : 0.0;
  double outermost = 0.0;
  for (const calib::Ring& ring : candidate.layout.rings) outermost = std::max(outermost, ring.radius_mm);
  const double to_wall_mm = 0.5 * target.wall_diameter_mm - outermost;
  const SizeValue& angle = candidate.one.cone_half_angle_deg;
  const double exit_mm = candidate.one.geometry.exit.mm;
  // Two neighbours, the right one next to the wall: as if the pitch lay along the radius.
  const double left_mm = 2.0 * half_pitch_mm;
  const double deep_mm =
      1.25 * std::max(candidate.wall.hi95_mm, candidate.neighbours ? candidate.neighbours->hi95_mm : 0.0);
  const double lead_mm = std::max(0.6 * half_pitch_mm, 0.35 * to_wall_mm);
  const double wide_mm = lead_mm + left_mm + to_wall_mm;
  const double scale = std::min((kWidth - 2.0 * kMargin) / wide_mm, (kHeight - 90.0) / deep_mm);
  const double top = 46.0, height = top + deep_mm * scale + 40.0;
  const double wall_x = kMargin + wide_mm * scale;
  std::string out;
  const std::string ink = "stroke:var(--ink);stroke-width:2";
  out += Line(kMargin, top, wall_x, top, ink);
  out += Line(wall_x, top, wall_x, top + deep_mm * scale, ink);
  out += Text(wall_x - 6.0, top + deep_mm * scale + 18.0, "chamber wall", "end", "--soft");
  std::vector<double> axes{wall_x - to_wall_mm * scale};
  if (candidate.neighbours) axes.push_back(axes.front() - left_mm * scale);
  for (const double axis : axes) {
    out += Line(axis, top - 14.0, axis, top + deep_mm * scale,
                "stroke:var(--faint);stroke-width:1;stroke-dasharray:8 3 2 3");
    for (const auto& [deg, style] :
         {std::pair(angle.interval95.lo, "stroke:var(--s1);stroke-width:1;stroke-dasharray:3 3;fill:none"),
          std::pair(angle.interval95.hi, "stroke:var(--s1);stroke-width:1;stroke-dasharray:3 3;fill:none"),
          std::pair(angle.value, "stroke:var(--s1);stroke-width:2;fill:none")}) {
      for (const double side : {-1.0, 1.0}) {
        std::string points;
        constexpr int kSteps = 40;
        for (int k = 0; k <= kSteps; ++k) {
          const double z = deep_mm * k / kSteps, r = SheetRadius(z, exit_mm, deg);
          const double x = axis + side * r * scale;
          if (x > wall_x + 0.5 || x < kMargin - 20.0) break;
          points += fmt::format("{},{} ", N(x), N(top + z * scale));
        }
        out += fmt::format("<polyline points=\"{}\" style=\"{}\"/>", points, style);
      }
    }
  }
  const auto mark = [&](double x, const MeetsAt& at, const char* anchor, double aside) {
    out += Line(x, top + at.lo95_mm * scale, x, top + at.hi95_mm * scale,
                "stroke:var(--s2);stroke-width:5;opacity:.45");
    out += Circle(x, top + at.mm * scale, 4.0, "fill:var(--s2)");
    out += Text(x + aside, top + at.hi95_mm * scale + 17.0,
                fmt::format("{:.1f} mm ({:.1f} to {:.1f})", at.mm, at.lo95_mm, at.hi95_mm), anchor);
  };
  if (candidate.neighbours) mark(0.5 * (axes[0] + axes[1]), *candidate.neighbours, "middle", 0.0);
  mark(wall_x, candidate.wall, "end", -8.0);
  out += Text(kMargin, 20.0,
              candidate.neighbours
                  ? fmt::format("least pitch {:.1f} mm, axis to wall {:.1f} mm", left_mm, to_wall_mm)
                  : fmt::format("axis to wall {:.1f} mm", to_wall_mm),
              "start", "--soft");
  return Svg(kWidth, height, "Cones of neighbours and at the wall, from the side", out);
}

}  // namespace conebook::src

#include "vision/cone_origin.h"

#include <algorithm>
#include <cmath>

#include <fmt/format.h>

#include "vision/hyperboloid.h"

namespace conebook::vision {

namespace {

constexpr double kLeastSlope =
    0.15;  // half width per distance: below, a pixel of the edge moves the exit by too many

}  // namespace

bool TakeExitFromSides(ClipModel& model) {
  constexpr double kNearDiameters = 2.0, kFarPart = 0.5;  // of the rows
  constexpr double kAgree = 2.5;                          // u of the difference
  constexpr double kSharpPx = 4.0, kDoubt = 0.35;
  constexpr double kURing = 0.15;  // of b: r0 is known to some 7 %, b goes with its square
  const GuessLine& left = model.guess[kLeftSide];
  const GuessLine& right = model.guess[kRightSide];
  const double slope = 0.5 * (right.slope - left.slope);
  if (slope < kLeastSlope) return false;
  const double near = std::max(10.0, kNearDiameters * model.exit_diameter_px);
  const double far = std::max(near + 40.0, kFarPart * model.rows * model.row_step);
  const double ring =
      LineThroughHyperboloid(0.5 * kFilmOfExit * model.exit_diameter_px, slope, near, far).intercept;
  const double half_width = 0.5 * (right.at_exit_px - left.at_exit_px);
  const double down = -(half_width - ring - kEdgeOutward_px) / slope;  // of the exit as it is
  const double u_sides = std::hypot(kUEdgeOutward_px, kURing * ring) / slope;
  const double u_found = std::max(model.u_exit_px, 1.0);
  const bool agree = std::abs(down) <= kAgree * std::hypot(u_sides, u_found);
  if (!agree && u_found <= kSharpPx) {
    // Two looks told one place, and the sides another: of drops without a sheet they bend. It stays, in
    // doubt.
    model.u_exit_px = std::max(u_found, kDoubt * std::abs(down));
    return false;
  }
  double move = down;
  double u = std::hypot(u_sides, 0.1 * down);
  if (agree) {
    const double weight = u_found * u_found / (u_sides * u_sides + u_found * u_found);
    move = weight * down;
    // What is left of their difference is doubt, too.
    u = std::max(std::sqrt(weight) * u_sides, 0.5 * std::abs(down - move));
  }
  if (model.exit_px.y + move < 1.0) return false;
  const auto middle = [&](double dy) { return 0.5 * (left.X(dy) + right.X(dy)); };
  model.exit_px.x = agree ? model.exit_px.x + middle(move) - middle(0.0) : middle(move);
  model.exit_px.y += move;
  model.u_exit_px = std::max(1.5, u);
  return true;
}

std::optional<calib::Flag> OriginDoubt(const ConeAngles& angles, double px_per_mm, double near_mm,
                                       double far_mm, double exit_radius_mm, double u_exit_mm) {
  const double slope = 0.5 * (angles.slope[kRightSide] - angles.slope[kLeftSide]);
  if (slope < kLeastSlope) return std::nullopt;
  const double ring = LineThroughHyperboloid(kFilmOfExit * exit_radius_mm, slope, near_mm, far_mm).intercept +
                      kEdgeOutward_px / px_per_mm;
  const double half_width = 0.5 * (angles.at_exit_mm[kRightSide] - angles.at_exit_mm[kLeftSide]);
  const double wider = half_width - ring;
  // Sides that gas bends and a film thicker on one side leave a part of the radius; the edges of single clips
  // up to 4 px.
  const double allowed = 4.0 / px_per_mm + 0.3 * exit_radius_mm +
                         3.0 * std::hypot(kUEdgeOutward_px / px_per_mm, u_exit_mm * slope);
  if (std::abs(wider) <= allowed) return std::nullopt;
  const double off_mm = std::abs(wider) / slope;
  if (wider > 0.0) {
    return calib::Flag{
        "wide_origin",
        calib::Severity::kWarn,
        std::nullopt,
        std::nullopt,
        fmt::format(
            "carried straight back to the exit the sides are {:.2f} mm apart, on an exit of {:.2f} mm: they "
            "come from some {:.1f} mm upstream of it; breakup length and stations count from the exit",
            2.0 * half_width, 2.0 * exit_radius_mm, off_mm),
        "check exit_px and exit_diameter_mm; does the spray leave a holder's face, or cling to one?"};
  }
  return calib::Flag{"narrow_origin",
                     calib::Severity::kWarn,
                     std::nullopt,
                     std::nullopt,
                     fmt::format("carried straight back the sides meet some {:.1f} mm downstream of the "
                                 "exit; breakup length and stations count from the exit",
                                 off_mm),
                     "check exit_px; does a holder or a sleeve hide the beginning of the spray?"};
}

}  // namespace conebook::vision

#include "vision/angle_doubts.h"

#include <algorithm>
#include <cmath>
#include <optional>
#include <span>
#include <utility>

#include <fmt/format.h>

#include "vision/frame_record.h"
#include "vision/statistics.h"
#include "vision/straightness.h"

namespace conebook::vision {
namespace {

using calib::Flag;
using calib::Severity;

enum class Swing { kIn, kOut };  // what swings at a rate of its own

std::vector<double> MeanOfFrames(const ConeAngles& angles, Swing swing = Swing::kIn) {
  std::vector<double> mean;
  for (std::size_t k = 0; k < angles.frame_found.size(); ++k) {
    if (!angles.frame_found[k]) continue;
    mean.push_back(0.5 * (angles.frame_left_deg[k] + angles.frame_right_deg[k]));
    if (swing == Swing::kOut) mean.back() -= angles.frame_swing.mean_deg[k];
  }
  return mean;
}

constexpr double kMostSpreadDeg = 2.0;  // single frames of a steady spray scatter by half a degree

std::optional<Flag> NoCone(const ConeAngles& angles) {
  constexpr double kLeastHalfAngleDeg = 4.0;
  // One side against the other. A steady cone may lean; of edges that flutter, such a lean says that one of
  // them is none.
  constexpr double kLeastOfOther = 0.25, kLeastOfOtherUnsteady = 0.6;
  const double least =
      RobustSpread(MeanOfFrames(angles)) > kMostSpreadDeg ? kLeastOfOtherUnsteady : kLeastOfOther;
  const calib::Quantity& half_angle = angles.mean_deg;
  // A side that leaves the picture at once lets something within be followed in its place, a mirrored lamp.
  const double less = std::min(angles.left_deg.value, angles.right_deg.value);
  const double more = std::max(angles.left_deg.value, angles.right_deg.value);
  if (half_angle.value >= kLeastHalfAngleDeg && less < least * more &&
      more - less > 8.0 * angles.lean_deg.u) {
    return Flag{
        "not_a_cone",
        Severity::kWarn,
        std::nullopt,
        std::nullopt,
        fmt::format(
            "the left side stands at {:.1f} deg to the axis, the right at {:.1f}: no cone leans so far",
            angles.left_deg.value, angles.right_deg.value),
        "check that both sides are in the picture down to the far station, and axis_deg"};
  }
  if (half_angle.value >= kLeastHalfAngleDeg && half_angle.value >= 4.0 * half_angle.u) return std::nullopt;
  return Flag{"not_a_cone",
              Severity::kWarn,
              std::nullopt,
              std::nullopt,
              fmt::format("what was followed from the exit opens by {:.1f} deg, u {:.1f} deg: no cone",
                          half_angle.value, half_angle.u),
              "check that the valve opened while filming, and that exit_px and axis_deg are right"};
}

std::optional<Flag> Unsteady(const ConeAngles& angles) {
  constexpr double kLeastShare = 0.35;
  const std::vector<double> mean = MeanOfFrames(angles);
  const double share = static_cast<double>(mean.size()) /
                       static_cast<double>(std::max<std::size_t>(1, angles.frame_found.size()));
  const double spread = RobustSpread(mean);
  if (spread > kMostSpreadDeg) {
    return Flag{
        "edges_unsteady",
        Severity::kWarn,
        std::nullopt,
        std::nullopt,
        fmt::format(
            "the half angle scatters by {:.1f} deg from frame to frame; a steady cone by less than one",
            spread),
        "look at the picture: is it the spray that was followed? Keep moving things out, steady the feed"};
  }
  if (share < kLeastShare) {
    return Flag{"edges_seldom_found",
                Severity::kWarn,
                std::nullopt,
                std::nullopt,
                fmt::format("both edges were found in {:.0f} % of the frames only", 100.0 * share),
                "light the rim of the spray better"};
  }
  return std::nullopt;
}

std::vector<SidePoint> BetweenStations(std::span<const cv::Point2f> boundary_px, int side,
                                       const calib::ConeProjection& projection, double near_mm,
                                       double far_mm) {
  std::vector<SidePoint> points;
  for (const cv::Point2f& px : boundary_px) {
    const calib::AxisPlanePoint at =
        projection.MmFromPx({static_cast<double>(px.x), static_cast<double>(px.y)});
    if (at.z_mm < near_mm || at.z_mm > far_mm) continue;
    points.push_back({at.z_mm, side == kRightSide ? at.x_mm : -at.x_mm});
  }
  return points;
}

// Waviness of a side could turn its line by more than the stated interval, or many rows are not the line's.
std::optional<Flag> NotStraight(const ConeAngles& angles, const calib::ConeCamera& camera, double near_mm,
                                double far_mm, double exit_radius_mm,
                                const BoundaryOfPart& boundary_of_part) {
  constexpr int kParts = 6;
  constexpr int kLeastFrames = 4;
  StraightnessOptions options;
  options.floor_mm = ConeFitOptions{}.line_floor_px / camera.px_per_mm;
  const calib::ConeProjection projection(camera);
  for (const int side : {kLeftSide, kRightSide}) {
    const std::vector<SidePoint> points = BetweenStations(angles.boundary_px[static_cast<std::size_t>(side)],
                                                          side, projection, near_mm, far_mm);
    auto shape = ShapeOfSide(points, {}, exit_radius_mm, options);
    if (!shape) continue;
    const calib::Quantity& angle = side == kLeftSide ? angles.left_deg : angles.right_deg;
    const auto is_wavy = [&] {
      return shape->significance > options.least_significance &&
             shape->turn_deg > std::max(options.least_turn_deg, options.most_turn_in_u * angle.u);
    };
    const auto is_bent = [&] {
      const double by_waves = options.most_bend_in_u * shape->u_bend_deg;
      return shape->bend_deg > options.most_opening_deg + by_waves ||
             shape->bend_deg < -options.most_closing_deg - by_waves;
    };
    if (is_wavy() || is_bent()) {
      // The spray's own waves make few frames' boundary wavy, or bend it, too.
      std::vector<std::vector<SidePoint>> parts;
      for (const Block& block : ContiguousBlocks(angles.frame_found.size(), kParts, kLeastFrames))
        parts.push_back(BetweenStations(boundary_of_part(side, block), side, projection, near_mm, far_mm));
      shape = ShapeOfSide(points, parts, exit_radius_mm, options);
    }
    const bool wavy = is_wavy();
    const bool bent = is_bent();
    const bool off = shape->off > options.most_off;
    if (!wavy && !bent && !off) continue;
    const char* name = side == kLeftSide ? "left" : "right";
    return Flag{
        "sides_not_straight",
        Severity::kWarn,
        std::nullopt,
        std::nullopt,
        wavy || bent
            ? fmt::format("the {} side {}, as no cone's does; its angle may be off by {:.1f} deg or more",
                          name, wavy ? "bends to and fro" : "bends all the way",
                          wavy ? shape->turn_deg : 0.25 * std::abs(shape->bend_deg))
            : fmt::format("of the {} side's rows {:.0f} % lie off the line that the others make", name,
                          100.0 * shape->off),
        wavy || bent ? "look at the picture: keep moving things out of it, wipe the window, and check "
                       "exit_px and axis_deg"
                     : "look at the picture: light both rims alike, wipe the window, and keep moving things "
                       "out of it"};
  }
  return std::nullopt;
}

std::optional<Flag> RimLost(const ConeAngles& angles) {
  const auto [left, right] = angles.inside_share;
  if (!(left + right > 0.0)) return std::nullopt;
  const bool many = std::max(left, right) >= 0.5;
  const auto share = [](double part) { return fmt::format("{:.0f} %", 100.0 * part); };
  std::string where =
      left > 0.0 && right > 0.0
          ? fmt::format("{} of the left and {} of the right side's rows", share(left), share(right))
          : fmt::format("{} of the {} side's rows", share(left + right), left > 0.0 ? "left" : "right");
  return Flag{
      "rim_lost",
      many ? Severity::kWarn : Severity::kInfo,
      std::nullopt,
      std::nullopt,
      fmt::format("on {} between the stations the edge followed lay inside of the rim, and jumped out to it "
                  "farther down; those rows do not count",
                  where),
      "light both rims from the exit on, and keep the lamp's mirror image off the sheet"};
}

// Few correlation times tell little of a scatter, and so of u where it makes most of that.
std::optional<Flag> ShortRecord(const ConeAngles& angles) {
  constexpr double kEnough = 20.0;
  constexpr double kFew = 5.0;
  constexpr double kAlike = 1.5;  // frames in a correlation time; fewer: each as good as independent
  const std::vector<double> mean = MeanOfFrames(angles, Swing::kOut);
  const double times = EffectiveSampleSize(mean);
  const double frames = static_cast<double>(mean.size()) / std::max(1.0, times);
  if (mean.size() < 4 || times >= kEnough) return std::nullopt;
  double of_frames = 0.0;
  for (const calib::Contribution& c : angles.mean_deg.budget)
    if (c.shared == calib::Shared::kFrames) of_frames += c.u * c.u;
  const bool doubtful = times < kFew && 2.0 * of_frames > angles.mean_deg.u * angles.mean_deg.u;
  return Flag{
      "short_record",
      doubtful ? Severity::kWarn : Severity::kInfo,
      std::nullopt,
      std::nullopt,
      fmt::format(
          "the stretch is {:.0f} correlation times of the half angle long ({} frames, {:.1f} of them to "
          "a correlation time); below {:.0f} its scatter is known poorly",
          times, mean.size(), frames, kEnough),
      frames < kAlike ? "film longer" : "film longer, or at a lower frame rate"};
}

}  // namespace

AngleDoubts DoubtsOf(const ConeAngles& angles, const calib::ConeCamera& camera, double near_mm, double far_mm,
                     double exit_radius_mm, const BoundaryOfPart& boundary_of_part) {
  AngleDoubts doubts;
  if (auto none = NoCone(angles)) {
    doubts.no_cone = true;
    doubts.flags.push_back(std::move(*none));
    return doubts;
  }
  for (auto& flag :
       {Unsteady(angles), NotStraight(angles, camera, near_mm, far_mm, exit_radius_mm, boundary_of_part),
        RimLost(angles), ShortRecord(angles)}) {
    if (flag) doubts.flags.push_back(*flag);
  }
  return doubts;
}

}  // namespace conebook::vision

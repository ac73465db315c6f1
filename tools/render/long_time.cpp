#include "render/long_time.h"

#include <algorithm>
#include <cmath>
#include <numbers>
#include <utility>

#include "render/exposure.h"
#include "render/random.h"

namespace conebook::render {
namespace {

constexpr double kRadians = std::numbers::pi / 180.0;
constexpr double kLimbPx = 50.0;  // more than any wave or blur reaches inwards of the limb band

// Adds pictures by `draw` and instants until the line between two rows is known to u_deg.
template <typename Next, typename Draw>
void Settle(LongTimeBoundary& boundary, Next next, Draw draw, int first_pictures, int most_pictures,
            double u_deg, const StationRows& rows) {
  constexpr int kStep = 24;
  constexpr int kInstants = 800;
  constexpr int kMostInstants = 16 * kInstants;
  std::vector<Instant> instants;
  const auto instant = [&](int i) -> const Instant& {
    while (static_cast<int>(instants.size()) <= i) instants.push_back(next());
    return instants[static_cast<std::size_t>(i)];
  };
  int pictures = std::min(first_pictures, most_pictures);
  int wanted = std::max(kInstants, pictures);
  for (;;) {
    while (boundary.stack.Frames() < pictures) draw(instant(boundary.stack.Frames()), boundary.stack);
    while (boundary.edge.Instants() < wanted) boundary.edge.Add(instant(boundary.edge.Instants()));
    const Levels levels = LevelsOf({&boundary.stack}, rows);
    const auto error = boundary.ErrorDeg(levels, rows.near_row, rows.far_row);
    if (!error) return;
    // Each part may have its share; the pictures' is the larger, since they cost the most.
    const bool more_pictures = error->pictures_deg > 0.9 * u_deg && pictures < most_pictures;
    const bool more_instants = error->geometry_deg > 0.45 * u_deg && wanted < kMostInstants;
    if (!more_pictures && !more_instants) return;
    if (more_pictures) pictures = std::min(pictures + kStep, most_pictures);
    if (more_instants) wanted = std::min(2 * wanted, kMostInstants);
  }
}

// Distance from the exit of the part of the sheet that the picture shows at a row, on either side. A near
// camera sees the sides of a wide cone in front of its axis, farther down than they are.
double SeenAtRowMm(const Camera& nozzle, double lean_deg, const Spray& spray, const Instant& steady,
                   double row, double from_mm) {
  constexpr double kStep = 1.02, kMost = 4.0;
  const Camera camera = Leaned(nozzle, lean_deg);
  SheetExtent axes;
  axes.Reset(nozzle, {}, 1);
  for (double z_mm = from_mm; z_mm < kMost * from_mm; z_mm *= kStep) {
    bool below = true;
    for (const Side side : {kRight, kLeft}) {
      const auto touch = ContactPoint(camera, z_mm, spray.RadiusAt(z_mm, steady.tan_a, steady.closes_mm),
                                      spray.SlopeAt(z_mm, steady.tan_a, steady.closes_mm), side);
      const Pixel p = camera.Project(touch.value_or(camera.exit_mm + z_mm * camera.axis));
      const double down = (p.x - axes.origin.x) * axes.along.x + (p.y - axes.origin.y) * axes.along.y;
      below = below && down >= row;
    }
    if (below) return z_mm;
  }
  return kMost * from_mm;
}

}  // namespace

StationRows::StationRows(double near, double far, double scale)
    : near_mm(near),
      far_mm(far),
      px_per_mm(scale),
      near_row(static_cast<int>(std::ceil(near * scale))),
      far_row(static_cast<int>(std::floor(far * scale)) + 1) {}

Levels LevelsOf(const std::vector<const BoundaryStack*>& stacks, const StationRows& rows) {
  Levels levels{};
  for (const Side side : {kRight, kLeft}) {
    std::vector<float> peaks;
    for (const BoundaryStack* stack : stacks) stack->Peaks(side, rows.near_row, rows.far_row, peaks);
    levels[side] = peaks.empty() ? 0.0 : kBoundaryPart * MedianOf(std::move(peaks));
  }
  return levels;
}

LongTime DrawLongTime(const Scene& s, const Spray& spray, const Camera& camera, const StationRows& stations,
                      int most_rows, const LongTimeOptions& options) {
  LongTime found;
  const RecordingSetting& rec = s.recording;
  const double scale = stations.px_per_mm;
  const double sd = std::hypot(s.look.blur_px, rec.defocus_px);
  FloatImage signal;
  SheetExtent extent;
  const double widest =
      std::tan((s.spray.half_angle_deg + 4.0 + std::abs(s.lean_deg) + s.spray.pulsation_deg) * kRadians);
  const int half_width = static_cast<int>(std::min(1.25 * widest * stations.far_mm * scale + 60.0, 1500.0));
  const int ideal_rows = std::min(most_rows, static_cast<int>(1.12 * stations.far_mm * scale) + 20);
  const Camera space =
      MakeIdealCamera(2 * half_width + 1, ideal_rows + 20, scale, {static_cast<double>(half_width), 6.0});
  const double last_mm = std::min(1.15 * stations.far_mm, ideal_rows / scale);
  for (const auto& point : Stand(s.stand).Points()) {
    const Instant now = SteadyInstant(s, point.drop_bar, 0.0, 0.0);
    for (const bool own_camera : {false, true}) {
      const Camera& seen_by = own_camera ? camera : space;
      const double reach_mm =
          own_camera ? SeenAtRowMm(camera, s.lean_deg, spray, now, last_mm * scale, last_mm) : last_mm;
      auto& boundary = (own_camera ? found.own : found.ideal)
                           .emplace_back(LongTimeBoundary{
                               BoundaryStack(ideal_rows, sd),
                               SheetEdge(spray, seen_by, s.lean_deg, rec.exposure_s, now, reach_mm)});
      const Limb limb{kLimbPx, boundary.edge.TurnRad() + 0.05};
      Random far(s.seed, "far");
      double travel = 1e5;
      double t = 100.0;
      const auto next = [&] {
        Instant at = SteadyInstant(s, point.drop_bar, t, travel);
        at.stop_mm = std::max(1.15 * stations.far_mm, reach_mm) + 1.0;
        travel += at.breakup_mm * far.Uniform(3.0, 9.0);
        t += far.Uniform(1.0, 3.0) / std::max(s.spray.pulsation_hz, 1.0);
        return at;
      };
      const auto draw = [&](const Instant& at, BoundaryStack& stack) {
        extent.Reset(seen_by, {}, ideal_rows);
        RenderSignal(s, spray, seen_by, at, {}, true, limb, signal, &extent);
        stack.Add(signal, extent);
      };
      // Whether it is enough is judged by scatter, so not from too few. Nothing of the boundary's truth
      // rests on the clip's own camera: rougher will do.
      const int first = own_camera ? 24 : 48;
      const int most = own_camera ? (options.most_pictures + 3) / 4 : options.most_pictures;
      Settle(boundary, next, draw, first, most, own_camera ? 2.0 * options.u_deg : options.u_deg, stations);
    }
  }
  return found;
}

}  // namespace conebook::render

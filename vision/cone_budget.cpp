#include "vision/cone_budget.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>
#include <optional>
#include <span>
#include <variant>

#include <Eigen/Eigenvalues>
#include <fmt/format.h>

#include <calib/spectrum.h>

#include "vision/background_effect.h"
#include "vision/camera_doubts.h"

namespace conebook::vision {
namespace {

using calib::Shared;

constexpr double kDegPerRad = 180.0 / std::numbers::pi;

struct Scatter {
  double u = 0.0;
  double dof = 1.0;
};

// Of what an unfinished swing does to the middle of a series, and is taken out, this part stays: a swing is
// no pure sine.
constexpr double kLeftOfUnfinished = 0.15;

// Of the middle of a series without a rate of its own.
Scatter ScatterOfNoise(const std::vector<double>& series) {
  const double n_effective = EffectiveSampleSize(series);
  const double by_frames = 1.25 * RobustSpread(series) / std::sqrt(n_effective);
  // Slow drifts hardly show in the correlation of a short series, but in the means of its blocks.
  constexpr int kBlocks = 6;
  constexpr int kLeastBlock = 5;
  std::vector<double> means;
  for (const Block& block : ContiguousBlocks(series.size(), kBlocks, kLeastBlock)) {
    double sum = 0.0;
    for (std::size_t k = block.first; k < block.last; ++k) sum += series[k];
    means.push_back(sum / static_cast<double>(block.last - block.first));
  }
  const double by_blocks = UncertaintyOfMean(means).value_or(0.0);
  // The spread itself is known only so well; few values can look alike by chance.
  if (by_blocks > by_frames) return {by_blocks, static_cast<double>(means.size()) - 1.0};
  return {by_frames, std::max(1.0, n_effective - 1.0)};
}

// What of a series swings at rates of its own, a pump's beat and its harmonics; nothing where none stands
// out.
std::optional<std::vector<double>> SwingOf(calib::Series series) {
  if (series.value.size() < 3) return std::nullopt;
  // A swing seen for less than three times is not reported (swing.h), but taken for a drift it would make the
  // mean's u several times too wide: what one and a half of it leave unfinished can be told.
  calib::SpectrumOptions options;
  options.min_cycles = 1.5;
  options.false_alarm = 0.001;
  options.min_values = 24;
  options.max_lost = options.max_jitter = 0.4;
  constexpr int kMostRates = 3;
  std::optional<std::vector<double>> swing;
  for (int rate = 0; rate < kMostRates; ++rate) {
    const auto outcome = calib::Analyse(series, options);
    const auto* spectrum = std::get_if<calib::Spectrum>(&outcome);
    if (spectrum == nullptr || !spectrum->significant) break;
    const std::vector<double> line = calib::ValuesOf(spectrum->strongest, series);
    if (!swing) swing.emplace(line.size(), 0.0);
    for (std::size_t i = 0; i < line.size(); ++i) {
      (*swing)[i] += line[i];
      series.value[i] -= line[i];
    }
  }
  return swing;
}

struct FoundFrames {
  calib::Series series;
  std::vector<std::size_t> frame;  // of the given ones
};

FoundFrames SeriesOf(const ConeAngles& frames, double of_left, double of_right) {
  FoundFrames found;
  calib::Series& series = found.series;
  for (std::size_t k = 0; k < frames.frame_found.size(); ++k) {
    if (!frames.frame_found[k]) continue;
    found.frame.push_back(k);
    series.t_s.push_back(frames.frame_t_s.empty() ? static_cast<double>(k) : frames.frame_t_s[k]);
    series.value.push_back(of_left * frames.frame_left_deg[k] + of_right * frames.frame_right_deg[k]);
  }
  return found;
}

// Mean effect and linear effect of an error of +-u in one parameter.
struct Effect {
  HalfAngles linear, mean;
};

template <typename Change>
std::optional<Effect> EffectOf(const FittedCone& cone, Change change) {
  calib::ConeCamera plus = cone.setup.camera;
  calib::ConeCamera minus = cone.setup.camera;
  change(plus, 1.0);
  change(minus, -1.0);
  const auto a = AnglesUnder(plus, cone.boundary, cone.setting);
  const auto b = AnglesUnder(minus, cone.boundary, cone.setting);
  if (!a || !b) return std::nullopt;
  Effect effect;
  effect.linear = {0.5 * (a->left - b->left), 0.5 * (a->right - b->right)};
  effect.mean = {0.5 * (a->left + b->left) - cone.angles.left,
                 0.5 * (a->right + b->right) - cone.angles.right};
  return effect;
}

// How far the edge at one level lies outside of that at another, px, median over rows [first, past); nothing
// where no row has both.
std::optional<double> MedianApart(std::span<const BoundaryRow> outer, std::span<const BoundaryRow> inner,
                                  const std::pair<int, int>& rows) {
  std::vector<double> apart;
  std::size_t k = 0;
  for (const BoundaryRow& row : outer) {
    if (row.row < rows.first || row.row >= rows.second) continue;
    while (k < inner.size() && inner[k].row < row.row) ++k;
    if (k < inner.size() && inner[k].row == row.row) apart.push_back(row.out_px - inner[k].out_px);
  }
  return apart.empty() ? std::nullopt : std::optional(MedianInPlace(std::span(apart)));
}

std::string HowKnown(const calib::Stated& s, const char* unit) {
  if (s.calibrated) return " (as calibrated)";
  return s.u_assumed ? fmt::format(" (assumed {:.3g} {})", s.u, unit) : std::string();
}

// The effect of tilt is one-sided: its mean is to be taken out, its own spread stays (chi-square, one
// degree).
HalfAngles AddTilt(const FittedCone& cone, ConeBudget& budget) {
  const calib::Stated& tilt = cone.setup.view->tilt_deg;
  if (!(tilt.u > 0.0)) return {};
  const auto effect = EffectOf(cone, [&](calib::ConeCamera& c, double sign) { c.tilt_deg += sign * tilt.u; });
  if (!effect) return {};
  const double root2 = std::numbers::sqrt2;
  budget.Add("tilt" + HowKnown(tilt, "deg"), Shared::kRig,
             std::hypot(effect->linear.left, root2 * effect->mean.left),
             std::hypot(effect->linear.right, root2 * effect->mean.right),
             std::hypot(effect->linear.Mean(), root2 * effect->mean.Mean()),
             std::hypot(effect->linear.Lean(), root2 * effect->mean.Lean()));
  return effect->mean;
}

// Stations go with the exit, and the sides are not straight.
void AddExit(const FittedCone& cone, ConeBudget& budget) {
  const ClipModel& model = cone.setting.model;
  const auto& stated_y_px = cone.setup.view->exit_y_px;
  const double u_exit = stated_y_px ? stated_y_px->u : model.u_exit_px;
  const cv::Point2d along =
      Apply(model.reading.upright_from_reading, model.exit_px + cv::Point2d(0.0, u_exit)) -
      Apply(model.reading.upright_from_reading, model.exit_px);
  const auto effect = EffectOf(cone, [&](calib::ConeCamera& c, double sign) {
    c.exit_px[0] += sign * along.x;
    c.exit_px[1] += sign * along.y;
  });
  if (!effect) return;
  budget.AddLinear(stated_y_px ? "exit position" : "exit position (found)",
                   stated_y_px ? Shared::kRig : Shared::kClip, effect->linear);
}

// Distance and scale changed together, by these parts of themselves.
std::optional<Effect> EffectOfParts(const FittedCone& cone, double of_distance, double of_scale) {
  return EffectOf(cone, [&](calib::ConeCamera& c, double sign) {
    c.px_per_mm *= 1.0 + sign * of_scale;
    if (c.distance_mm) c.distance_mm = *c.distance_mm * (1.0 + sign * of_distance);
  });
}

// Of causes that have nothing to do with each other.
void AddEffects(const std::string& source, std::span<const std::optional<Effect>> effects,
                ConeBudget& budget) {
  HalfAngles sides;
  double mean = 0.0;
  double lean = 0.0;
  for (const std::optional<Effect>& effect : effects) {
    if (!effect) return;
    sides.left = std::hypot(sides.left, effect->linear.left);
    sides.right = std::hypot(sides.right, effect->linear.right);
    mean = std::hypot(mean, effect->linear.Mean());
    lean = std::hypot(lean, effect->linear.Lean());
  }
  budget.Add(source, Shared::kRig, sides.left, sides.right, mean, lean);
}

double Part(const calib::Stated& stated) {
  return stated.u / stated.value;
}

void AddUnstatedDistance(const FittedCone& cone, ConeBudget& budget) {
  calib::ConeCamera near = cone.setup.camera;
  near.distance_mm = UnstatedDistanceMm(cone.setup, cone.setting.options);
  if (const auto a = AnglesUnder(near, cone.boundary, cone.setting)) {
    budget.AddLinear("camera distance not stated", Shared::kRig,
                     {a->left - cone.angles.left, a->right - cone.angles.right});
  }
}

// As MakeCamera takes them: the scale moves the stations and, by focal length or distance, the perspective.
void AddDistanceAndScale(const FittedCone& cone, ConeBudget& budget) {
  const View& view = *cone.setup.view;
  const calib::ConeCamera& camera = cone.setup.camera;
  if (camera.distance_mm && view.px_per_mm && (camera.lens || view.focal_px)) {
    // Focal length over scale. A calibrated lens's share comes with the lens.
    const double scale = Part(*view.px_per_mm);
    const bool calibrated = camera.lens && camera.lens->covariance;
    const double focal = calibrated ? 0.0 : camera.lens ? kLensPart : Part(*view.focal_px);
    AddEffects(calibrated    ? "camera distance (by lens and scale)"
               : camera.lens ? "camera distance (by lens, assumed 1 %, and scale)"
                             : "camera distance (by scale and focal length)",
               std::array{EffectOfParts(cone, -scale, scale), EffectOfParts(cone, focal, 0.0)}, budget);
    return;
  }
  if (camera.distance_mm && view.distance_mm && view.focal_px && !camera.lens) {
    // The scale is focal length over distance, whose error leaves the focal length as it is.
    const double distance = Part(*view.distance_mm);
    AddEffects("camera distance" + HowKnown(*view.distance_mm, "mm"),
               std::array{EffectOfParts(cone, distance, -distance)}, budget);
    AddEffects("focal length" + HowKnown(*view.focal_px, "px"),
               std::array{EffectOfParts(cone, 0.0, Part(*view.focal_px))}, budget);
    return;
  }
  if (!camera.distance_mm) {
    AddUnstatedDistance(cone, budget);
  } else if (view.distance_mm) {
    AddEffects("camera distance" + HowKnown(*view.distance_mm, "mm"),
               std::array{EffectOfParts(cone, Part(*view.distance_mm), 0.0)}, budget);
  } else {
    AddEffects("camera distance (assumed 3 %)", std::array{EffectOfParts(cone, 0.03, 0.0)}, budget);
  }
  if (!view.px_per_mm || !(view.px_per_mm->u > 0.0)) return;
  AddEffects(ScaleOf(view, camera).budget.front().source,
             std::array{EffectOfParts(cone, 0.0, Part(*view.px_per_mm))}, budget);
}

// What the lens's covariance makes of left, right, mean and lean: JCGM 100:2008, eq. 13, along the
// covariance's own axes, so that every lens tried is one that the calibration allows.
std::optional<std::array<double, 4>> LensEffect(const FittedCone& cone) {
  const calib::ConeCamera& camera = cone.setup.camera;
  const Eigen::SelfAdjointEigenSolver<Eigen::Matrix<double, 9, 9>> axes(*camera.lens->covariance);
  const calib::LensVector best = calib::ParametersOf(*camera.lens);
  std::array<double, 4> square{};
  for (int i = 0; i < 9; ++i) {
    if (!(axes.eigenvalues()[i] > 0.0)) continue;
    const calib::LensVector step = std::sqrt(axes.eigenvalues()[i]) * axes.eigenvectors().col(i);
    const auto effect = EffectOf(cone, [&](calib::ConeCamera& c, double sign) {
      calib::SetParameters(*c.lens, best + sign * step);
      c.distance_mm = *c.distance_mm * c.lens->fx_px / camera.lens->fx_px;
    });
    if (!effect) return std::nullopt;
    const HalfAngles& e = effect->linear;
    const std::array<double, 4> parts{e.left, e.right, e.Mean(), e.Lean()};
    for (std::size_t k = 0; k < 4; ++k) square[k] += parts[k] * parts[k];
  }
  for (double& one : square) one = std::sqrt(one);
  return square;
}

void AddUnknownLens(const FittedCone& cone, ConeBudget& budget) {
  const calib::ConeCamera& camera = cone.setup.camera;
  calib::ConeCamera bent = camera;
  calib::Lens lens;
  lens.width_px = cone.setting.model.format.UprightWidth();
  lens.height_px = cone.setting.model.format.UprightHeight();
  lens.fx_px = lens.fy_px =
      camera.distance_mm ? *camera.distance_mm * camera.px_per_mm : 1.4 * cone.setup.image_width_px;
  lens.cx_px = camera.centre_x_px;
  lens.cy_px = camera.centre_y_px;
  lens.k1 = calib::UsualDistortion(lens);
  bent.lens = lens;
  bent.distance_mm = lens.fx_px / camera.px_per_mm;
  calib::ConeCamera straight = bent;
  straight.lens->k1 = 0.0;
  const auto a = AnglesUnder(bent, cone.boundary, cone.setting);
  const auto s = AnglesUnder(straight, cone.boundary, cone.setting);
  if (a && s) budget.AddLinear("lens not calibrated", Shared::kRig, {a->left - s->left, a->right - s->right});
}

void AddLens(const FittedCone& cone, ConeBudget& budget) {
  const auto& lens = cone.setup.camera.lens;
  if (!lens) return AddUnknownLens(cone, budget);
  if (!lens->covariance) return;
  if (const auto u = LensEffect(cone))
    budget.Add("lens (as calibrated)", Shared::kRig, (*u)[0], (*u)[1], (*u)[2], (*u)[3]);
}

// Not corrected for, so all of it counts (JCGM 100:2008, F.2.4.5).
void AddKnownCones(const KnownCones& known, ConeBudget& budget) {
  const double u = known.difference_deg;
  budget.Add(fmt::format("known cone{} of {} read {:.3f} deg off (u {:.3f} deg)",
                         known.checks == 1 ? "" : "s", known.date, known.difference_deg, known.u_deg),
             Shared::kRig, u, u, u, 0.0);
}

}  // namespace

void ConeBudget::Add(const std::string& source, calib::Shared shared, double u_left, double u_right,
                     double u_mean, double u_lean) {
  left.push_back({source, std::abs(u_left), shared});
  right.push_back({source, std::abs(u_right), shared});
  mean.push_back({source, std::abs(u_mean), shared});
  lean.push_back({source, std::abs(u_lean), shared});
}

FrameSwing SwingOfFrames(const ConeAngles& frames) {
  FrameSwing swing;
  const auto of = [&](double of_left, double of_right) {
    std::vector<double> all(frames.frame_found.size(), 0.0);
    const FoundFrames found = SeriesOf(frames, of_left, of_right);
    if (const auto values = SwingOf(found.series))
      for (std::size_t i = 0; i < values->size(); ++i) all[found.frame[i]] = (*values)[i];
    return all;
  };
  swing.mean_deg = of(0.5, 0.5);
  swing.lean_deg = of(-0.5, 0.5);
  return swing;
}

TurnInSpace TurnInSpaceOf(const FittedCone& cone) {
  constexpr double kTurn = 5e-3;  // of the slope; so much that a row that turns odd by it hardly shows
  const ClipModel& model = cone.setting.model;
  TurnInSpace turn;
  for (std::size_t side = 0; side < 2; ++side) {
    BoundarySides turned = cone.boundary;
    double slope = 0.0;
    double rows = 0.0;
    for (BoundaryRow& row : turned[side]) {
      const double down_px = model.Row(row.row) - model.exit_px.y;
      slope += row.out_px * down_px;
      rows += down_px * down_px;
      row.out_px += kTurn * down_px;
    }
    const auto angles = AnglesUnder(cone.setup.camera, turned, cone.setting);
    if (!angles || !(rows > 0.0)) return {};
    slope /= rows;
    const double in_picture_deg = kTurn / (1.0 + slope * slope) * kDegPerRad;
    turn.left[side] = (angles->left - cone.angles.left) / in_picture_deg;
    turn.right[side] = (angles->right - cone.angles.right) / in_picture_deg;
  }
  return turn;
}

void AddScatter(const ConeAngles& frames, const TurnInSpace& in_space, ConeBudget& budget) {
  // `left` of left in space and `right` of right, from the sides in the picture.
  const auto of = [&](double left_part, double right_part) {
    const double of_left = left_part * in_space.left[0] + right_part * in_space.right[0];
    const double of_right = left_part * in_space.left[1] + right_part * in_space.right[1];
    const auto [series, frame] = SeriesOf(frames, of_left, of_right);
    // Nothing to judge by: a single frame scatters by half a degree.
    if (series.value.size() < 3) return Scatter{0.5, 1.0};
    std::vector<double> values = series.value;
    std::vector<double> rest = series.value;
    for (std::size_t i = 0; i < rest.size(); ++i) {
      const auto [left, right] = frames.frame_swing.Sides(frame[i]);
      rest[i] -= of_left * left + of_right * right;
    }
    Scatter scatter = ScatterOfNoise(rest);
    const double unfinished = MedianInPlace(std::span(values)) - MedianInPlace(std::span(rest));
    const double u = std::hypot(scatter.u, kLeftOfUnfinished * unfinished);
    if (scatter.u > 0.0) scatter.dof *= std::pow(u / scatter.u, 4.0);  // JCGM 100:2008, G.4.1
    return Scatter{u, scatter.dof};
  };
  const Scatter left = of(1.0, 0.0);
  const Scatter right = of(0.0, 1.0);
  const Scatter mean = of(0.5, 0.5);
  const Scatter lean = of(-0.5, 0.5);
  budget.Add("scatter from frame to frame", Shared::kFrames, left.u, right.u, mean.u, lean.u);
  budget.left.back().dof = left.dof;
  budget.right.back().dof = right.dof;
  budget.mean.back().dof = mean.dof;
  budget.lean.back().dof = lean.dof;
}

void AddThreshold(const FittedCone& cone, const BoundarySides& at_low, const BoundarySides& at_high,
                  ConeBudget& budget) {
  const auto low = AnglesUnder(cone.setup.camera, at_low, cone.setting);
  const auto high = AnglesUnder(cone.setup.camera, at_high, cone.setting);
  if (!low || !high) return;
  // A rectangle from 0.25 to 0.35: half of what the boundaries lie apart.
  const double scale = 0.25 / std::numbers::sqrt3;
  budget.AddLinear("threshold (0.25 to 0.35 of the reference level)", Shared::kClip,
                   {scale * (high->left - low->left), scale * (high->right - low->right)});
}

void AddDefinition(const FittedCone& cone, ConeBudget& budget) {
  const bool compressed = cone.setting.model.format.compressed;
  const double u = DefinitionDeg(cone.setting.options, compressed, cone.angles.Mean());
  budget.Add(compressed ? "definition and compression" : "definition", Shared::kModel, 1.2 * u, 1.2 * u, u,
             u);
}

void AddBackground(const FittedCone& cone, const RowRanges& rows, const BoundarySides& at_low,
                   const BoundarySides& at_high, const std::array<double, 2>& part, ConeBudget& budget) {
  const ClipModel& model = cone.setting.model;
  if (!model.background_from_spray) return;
  // At a half angle of 30 deg; 248 points of three studies of rendered sprays without spray-free frames had
  // rms error / u 1.13 to 1.24 without this floor, 0.9 with spray-free frames.
  constexpr double kFloorDeg = 0.03;
  // Where the picture ends at the edges: as beside a bright clutter.
  constexpr double kNothingSeenDeg = 0.3;
  const ConeFitOptions& options = cone.setting.options;
  const double by_angle = DefinitionDeg(options, false, cone.angles.Mean()) / options.floor_deg;
  double squares = 0.0;
  int sides = 0;
  for (int side = 0; side < 2; ++side) {
    const auto at = static_cast<std::size_t>(side);
    const auto apart = MedianApart(at_low[at], at_high[at], rows[at]);
    if (!apart) continue;
    // The levels as far as the rungs reach.
    const auto level = [&](double of_clip) {
      return std::clamp(part[at] * of_clip / kBoundaryPart, static_cast<double>(kLadderParts.front()),
                        static_cast<double>(kLadderParts.back())) *
             static_cast<double>(model.level[at]);
    };
    const double flank = std::max(0.5, *apart) / std::max(1e-6, level(kHighPart) - level(kLowPart));
    const auto slope = SlopeByBackground(model, cone.boundary[at], side, rows[at].first, rows[at].second,
                                         flank, BackgroundEffectOptions{});
    if (!slope) continue;
    const double cosine = std::cos((side == kLeftSide ? cone.angles.left : cone.angles.right) / kDegPerRad);
    squares += std::pow(kDegPerRad * cosine * cosine * *slope, 2);
    ++sides;
  }
  // Both sides' lines are pooled: twelve of one side say little of its clutter.
  const double clutter = sides > 0 ? std::sqrt(squares / sides) : kNothingSeenDeg * by_angle;
  const double u = std::hypot(kFloorDeg * by_angle, clutter);
  const double both = u / std::numbers::sqrt2;
  budget.Add("background continued across the spray", Shared::kClip, u, u, both, both);
}

HalfAngles AddRig(const FittedCone& cone, ConeBudget& budget) {
  const View& view = *cone.setup.view;
  const HalfAngles by_tilt = AddTilt(cone, budget);
  budget.AddLinear("axis" + HowKnown(view.axis_deg, "deg"), Shared::kRig,
                   {view.axis_deg.u, -view.axis_deg.u});
  AddExit(cone, budget);
  AddDistanceAndScale(cone, budget);
  AddLens(cone, budget);
  if (view.known_cones) AddKnownCones(*view.known_cones, budget);
  return by_tilt;
}

}  // namespace conebook::vision

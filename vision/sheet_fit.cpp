#include "vision/sheet_fit.h"

#include <algorithm>
#include <cmath>
#include <numbers>

#include <Eigen/Dense>

#include "vision/statistics.h"

namespace conebook::vision {
namespace {

constexpr double kDegPerRad = 180.0 / std::numbers::pi;

struct Rows {
  std::vector<double> z, h;  // mm
  std::vector<double> fluctuation;
};

// c and b of the best fit for one a; b is not allowed below zero (waves only widen the envelope).
HyperboloidFit FitForAngle(std::span<const double> z, std::span<const double> h, std::span<const double> g,
                           double r0, double tan_a) {
  double n = 0.0;
  double sg = 0.0;
  double sgg = 0.0;
  double sy = 0.0;
  double sgy = 0.0;
  double syy = 0.0;
  for (std::size_t i = 0; i < z.size(); ++i) {
    const double y = h[i] - std::sqrt(r0 * r0 + z[i] * z[i] * tan_a * tan_a);
    n += 1.0;
    sg += g[i];
    sgg += g[i] * g[i];
    sy += y;
    sgy += g[i] * y;
    syy += y * y;
  }
  HyperboloidFit fit;
  fit.tan_a = tan_a;
  const double det = n * sgg - sg * sg;
  fit.b = det > 1e-12 * n * sgg ? (n * sgy - sg * sy) / det : 0.0;
  fit.b = std::max(0.0, fit.b);
  fit.c = (sy - fit.b * sg) / n;
  fit.residual = syy - 2.0 * fit.c * sy - 2.0 * fit.b * sgy + n * fit.c * fit.c + 2.0 * fit.b * fit.c * sg +
                 fit.b * fit.b * sgg;
  return fit;
}

}  // namespace

std::optional<HyperboloidFit> FitHyperboloid(std::span<const double> z, std::span<const double> h,
                                             std::span<const double> growth, double r0) {
  if (z.size() < 8 || z.size() != h.size() || z.size() != growth.size()) return std::nullopt;
  // Golden section over the angle between 2 and 80 degrees; the residual has one minimum there.
  const double golden = 0.5 * (std::sqrt(5.0) - 1.0);
  double lo = 2.0 / kDegPerRad;
  double hi = 80.0 / kDegPerRad;
  double a = hi - golden * (hi - lo);
  double b = lo + golden * (hi - lo);
  HyperboloidFit fa = FitForAngle(z, h, growth, r0, std::tan(a));
  HyperboloidFit fb = FitForAngle(z, h, growth, r0, std::tan(b));
  for (int i = 0; i < 60; ++i) {
    if (fa.residual < fb.residual) {
      hi = b;
      b = a;
      fb = fa;
      a = hi - golden * (hi - lo);
      fa = FitForAngle(z, h, growth, r0, std::tan(a));
    } else {
      lo = a;
      a = b;
      fa = fb;
      b = lo + golden * (hi - lo);
      fb = FitForAngle(z, h, growth, r0, std::tan(b));
    }
  }
  return fa.residual < fb.residual ? fa : fb;
}

namespace {

using RowParts = std::vector<std::array<double, 2>>;  // [row][side]

// 0.30 of each row's own limb, as parts of the first level: median over frames, smoothed over rows.
RowParts PartsOfRows(const RecordSpool& spool, std::span<const std::size_t> frames, std::size_t step,
                     const std::array<double, 2>& part) {
  const auto rows = static_cast<std::size_t>(spool.Rows());
  std::vector<std::array<std::vector<double>, 2>> peaks_of(rows);
  std::vector<std::uint8_t> peaks;
  for (std::size_t k = 0; k < frames.size(); k += step) {
    spool.ReadPeaks(frames[k], peaks);
    for (std::size_t row = 0; row < rows; ++row) {
      for (std::size_t side = 0; side < 2; ++side) {
        if (const std::uint8_t peak = peaks[2 * row + side]; peak > 0)
          peaks_of[row][side].push_back(static_cast<double>(peak) / static_cast<double>(kPeakUnitsPerLevel));
      }
    }
  }
  constexpr std::size_t kLeastPeaks = 5, kHalfWindow = 10;
  RowParts parts(rows, part);
  for (std::size_t side = 0; side < 2; ++side) {
    std::vector<double> level(rows, 0.0);
    for (std::size_t row = 0; row < rows; ++row) {
      if (peaks_of[row][side].size() >= kLeastPeaks) level[row] = MedianInPlace(peaks_of[row][side]);
    }
    for (std::size_t row = 0; row < rows; ++row) {
      std::vector<double> near;
      for (std::size_t r = row - std::min(row, kHalfWindow); r < std::min(rows, row + kHalfWindow + 1); ++r) {
        if (level[r] > 0.0) near.push_back(level[r]);
      }
      if (!near.empty()) parts[row][side] = kBoundaryPart * MedianInPlace(near);
    }
  }
  return parts;
}

// Half widths per row: median of the outward position after each frame's own swing is taken out, both sides
// averaged, and the robust spread in time. `from`, `to`: of the frames.
Rows CollectRows(const ClipModel& model, const RecordSpool& spool, std::span<const std::size_t> frames,
                 std::size_t from, std::size_t to, std::size_t step, const RowParts& parts,
                 const CameraSetup& setup, const ConeAngles& angles, double z0, double z1) {
  const calib::ConeProjection projection(setup.camera);
  std::array<double, 2> mean_tan{0.0, 0.0};
  std::vector<std::array<double, 2>> swing(frames.size());
  double count = 0.0;
  // The mean swing of these frames stays in: what a block of frames opens beyond the others is its scatter.
  for (std::size_t k = from; k < to; ++k) {
    if (!angles.frame_found[k]) continue;
    swing[k] = {std::tan(angles.frame_left_deg[k] / kDegPerRad),
                std::tan(angles.frame_right_deg[k] / kDegPerRad)};
    for (std::size_t s = 0; s < 2; ++s) mean_tan[s] += swing[k][s];
    count += 1.0;
  }
  for (double& m : mean_tan) m /= std::max(1.0, count);
  Rows rows;
  constexpr int kBlock = 32;
  std::vector<std::int16_t> edges;
  for (int row0 = 0; row0 < spool.Rows(); row0 += kBlock) {
    const int row1 = std::min(row0 + kBlock, spool.Rows());
    std::vector<std::array<std::vector<double>, 2>> values(static_cast<std::size_t>(row1 - row0));
    double used = 0.0;
    for (std::size_t k = from; k < to; k += step) {
      if (!angles.frame_found[k]) continue;
      used += 1.0;
      spool.ReadEdges(frames[k], row0, row1, edges);
      for (int row = row0; row < row1; ++row) {
        const double dy = model.Row(row) - model.exit_px.y;
        for (std::size_t side = 0; side < 2; ++side) {
          const std::int16_t* rungs = edges.data() + (static_cast<std::size_t>(row - row0) * 2 + side) *
                                                         static_cast<std::size_t>(kLadder);
          if (const auto edge = EdgeAtPart(rungs, parts[static_cast<std::size_t>(row)][side])) {
            values[static_cast<std::size_t>(row - row0)][side].push_back(
                *edge - dy * (swing[k][side] - mean_tan[side]));
          }
        }
      }
    }
    for (int row = row0; row < row1; ++row) {
      auto& v = values[static_cast<std::size_t>(row - row0)];
      if (static_cast<double>(v[0].size()) < 0.5 * used || static_cast<double>(v[1].size()) < 0.5 * used ||
          v[0].size() < 5 || v[1].size() < 5) {
        continue;
      }
      double h = 0.0;
      double z = 0.0;
      double spread = 0.0;
      for (int side = 0; side < 2; ++side) {
        auto& w = v[static_cast<std::size_t>(side)];
        spread += 0.5 * RobustSpread(w);
        const double out = MedianInPlace(w);
        const cv::Point2d px = UprightPx(model, row, side, out);
        const calib::AxisPlanePoint p = projection.MmFromPx({px.x, px.y});
        h += 0.5 * std::abs(p.x_mm);
        z += 0.5 * p.z_mm;
      }
      if (z < z0 || z > z1) continue;
      rows.z.push_back(z);
      rows.h.push_back(h);
      rows.fluctuation.push_back(spread / setup.camera.px_per_mm);
    }
  }
  return rows;
}

struct Variant {
  double line_deg = 0.0, asymptote_deg = 0.0;
};

Variant Evaluate(const HyperboloidFit& fit, double r0, double near_mm, double far_mm) {
  std::vector<double> z;
  std::vector<double> r;
  for (int i = 0; i <= 60; ++i) {
    z.push_back(near_mm + (far_mm - near_mm) * i / 60.0);
    r.push_back(std::sqrt(r0 * r0 + z.back() * z.back() * fit.tan_a * fit.tan_a));
  }
  RobustLineOptions options;
  options.floor = 1e9;
  const auto line = FitRobustLine(z, r, options);
  return {std::atan(line->slope) * kDegPerRad, std::atan(fit.tan_a) * kDegPerRad};
}

Rows Between(const Rows& rows, double z0, double z1) {
  Rows upper;
  for (std::size_t i = 0; i < rows.z.size(); ++i) {
    if (rows.z[i] < z0 || rows.z[i] > z1) continue;
    upper.z.push_back(rows.z[i]);
    upper.h.push_back(rows.h[i]);
  }
  return upper;
}

// The hyperboloid alone.
std::optional<Variant> FitUpper(const Rows& rows, double r0, double near_mm, double far_mm, int least_rows) {
  if (static_cast<int>(rows.z.size()) < least_rows) return std::nullopt;
  const std::vector<double> none(rows.z.size(), 0.0);
  const auto fit = FitHyperboloid(rows.z, rows.h, none, r0);
  return fit ? std::optional(Evaluate(*fit, r0, near_mm, far_mm)) : std::nullopt;
}

// The hyperboloid with waves as large as the boundary fluctuates.
std::optional<Variant> FitWhole(const Rows& rows, double r0, double near_mm, double far_mm, int least_rows) {
  if (static_cast<int>(rows.z.size()) < least_rows) return std::nullopt;
  // The spread of single rows is noisy; waves grow smoothly.
  std::vector<double> fluctuation(rows.z.size());
  for (std::size_t i = 0; i < fluctuation.size(); ++i) {
    const std::size_t a = i >= 8 ? i - 8 : 0;
    const std::size_t b = std::min(fluctuation.size(), i + 9);
    std::vector<double> near(rows.fluctuation.begin() + static_cast<std::ptrdiff_t>(a),
                             rows.fluctuation.begin() + static_cast<std::ptrdiff_t>(b));
    fluctuation[i] = MedianInPlace(near);
  }
  const auto fit = FitHyperboloid(rows.z, rows.h, fluctuation, r0);
  return fit ? std::optional(Evaluate(*fit, r0, near_mm, far_mm)) : std::nullopt;
}

// One way to the angle: values of the line and of the asymptote, with the middle of the film at the exit as
// expected and one u wider, and of blocks of frames.
struct Way {
  Variant value, wider;
  std::vector<Variant> blocks;
  double model_deg = 0.0;
};

struct Mean {
  double value = 0.0, u_model = 0.0;
  std::optional<double> u_statistics;
};

// Weighted by what each way's own scatter, r0 and model leave open. How far they lie apart is in the model's
// share.
Mean Combine(std::span<const Way> ways, double Variant::*angle) {
  std::vector<double> weights;
  double sum = 0.0;
  for (const Way& way : ways) {
    std::vector<double> blocks;
    for (const Variant& block : way.blocks) blocks.push_back(block.*angle);
    const double scatter = UncertaintyOfMean(blocks).value_or(0.0);
    const double by_r0 = way.value.*angle - way.wider.*angle;
    weights.push_back(1.0 / (scatter * scatter + by_r0 * by_r0 + way.model_deg * way.model_deg));
    sum += weights.back();
  }
  for (double& weight : weights) weight /= sum;
  const auto mean_of = [&](const auto& value) {
    double mean = 0.0;
    for (std::size_t i = 0; i < ways.size(); ++i) mean += weights[i] * value(ways[i]);
    return mean;
  };
  Mean mean;
  mean.value = mean_of([&](const Way& way) { return way.value.*angle; });
  const double wider = mean_of([&](const Way& way) { return way.wider.*angle; });
  const double model = mean_of([&](const Way& way) { return way.model_deg; });
  const double apart = mean_of(
      [&](const Way& way) { return (way.value.*angle - mean.value) * (way.value.*angle - mean.value); });
  mean.u_model = std::sqrt(apart + (mean.value - wider) * (mean.value - wider) + model * model);
  std::vector<double> blocks;
  for (std::size_t k = 0; k < ways.front().blocks.size(); ++k)
    blocks.push_back(mean_of([&](const Way& way) { return way.blocks[k].*angle; }));
  mean.u_statistics = UncertaintyOfMean(blocks);
  return mean;
}

// The asymptote whose hyperboloid's line between the stations has this angle.
Variant FromLine(double line_deg, double r0, double near_mm, double far_mm) {
  double lo = 0.0;
  double hi = std::tan(80.0 / kDegPerRad);
  for (int i = 0; i < 40; ++i) {
    const double middle = 0.5 * (lo + hi);
    (Evaluate({middle, 0.0, 0.0, 0.0}, r0, near_mm, far_mm).line_deg < line_deg ? lo : hi) = middle;
  }
  return {line_deg, std::atan(lo) * kDegPerRad};
}

// The visible boundary less the envelope: as the fluctuation grows between the stations, mm to a mm.
std::optional<double> GrowthOfFluctuation(const Rows& rows, double near_mm, double far_mm, int least_rows) {
  std::vector<double> z;
  std::vector<double> fluctuation;
  for (std::size_t i = 0; i < rows.z.size(); ++i) {
    if (rows.z[i] < near_mm || rows.z[i] > far_mm) continue;
    z.push_back(rows.z[i]);
    fluctuation.push_back(rows.fluctuation[i]);
  }
  if (static_cast<int>(z.size()) < least_rows) return std::nullopt;
  const auto line = FitRobustLine(z, fluctuation, RobustLineOptions{});
  return line ? std::optional(std::max(0.0, line->slope)) : std::nullopt;
}

// The visible angle of each block, from the angles of its frames.
double BlockAngle(const ConeAngles& angles, std::size_t from, std::size_t to) {
  double sum = 0.0;
  double count = 0.0;
  for (std::size_t k = from; k < to; ++k) {
    if (!angles.frame_found[k]) continue;
    sum += 0.5 * (angles.frame_left_deg[k] + angles.frame_right_deg[k]);
    count += 1.0;
  }
  return count > 0.0 ? sum / count : 0.0;
}

}  // namespace

std::optional<SheetAngles> FitSheet(const ClipModel& model, const RecordSpool& spool,
                                    std::span<const std::size_t> frames, const std::array<double, 2>& part,
                                    const CameraSetup& setup, const ConeAngles& angles, double near_mm,
                                    double far_mm, double sheet_end_mm, double exit_radius_mm,
                                    const SheetFitOptions& options) {
  const double z0 = options.near_diameters * 2.0 * exit_radius_mm;
  const double upper_mm = options.far_of_breakup * sheet_end_mm;
  const double whole_mm = options.whole_of_breakup * sheet_end_mm;
  const double r0 = options.r0_of_exit * exit_radius_mm;
  const auto most = static_cast<std::size_t>(options.most_frames);
  const std::size_t step = std::max<std::size_t>(1, (frames.size() + most - 1) / most);
  const RowParts parts = PartsOfRows(spool, frames, step, part);
  const Rows whole =
      CollectRows(model, spool, frames, 0, frames.size(), step, parts, setup, angles, z0, whole_mm);
  const Rows upper = Between(whole, z0, upper_mm);
  const double r0_wider = r0 + options.u_r0_of_exit * exit_radius_mm;
  const auto calm = FitUpper(upper, r0, near_mm, far_mm, options.least_rows);
  const auto calm_wider = FitUpper(upper, r0_wider, near_mm, far_mm, options.least_rows);
  const auto wavy = FitWhole(whole, r0, near_mm, far_mm, options.least_rows);
  const auto wavy_wider = FitWhole(whole, r0_wider, near_mm, far_mm, options.least_rows);
  if (!calm || !calm_wider || !wavy || !wavy_wider) return std::nullopt;
  // What the first rows and the last of the calm half do to it says how well it is one.
  const auto later = FitUpper(Between(whole, z0 + 0.25 * (upper_mm - z0), upper_mm), r0, near_mm, far_mm,
                              options.least_rows);
  const auto shorter = FitUpper(Between(whole, z0, upper_mm - 0.25 * (upper_mm - z0)), r0, near_mm, far_mm,
                                options.least_rows);
  double turned_deg = 0.0;
  for (const auto& other : {later, shorter}) {
    if (other) turned_deg = std::hypot(turned_deg, other->line_deg - calm->line_deg);
  }
  std::vector<Way> ways{{*calm, *calm_wider, {}, std::hypot(options.calm_model_deg, 0.5 * turned_deg)},
                        {*wavy, *wavy_wider, {}, options.wavy_model_deg}};

  const double visible_deg = 0.5 * (std::atan(-angles.slope[0]) + std::atan(angles.slope[1])) * kDegPerRad;
  double envelope_deg = 0.0;
  if (const auto growth = GrowthOfFluctuation(whole, near_mm, far_mm, options.least_rows)) {
    const double cosine = std::cos(visible_deg / kDegPerRad);
    envelope_deg = options.envelope * *growth * cosine * cosine * kDegPerRad;
    const double line_deg = visible_deg - envelope_deg;
    ways.push_back(
        {FromLine(line_deg, r0, near_mm, far_mm),
         FromLine(line_deg, r0_wider, near_mm, far_mm),
         {},
         std::hypot(options.u_envelope / options.envelope * envelope_deg, options.visible_model_deg)});
  }
  const double all_deg = BlockAngle(angles, 0, frames.size());
  for (const Block& block : ContiguousBlocks(frames.size(), options.blocks, options.least_block)) {
    const Rows rows =
        CollectRows(model, spool, frames, block.first, block.last, step, parts, setup, angles, z0, whole_mm);
    const auto a = FitUpper(Between(rows, z0, upper_mm), r0, near_mm, far_mm, options.least_rows);
    const auto b = FitWhole(rows, r0, near_mm, far_mm, options.least_rows);
    if (!a || !b) continue;
    ways[0].blocks.push_back(*a);
    ways[1].blocks.push_back(*b);
    if (ways.size() < 3) continue;
    const double swing = BlockAngle(angles, block.first, block.last) - all_deg;
    ways[2].blocks.push_back(FromLine(visible_deg - envelope_deg + swing, r0, near_mm, far_mm));
  }
  SheetAngles result;
  const Mean line = Combine(ways, &Variant::line_deg);
  const Mean asymptote = Combine(ways, &Variant::asymptote_deg);
  result.line_deg = line.value;
  result.u_line_deg = line.u_model;
  result.u_statistics_line_deg = line.u_statistics;
  result.asymptote_deg = asymptote.value;
  result.u_asymptote_deg = asymptote.u_model;
  result.u_statistics_asymptote_deg = asymptote.u_statistics;
  return result;
}

}  // namespace conebook::vision

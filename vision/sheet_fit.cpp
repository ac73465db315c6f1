#include "vision/sheet_fit.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <numbers>

#include <Eigen/Dense>

#include "vision/limb_shape.h"
#include "vision/statistics.h"

namespace conebook::vision {
namespace {

constexpr double kDegPerRad = 180.0 / std::numbers::pi;

struct Rows {
  std::vector<double> z, h;                  // mm
  std::vector<double> width, swing;          // of the edge within a frame and from frame to frame, mm
  std::vector<double> part;                  // 0.30 of the row's limb, in parts of the clip's level
  std::vector<double> limb_out, limb_width;  // what the limb's own shape makes of crossing and width, mm
  bool has_width = false;
};

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

// The two levels whose distance says how wide a row's edge is, as far as the rungs reach. Nothing where they
// lie too close together.
std::optional<std::array<double, 2>> LevelsOfWidth(double part) {
  const double outer = std::max(static_cast<double>(kLadderParts.front()), kOuterOfBoundary * part);
  const double inner = std::min(static_cast<double>(kLadderParts.back()), kInnerOfBoundary * part);
  constexpr double kLeastRatio = 1.35;
  if (inner < kLeastRatio * outer) return std::nullopt;
  return std::array{outer, inner};
}

// Median of each value's neighbours, over those that are there; beyond the first and last of these constant.
std::vector<double> Smooth(const std::vector<double>& values) {
  constexpr std::size_t kReach = 8;
  std::vector<double> smooth(values.size());
  for (std::size_t i = 0; i < values.size(); ++i) {
    std::vector<double> near;
    for (std::size_t reach = kReach; near.empty() && reach < 2 * values.size(); reach *= 2) {
      for (std::size_t k = i - std::min(i, reach); k < std::min(values.size(), i + reach + 1); ++k) {
        if (!std::isnan(values[k])) near.push_back(values[k]);
      }
    }
    smooth[i] = near.empty() ? 0.0 : MedianInPlace(near);
  }
  return smooth;
}

// What one row's frames say of one side: outward positions, and the edge's width in each.
struct RowSide {
  std::vector<double> out_px, width_px;
};

// Half widths per row: median of the outward position after each frame's own swing is taken out, both sides
// averaged, with the width of the edge and the robust spread in time. `from`, `to`: of the frames.
Rows CollectRows(const ClipModel& model, const RecordSpool& spool, std::span<const std::size_t> frames,
                 std::size_t from, std::size_t to, std::size_t step, const RowParts& parts,
                 const CameraSetup& setup, const ConeAngles& angles, double z0, double z1) {
  const calib::ConeProjection projection(setup.camera);
  std::array<double, 2> mean_tan{0.0, 0.0};
  std::vector<std::array<double, 2>> swing(frames.size());
  double count = 0.0;
  // What these frames open beyond others stays in, as their scatter, but not what swings at a rate of its
  // own.
  for (std::size_t k = from; k < to; ++k) {
    if (!angles.frame_found[k]) continue;
    swing[k] = {std::tan(angles.frame_left_deg[k] / kDegPerRad),
                std::tan(angles.frame_right_deg[k] / kDegPerRad)};
    const auto [left, right] = angles.frame_swing.Sides(k);
    mean_tan[0] += std::tan((angles.frame_left_deg[k] - left) / kDegPerRad);
    mean_tan[1] += std::tan((angles.frame_right_deg[k] - right) / kDegPerRad);
    count += 1.0;
  }
  for (double& m : mean_tan) m /= std::max(1.0, count);
  Rows rows;
  std::size_t widths = 0;
  constexpr int kBlock = 32;
  constexpr std::size_t kLeast = 5;
  std::vector<std::int16_t> edges;
  for (int row0 = 0; row0 < spool.Rows(); row0 += kBlock) {
    const int row1 = std::min(row0 + kBlock, spool.Rows());
    std::vector<std::array<RowSide, 2>> values(static_cast<std::size_t>(row1 - row0));
    double used = 0.0;
    for (std::size_t k = from; k < to; k += step) {
      if (!angles.frame_found[k]) continue;
      used += 1.0;
      spool.ReadEdges(frames[k], row0, row1, edges);
      for (int row = row0; row < row1; ++row) {
        const double dy = model.Row(row) - model.exit_px.y;
        for (std::size_t side = 0; side < 2; ++side) {
          if (Inside(angles.inside, side, row)) continue;
          RowSide& value = values[static_cast<std::size_t>(row - row0)][side];
          const double part = parts[static_cast<std::size_t>(row)][side];
          // Where a limb is so strong or faint beside the clip's that 0.30 of it lies beyond the rungs, the
          // outermost of these would stand for it: near the exit of a grey film half a pixel too far out.
          if (part < static_cast<double>(kLadderParts.front()) ||
              part > static_cast<double>(kLadderParts.back()))
            continue;
          const std::int16_t* rungs = edges.data() + (static_cast<std::size_t>(row - row0) * 2 + side) *
                                                         static_cast<std::size_t>(kLadder);
          if (const auto edge = EdgeAtPart(rungs, part))
            value.out_px.push_back(*edge - dy * (swing[k][side] - mean_tan[side]));
          const auto levels = LevelsOfWidth(part);
          if (!levels) continue;
          const auto outer = EdgeAtPart(rungs, (*levels)[0]);
          const auto inner = EdgeAtPart(rungs, (*levels)[1]);
          if (outer && inner) {
            value.width_px.push_back(EdgeWidth(*outer, *inner, kBoundaryPart * (*levels)[0] / part,
                                               kBoundaryPart * (*levels)[1] / part));
          }
        }
      }
    }
    for (int row = row0; row < row1; ++row) {
      auto& v = values[static_cast<std::size_t>(row - row0)];
      const auto enough = [&](const std::vector<double>& of) {
        return static_cast<double>(of.size()) >= 0.5 * used && of.size() >= kLeast;
      };
      if (!enough(v[0].out_px) || !enough(v[1].out_px)) continue;
      double h = 0.0;
      double z = 0.0;
      double spread = 0.0;
      for (int side = 0; side < 2; ++side) {
        auto& w = v[static_cast<std::size_t>(side)].out_px;
        spread += 0.5 * RobustSpread(w);
        const double out = MedianInPlace(w);
        const cv::Point2d px = UprightPx(model, row, side, out);
        const calib::AxisPlanePoint p = projection.MmFromPx({px.x, px.y});
        h += 0.5 * std::abs(p.x_mm);
        z += 0.5 * p.z_mm;
      }
      if (z < z0 || z > z1) continue;
      double width = std::numeric_limits<double>::quiet_NaN();
      if (enough(v[0].width_px) && enough(v[1].width_px)) {
        width = 0.5 * (MedianInPlace(v[0].width_px) + MedianInPlace(v[1].width_px)) / setup.camera.px_per_mm;
        ++widths;
      }
      rows.z.push_back(z);
      rows.h.push_back(h);
      rows.width.push_back(width);
      const auto& part = parts[static_cast<std::size_t>(row)];
      rows.part.push_back(0.5 * (part[0] + part[1]));
      rows.swing.push_back(spread / setup.camera.px_per_mm);
    }
  }
  rows.has_width = 2 * widths >= rows.z.size();
  rows.width = rows.has_width ? Smooth(rows.width) : std::vector<double>(rows.z.size(), 0.0);
  rows.swing = Smooth(rows.swing);
  rows.limb_out.assign(rows.z.size(), 0.0);
  rows.limb_width.assign(rows.z.size(), 0.0);
  return rows;
}

// The edge as it is without waves: through which blur, and with a limb that widens with the sheet's radius or
// one that does not.
struct Limb {
  double blur_mm = 0.0;
  std::optional<double> depth_per_mm;  // blurs, to a mm of radius
};

double RadiusAt(double z, double r0, double tan_a) {
  return std::hypot(r0, z * tan_a);
}

// From how the limb's peak grows down to `end_mm`, and from the edge's width where waves are still small.
std::optional<Limb> LimbOf(const Rows& rows, double r0, double tan_a, double end_mm, const LimbTable& table) {
  constexpr double kStillSmall = 0.3;  // of the sheet's length
  if (!rows.has_width || rows.z.empty()) return std::nullopt;
  std::vector<double> radius;
  std::vector<double> peak;
  for (std::size_t i = 0; i < rows.z.size() && rows.z[i] <= end_mm; ++i) {
    radius.push_back(RadiusAt(rows.z[i], r0, tan_a));
    peak.push_back(rows.part[i]);
  }
  if (radius.empty()) return std::nullopt;
  Limb limb;
  if (const std::optional<double> depth = DepthOfLimb(radius, peak, table))
    limb.depth_per_mm = *depth / *std::max_element(radius.begin(), radius.end());
  std::vector<double> blurs;
  const double small_to = rows.z.front() + kStillSmall * (end_mm - rows.z.front());
  for (std::size_t i = 0; i < radius.size() && rows.z[i] <= small_to; ++i)
    blurs.push_back(limb.depth_per_mm ? rows.width[i] / table.At(*limb.depth_per_mm * radius[i]).width
                                      : rows.width[i]);
  if (blurs.empty()) return std::nullopt;
  limb.blur_mm = MedianInPlace(blurs);
  return limb;
}

void TakeLimb(const Limb& limb, double r0, double tan_a, const LimbTable& table, Rows& rows) {
  for (std::size_t i = 0; i < rows.z.size(); ++i) {
    rows.limb_width[i] = limb.blur_mm;
    if (!limb.depth_per_mm) continue;
    const LimbEdge edge = table.At(*limb.depth_per_mm * RadiusAt(rows.z[i], r0, tan_a));
    rows.limb_out[i] = limb.blur_mm * edge.out;
    rows.limb_width[i] = limb.blur_mm * edge.width;
  }
}

struct Variant {
  double line_deg = 0.0, asymptote_deg = 0.0;
};

Variant Evaluate(const HyperboloidFit& fit, double r0, double near_mm, double far_mm) {
  const Line line = LineThroughHyperboloid(r0, fit.tan_a, near_mm, far_mm);
  return {std::atan(line.slope) * kDegPerRad, std::atan(fit.tan_a) * kDegPerRad};
}

// How far the edge stands out of the mean surface; see sheet_fit.h.
struct Envelope {
  double of_limb = 0.0, of_width = 0.0, of_crests = 0.0, of_part = 0.0, of_swing = 0.0;
  double At(const Rows& rows, std::size_t i) const {
    constexpr double kHighest = 0.8;  // beyond, the levels no longer lie on the outer flank
    constexpr double kPartly = 0.3;   // from here on the swing is that of a part of a wave
    const double limb = rows.limb_width[i];
    const double waves = rows.width[i] - limb;
    const double swing = rows.swing[i];
    double k = of_width;
    if (waves > 0.0 && limb > 0.0) {
      const double high = std::min(kHighest, waves / limb);
      const double within = rows.width[i] * rows.width[i] - limb * limb;
      const double partly = std::min(1.0, swing * swing / (swing * swing + within) / kPartly);
      k += of_crests * high * high + of_part * partly * (1.0 + high);
    }
    return of_limb * rows.limb_out[i] + k * waves + of_swing * swing;
  }
};

// What a way to the angle rests on besides the rows.
struct Assumed {
  double r0 = 0.0;
  Envelope envelope;
};

// The hyperboloid through the rows down to `end_mm`, less the envelope.
std::optional<Variant> FitDownTo(const Rows& rows, double end_mm, const Assumed& assumed, double near_mm,
                                 double far_mm, int least_rows) {
  std::vector<double> z;
  std::vector<double> h;
  for (std::size_t i = 0; i < rows.z.size(); ++i) {
    if (rows.z[i] > end_mm) continue;
    z.push_back(rows.z[i]);
    h.push_back(rows.h[i] - assumed.envelope.At(rows, i));
  }
  if (static_cast<int>(z.size()) < least_rows) return std::nullopt;
  const auto fit = FitHyperboloid(z, h, assumed.r0);
  return fit ? std::optional(Evaluate(*fit, assumed.r0, near_mm, far_mm)) : std::nullopt;
}

// One way to the angle: values of the line and of the asymptote, with each assumption as expected and one u
// larger, and of blocks of frames.
struct Way {
  Variant value;
  std::array<Variant, 6> changed;  // r0, limb, widths, crests, parts of waves, swings
  std::vector<Variant> blocks;
  double model_deg = 0.0;
};

struct Mean {
  double value = 0.0, u_model = 0.0;
  std::optional<double> u_statistics;
};

// Weighted by what each way's own scatter, the assumptions and its model leave open. The assumptions are the
// same in all of them, so that what they leave open does not average out.
Mean Combine(std::span<const Way> ways, double Variant::*angle) {
  std::vector<double> weights;
  double sum = 0.0;
  for (const Way& way : ways) {
    std::vector<double> blocks;
    for (const Variant& block : way.blocks) blocks.push_back(block.*angle);
    const double scatter = UncertaintyOfMean(blocks).value_or(0.0);
    double open = scatter * scatter + way.model_deg * way.model_deg;
    for (const Variant& changed : way.changed) {
      const double by = way.value.*angle - changed.*angle;
      open += by * by;
    }
    weights.push_back(1.0 / open);
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
  // What the model leaves open shows, too, in how far the ways differ: the larger of both. They are of two
  // kinds, fits and the visible boundary, whose mean is open by half the variance between them.
  const double model = mean_of([&](const Way& way) { return way.model_deg; });
  const double between = mean_of(
      [&](const Way& way) { return (way.value.*angle - mean.value) * (way.value.*angle - mean.value); });
  double variance = std::max(model * model, 0.5 * between);
  for (std::size_t k = 0; k < ways.front().changed.size(); ++k) {
    const double by = mean_of([&](const Way& way) { return way.changed[k].*angle; }) - mean.value;
    variance += by * by;
  }
  mean.u_model = std::sqrt(variance);
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
    (Evaluate({middle, 0.0, 0.0}, r0, near_mm, far_mm).line_deg < line_deg ? lo : hi) = middle;
  }
  return {line_deg, std::atan(lo) * kDegPerRad};
}

// Of the straight line between the stations through the rows less the envelope.
std::optional<double> LineDeg(const Rows& rows, const Envelope& envelope, double near_mm, double far_mm,
                              int least_rows) {
  std::vector<double> z;
  std::vector<double> out;
  for (std::size_t i = 0; i < rows.z.size(); ++i) {
    if (rows.z[i] < near_mm || rows.z[i] > far_mm) continue;
    z.push_back(rows.z[i]);
    out.push_back(rows.h[i] - envelope.At(rows, i));
  }
  if (static_cast<int>(z.size()) < least_rows) return std::nullopt;
  const auto line = FitRobustLine(z, out, RobustLineOptions{});
  return line ? std::optional(std::atan(line->slope) * kDegPerRad) : std::nullopt;
}

}  // namespace

std::optional<SheetAngles> FitSheet(const ClipModel& model, const RecordSpool& spool,
                                    std::span<const std::size_t> frames, const std::array<double, 2>& part,
                                    const CameraSetup& setup, const ConeAngles& angles, double near_mm,
                                    double far_mm, double sheet_end_mm, double exit_radius_mm,
                                    const SheetFitOptions& options) {
  const double z0 = options.near_diameters * 2.0 * exit_radius_mm;
  const double last_mm = options.ends_of_breakup.back() * sheet_end_mm;
  const auto most = static_cast<std::size_t>(options.most_frames);
  const std::size_t step = std::max<std::size_t>(1, (frames.size() + most - 1) / most);
  const RowParts parts = PartsOfRows(spool, frames, step, part);
  Rows rows = CollectRows(model, spool, frames, 0, frames.size(), step, parts, setup, angles, z0, last_mm);
  // Where the edge's width cannot be read, its swing in time has to stand for both.
  Assumed assumed{options.r0_of_exit * exit_radius_mm,
                  {.of_limb = options.of_limb,
                   .of_width = options.of_width,
                   .of_crests = options.of_crests,
                   .of_part = options.of_part,
                   .of_swing = options.of_swing}};
  if (!rows.has_width) assumed.envelope = {.of_swing = options.of_swing_alone};
  std::array<Assumed, 6> changed{assumed, assumed, assumed, assumed, assumed, assumed};
  changed[0].r0 += options.u_r0_of_exit * exit_radius_mm;
  changed[1].envelope.of_limb += options.u_of_limb;
  changed[2].envelope.of_width += options.u_of_width;
  changed[3].envelope.of_crests += options.u_of_crests;
  changed[4].envelope.of_part += options.u_of_part;
  changed[5].envelope.of_swing += rows.has_width ? options.u_of_swing : options.u_of_swing_alone;

  static const LimbTable kTable;  // takes as long as reading some frames
  const double tan_a = 0.5 * (angles.slope[1] - angles.slope[0]);
  const std::optional<Limb> limb = LimbOf(rows, assumed.r0, tan_a, last_mm, kTable);
  if (limb) TakeLimb(*limb, assumed.r0, tan_a, kTable, rows);
  std::vector<Way> ways;
  for (std::size_t i = 0; i < options.ends_of_breakup.size(); ++i) {
    const auto fit = [&](const Assumed& with) {
      return FitDownTo(rows, options.ends_of_breakup[i] * sheet_end_mm, with, near_mm, far_mm,
                       options.least_rows);
    };
    const auto value = fit(assumed);
    if (!value) return std::nullopt;
    Way way{*value, {}, {}, options.model_deg[i]};
    for (std::size_t k = 0; k < changed.size(); ++k) {
      const auto other = fit(changed[k]);
      if (!other) return std::nullopt;
      way.changed[k] = *other;
    }
    ways.push_back(std::move(way));
  }
  // The line between the stations.
  const auto between = [&](const Rows& of, const Assumed& with) -> std::optional<Variant> {
    const auto line_deg = LineDeg(of, with.envelope, near_mm, far_mm, options.least_rows);
    return line_deg ? std::optional(FromLine(*line_deg, with.r0, near_mm, far_mm)) : std::nullopt;
  };
  if (const auto value = between(rows, assumed)) {
    Way way{*value, {}, {}, options.line_model_deg};
    for (std::size_t k = 0; k < changed.size(); ++k)
      way.changed[k] = between(rows, changed[k]).value_or(*value);
    ways.push_back(std::move(way));
  }
  for (const Block& block : ContiguousBlocks(frames.size(), options.blocks, options.least_block)) {
    Rows own =
        CollectRows(model, spool, frames, block.first, block.last, step, parts, setup, angles, z0, last_mm);
    if (own.has_width != rows.has_width) continue;
    if (limb) TakeLimb(*limb, assumed.r0, tan_a, kTable, own);
    std::vector<Variant> found;
    for (const double end : options.ends_of_breakup) {
      if (const auto fit = FitDownTo(own, end * sheet_end_mm, assumed, near_mm, far_mm, options.least_rows))
        found.push_back(*fit);
    }
    if (ways.size() > options.ends_of_breakup.size()) {
      if (const auto fit = between(own, assumed)) found.push_back(*fit);
    }
    if (found.size() != ways.size()) continue;
    for (std::size_t i = 0; i < ways.size(); ++i) ways[i].blocks.push_back(found[i]);
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

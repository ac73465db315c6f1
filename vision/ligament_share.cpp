#include "vision/ligament_share.h"

#include <algorithm>
#include <cmath>
#include <cstddef>
#include <numeric>
#include <utility>

#include "vision/absorbance.h"
#include "vision/ray_patches.h"
#include "vision/statistics.h"

namespace conebook::vision {
namespace {

constexpr std::size_t kFewestRays = 5, kFewestBeside = 6, kFewestFrames = 24;

// Patches of one distance on the rays that stay in view from the first to the last.
struct Stretch {
  double z_px = 0.0;  // middle
  bool drops = false;
  std::vector<RayPatch> patches;
};

// Distance times mean absorbance along the spray.
struct Shadow {
  std::vector<double> near, drops, near_z, drops_z;
};

double MeanOf(const std::vector<double>& v) {
  return std::accumulate(v.begin(), v.end(), 0.0) / static_cast<double>(v.size());
}

// Of a straight line through the values.
double SlopeOf(const std::vector<double>& x, const std::vector<double>& y) {
  const double x_mean = MeanOf(x), y_mean = MeanOf(y);
  double xx = 0.0, xy = 0.0;
  for (std::size_t i = 0; i < x.size(); ++i) {
    xx += (x[i] - x_mean) * (x[i] - x_mean);
    xy += (x[i] - x_mean) * (y[i] - y_mean);
  }
  return xx > 0.0 ? xy / xx : 0.0;
}

}  // namespace

struct LigamentReader::State {
  State(ShadowRequest asked, const LigamentOptions& wanted)
      : request(std::move(asked)), options(wanted), model(*request.model) {
    if (const auto none = WhyNoAbsorbance(model)) {
      why = *none;
      return;
    }
    LayOut();
    if (stretches.empty()) {
      why = "too little of the spray is in view below the end of its sheet";
    } else if (beside.size() < kFewestBeside) {
      why = "too little of the picture lies beside the spray";
    } else if (request.frames.size() < kFewestFrames) {
      why = "too few frames";
    } else {
      tables.emplace(model);
    }
  }

  ShadowRequest request;
  LigamentOptions options;
  const ClipModel& model;
  std::string why;  // nothing can be read
  std::vector<Stretch> stretches;
  std::vector<RayPatch> beside;
  std::optional<AbsorbanceTables> tables;
  std::vector<std::vector<double>> spray, air;  // [frame][stretch], [frame][patch beside]

  void LayOut() {
    const double length = options.stretch_of_breakup * request.breakup_px;
    const double last = std::min(LastPatchRow(model), options.drops_to_of_breakup * request.breakup_px + 0.5);
    const int width =
        std::max(2, static_cast<int>(std::lround(std::max(
                        options.patch_width_px, options.patch_width_of_exit * model.exit_diameter_px))));
    const auto add = [&](double from, double to, bool drops) {
      const auto count = static_cast<int>(std::floor((to - from) / length + 0.01));
      for (int k = 0; k < count; ++k) stretches.push_back({from + (k + 0.5) * length, drops, {}});
      return std::max(0, count) * length;
    };
    add(options.from_of_breakup * request.breakup_px, options.to_of_breakup * request.breakup_px, false);
    const double seen = add(options.drops_from_of_breakup * request.breakup_px, last, true);
    if (seen < options.least_drops_of_breakup * request.breakup_px - 0.5) return stretches.clear();
    std::size_t rays = 0;
    for (int ray = 0; ray < options.rays; ++ray) {
      const double part = options.inner_part * (2.0 * ray / (options.rays - 1.0) - 1.0);
      std::vector<RayPatch> along;
      for (const Stretch& stretch : stretches) {
        auto patch = PatchOnRay(model, stretch.z_px - 0.5 * length, stretch.z_px + 0.5 * length, part, width);
        if (patch && !patch->x.empty()) along.push_back(std::move(*patch));
      }
      if (along.size() < stretches.size()) continue;
      ++rays;
      for (std::size_t i = 0; i < along.size(); ++i) stretches[i].patches.push_back(std::move(along[i]));
    }
    if (rays < kFewestRays) return stretches.clear();
    beside = PatchesBeside(model, std::max(8.0, 3.0 * length), width);
  }

  void Take(const LumaFrame& frame) {
    const FrameAbsorbance absorbance(model, *tables, frame);
    spray.emplace_back();
    for (const Stretch& stretch : stretches) {
      double sum = 0.0;
      for (const RayPatch& patch : stretch.patches) sum += absorbance.Mean(patch);
      spray.back().push_back(sum / static_cast<double>(stretch.patches.size()));
    }
    air.emplace_back();
    for (const RayPatch& patch : beside) air.back().push_back(absorbance.Mean(patch));
  }

  // Over all frames but a block.
  Shadow ShadowOf(double level, const std::optional<Block>& without) const {
    Shadow shadow;
    for (std::size_t i = 0; i < stretches.size(); ++i) {
      double sum = 0.0, n = 0.0;
      for (std::size_t f = 0; f < spray.size(); ++f) {
        if (without && f >= without->first && f < without->last) continue;
        sum += spray[f][i] - level;
        n += 1.0;
      }
      const Stretch& at = stretches[i];
      (at.drops ? shadow.drops : shadow.near).push_back(at.z_px * sum / n);
      (at.drops ? shadow.drops_z : shadow.near_z).push_back(at.z_px);
    }
    return shadow;
  }

  ShareResult Reduce() const {
    std::vector<double> levels;
    for (std::size_t p = 0; p < beside.size(); ++p) {
      double sum = 0.0;
      for (const auto& frame : air) sum += frame[p] / static_cast<double>(air.size());
      levels.push_back(sum);
    }
    const double level = MeanOf(levels);
    const double u_level = RobustSpread(levels);
    const auto share_of = [](const Shadow& shadow) {
      return 1.0 - MeanOf(shadow.drops) / MeanOf(shadow.near);
    };
    const Shadow shadow = ShadowOf(level, std::nullopt);
    const double drops = MeanOf(shadow.drops), near = MeanOf(shadow.near);
    if (!(drops > 3.0 * u_level * MeanOf(shadow.drops_z)) || !(near > 3.0 * u_level * MeanOf(shadow.near_z)))
      return {std::nullopt, "the drops' mean signal is hardly more than the unevenness of the light"};
    const double share = share_of(shadow);
    std::vector<double> parts;
    for (const Block& block : ContiguousBlocks(spray.size(), options.blocks, 5))
      parts.push_back(share_of(ShadowOf(level, block)));
    const double u_statistics = UncertaintyWithoutBlocks(parts, 1.0);
    const double by_level = share_of(ShadowOf(level + u_level, std::nullopt)) - share;
    // The drops' shadow carried on to where the ligaments are: half of what a straight line would change.
    const double lever = MeanOf(shadow.near_z) - MeanOf(shadow.drops_z);
    const double by_trend = 0.5 * SlopeOf(shadow.drops_z, shadow.drops) * lever / near;
    const double by_drops = options.u_drops * drops / near;
    // The stretch moves with the sheet's end.
    const double by_end = SlopeOf(shadow.near_z, shadow.near) * options.u_breakup * MeanOf(shadow.near_z) *
                          drops / (near * near);
    const double u = std::hypot(std::hypot(u_statistics, by_level, by_trend), by_drops, by_end);
    if (share < -std::min(2.0 * u, options.most_u))
      return {std::nullopt, "the spray's shadow grows along it: what its ligaments cast cannot be set apart"};
    if (!(u < options.most_u)) return {std::nullopt, "light, drops or scatter leave too much in doubt"};
    return {ShadowShare{std::clamp(share, 0.0, 1.0), u}, ""};
  }
};

LigamentReader::LigamentReader(ShadowRequest request, const LigamentOptions& options)
    : state_(std::make_unique<State>(std::move(request), options)) {}

LigamentReader::~LigamentReader() = default;

std::vector<FrameVisit> LigamentReader::Visits() {
  State& s = *state_;
  if (!s.why.empty()) return {};
  return EvenVisits(s.request.frames, s.options.most_frames, [&s](const LumaFrame& frame) { s.Take(frame); });
}

ShareResult LigamentReader::Result() const {
  if (!state_->why.empty()) return {std::nullopt, state_->why};
  if (state_->spray.size() < kFewestFrames) return {std::nullopt, "too few frames"};
  return state_->Reduce();
}

}  // namespace conebook::vision

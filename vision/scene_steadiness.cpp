#include "vision/scene_steadiness.h"

#include <algorithm>
#include <cmath>
#include <functional>
#include <numbers>
#include <utility>

#include <fmt/format.h>

#include "vision/statistics.h"

namespace conebook::vision {
namespace {

using calib::Severity;

constexpr double kDegPerRad = 180.0 / std::numbers::pi;

// Spread of single values about a slow course: from second differences, blind to a steady drift.
double FrameNoise(const std::vector<double>& series) {
  std::vector<double> bends;
  for (std::size_t k = 2; k < series.size(); ++k)
    bends.push_back(series[k] - 2.0 * series[k - 1] + series[k - 2]);
  return bends.size() < 3 ? 0.0 : RobustSpread(std::move(bends)) / std::sqrt(6.0);
}

// Growth and turn, rather than a shift in which some edges take no part? Told from the frames that are said
// to have moved most.
bool FitsBetter(const RecordSpool& spool, const ClipModel& model) {
  std::vector<std::pair<double, std::size_t>> moved;
  for (std::size_t k = 0; k < spool.Frames(); ++k) {
    const FrameRecord& head = spool.Head(k);
    if (head.corrupt || head.tainted) continue;
    moved.emplace_back(std::hypot(static_cast<double>(head.ln_scale) * model.scene_fit.growth_lever_px,
                                  static_cast<double>(head.roll_rad) * model.scene_fit.turn_lever_px),
                       k);
  }
  std::sort(moved.begin(), moved.end(), std::greater<>());
  moved.resize((moved.size() + 3) / 4);
  double motion = 0.0;
  double plain = 0.0;
  for (const auto& [size, k] : moved) {
    motion += static_cast<double>(spool.Head(k).miss_px);
    plain += static_cast<double>(spool.Head(k).plain_miss_px);
  }
  constexpr double kClearly = 0.9;
  return motion < kClearly * plain;
}

double Range(std::vector<double> series) {
  if (series.empty()) return 0.0;
  const double low = QuantileInPlace(series, 0.03);
  return QuantileInPlace(series, 0.97) - low;
}

}  // namespace

SceneSteadiness JudgeScene(const ClipModel& model, const RecordSpool& spool,
                           std::optional<std::int64_t> first_spray_frame, const SteadinessOptions& options) {
  SceneSteadiness scene;
  std::vector<double> growth;
  std::vector<double> turn;
  std::vector<double> miss;
  std::vector<double> apart;
  std::array<std::vector<double>, 2> before;
  std::array<std::vector<double>, 2> after;
  for (std::size_t k = 0; k < spool.Frames(); ++k) {
    const FrameRecord& head = spool.Head(k);
    if (head.corrupt || head.tainted) continue;
    growth.push_back(static_cast<double>(head.ln_scale));
    turn.push_back(static_cast<double>(head.roll_rad) * kDegPerRad);
    miss.push_back(static_cast<double>(head.miss_px));
    apart.push_back(std::hypot(static_cast<double>(head.nozzle_x_px), static_cast<double>(head.nozzle_y_px)));
    auto& nozzle = first_spray_frame && head.index < *first_spray_frame ? before : after;
    nozzle[0].push_back(static_cast<double>(head.nozzle_x_px));
    nozzle[1].push_back(static_cast<double>(head.nozzle_y_px));
  }
  constexpr std::size_t kFewest = 8;
  if (growth.size() < kFewest) return scene;
  if (model.scene_fit.Usable()) {
    std::vector<double> sorted = miss;
    scene.still_miss_px = QuantileInPlace(sorted, 0.2);
    const auto lost = std::count_if(miss.begin(), miss.end(),
                                    [&](double m) { return m > scene.still_miss_px + options.most_lost_px; });
    scene.lost_share = static_cast<double>(lost) / static_cast<double>(miss.size());
    scene.growth = Range(growth);
    scene.turn_deg = Range(turn);
    scene.u_growth = std::hypot(FrameNoise(growth), options.edge_place_px / model.scene_fit.growth_lever_px);
    scene.u_turn_deg =
        std::hypot(FrameNoise(turn), kDegPerRad * options.edge_place_px / model.scene_fit.turn_lever_px);
    const bool all_moves = FitsBetter(spool, model);
    scene.grows = all_moves && scene.growth > options.least_growth &&
                  scene.growth > options.least_significance * scene.u_growth;
    scene.turns = all_moves && scene.turn_deg > options.least_turn_deg &&
                  scene.turn_deg > options.least_significance * scene.u_turn_deg;
  }
  const auto moved =
      std::count_if(apart.begin(), apart.end(), [&](double px) { return px > options.least_step_px; });
  scene.nozzle_moves =
      static_cast<double>(moved) > options.least_nozzle_share * static_cast<double>(apart.size());
  scene.nozzle_range_px = std::hypot(Range(after[0]), Range(after[1]));
  if (before[0].size() >= 3 && after[0].size() >= 3) {
    scene.nozzle_step_px = std::hypot(MedianInPlace(after[0]) - MedianInPlace(before[0]),
                                      MedianInPlace(after[1]) - MedianInPlace(before[1]));
  }
  return scene;
}

MotionEffect EffectOfMotion(const SceneSteadiness& seen, const SceneSteadiness& followed,
                            const SteadinessOptions& options) {
  MotionEffect effect;
  effect.followed = followed.lost_share <= options.most_lost_share;
  effect.growth = effect.followed ? followed.growth : std::max(seen.growth, followed.growth);
  effect.turn_deg = effect.followed ? followed.turn_deg : std::max(seen.turn_deg, followed.turn_deg);
  // Left in: a range evenly passed through.
  const double root12 = std::sqrt(12.0);
  effect.u_length = effect.followed ? followed.u_growth : effect.growth / root12;
  effect.u_turn_deg = effect.followed ? followed.u_turn_deg : effect.turn_deg / root12;
  return effect;
}

void FlagScene(const SceneSteadiness& seen, const MotionEffect& effect, std::vector<calib::Flag>& flags) {
  const bool lost = seen.lost_share > SteadinessOptions{}.most_lost_share;
  if (seen.Moves()) {
    const std::string what = fmt::format(
        "the still parts of the picture change their size by {:.1f} % and turn by {:.1f} deg during the clip "
        "(zoom, stabilisation or focus breathing)",
        100.0 * effect.growth, effect.turn_deg);
    const char* advice = "lock zoom and focus, and switch electronic stabilisation off, before filming";
    if (effect.followed) {
      flags.push_back(
          {"picture_moves", Severity::kInfo, std::nullopt, std::nullopt,
           fmt::format("{}: taken out frame by frame, which leaves u {:.1f} % in lengths and {:.2f} "
                       "deg in each side and in the lean",
                       what, 100.0 * effect.u_length, effect.u_turn_deg),
           advice});
    } else {
      flags.push_back(
          {"picture_moves", Severity::kWarn, std::nullopt, std::nullopt,
           fmt::format("{}, or more, and were lost on the way: lengths may be off by {:.1f} %, each "
                       "side and the lean by {:.1f} deg (u)",
                       what, 100.0 * effect.u_length, effect.u_turn_deg),
           advice});
    }
  } else if (lost) {
    flags.push_back(
        {"picture_moves", Severity::kWarn, std::nullopt, std::nullopt,
         fmt::format("in {:.0f} % of the frames the still parts of the picture are not where the clip's "
                     "beginning shows them, and could not be found again",
                     100.0 * seen.lost_share),
         "stand the camera firmly, lock its zoom, and film again"});
  }
  if (seen.nozzle_moves && !lost) {
    const bool step = seen.nozzle_step_px > seen.nozzle_range_px / 2.0;
    flags.push_back(
        {"nozzle_moves", Severity::kInfo, std::nullopt, std::nullopt,
         step ? fmt::format("with the spray on, the nozzle stands {:.1f} px from where it stood before; the "
                            "boundary is taken from where it stands",
                            seen.nozzle_step_px)
              : fmt::format(
                    "the nozzle moves by {:.1f} px against the rest of the picture (it gives way, or drops "
                    "on a window hold the rest back); the boundary is taken from where it stands",
                    seen.nozzle_range_px),
         "clamp the nozzle so that thrust cannot move it, and keep the window dry"});
  }
}

}  // namespace conebook::vision

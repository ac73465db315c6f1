#include "src/grain_rank.h"

#include <cmath>
#include <utility>

#include <fmt/core.h>

namespace conebook::src {
namespace {

constexpr double kInterval = 1.96;
constexpr double kSamePressure = 0.05, kSameScale = 0.02;

// Why the two footages are not alike; empty: they are, as far as the records tell.
std::string Unlike(const Run& a, const Point& at, const Run& b, const Point& bt) {
  if (a.clip.illumination != b.clip.illumination) return "the light was not the same";
  if (a.clip.width_px != b.clip.width_px || a.clip.height_px != b.clip.height_px)
    return "the pictures are not of one size";
  if (a.px_per_mm.has_value() != b.px_per_mm.has_value() ||
      (a.px_per_mm && std::abs(std::log(a.px_per_mm->value / b.px_per_mm->value)) > kSameScale))
    return "the scales differ: two rigs, or the camera stood elsewhere";
  if (!(std::abs(a.exit_diameter_mm - b.exit_diameter_mm) < kSameScale * a.exit_diameter_mm))
    return "the exits differ, and the index is in parts of them";
  if (!at.pressure_bar || !bt.pressure_bar) return "a pressure drop is not known";
  if (std::abs(std::log(at.pressure_bar->value / bt.pressure_bar->value)) > kSamePressure)
    return "the pressure drops differ";
  return "";
}

}  // namespace

GrainComparison CompareGrain(const Run& first_run, const Point& first, const Run& second_run,
                             const Point& second) {
  const auto cannot = [](const std::string& why) {
    return GrainComparison{GrainRank::kCannotRank, "cannot rank: " + why};
  };
  if (!first.spray.grain || !second.spray.grain) return cannot("an index is missing");
  if (const std::string why = Unlike(first_run, first, second_run, second); !why.empty()) return cannot(why);
  const vision::Grain& a = *first.spray.grain;
  const vision::Grain& b = *second.spray.grain;
  const double apart = std::log(a.index / b.index);
  const double half = kInterval * std::hypot(a.u / a.index, b.u / b.index);
  if (!(std::abs(apart) > half))
    return cannot(
        fmt::format("apart by a factor of {:.2f}, within what their u allows", std::exp(std::abs(apart))));
  const double size = std::abs(apart);
  return {apart > 0.0 ? GrainRank::kFirstCoarser : GrainRank::kSecondCoarser,
          fmt::format("{} by {:.2f} (95 %: {:.2f} to {:.2f})", apart > 0.0 ? "coarser" : "finer",
                      std::exp(size), std::exp(size - half), std::exp(size + half))};
}

}  // namespace conebook::src

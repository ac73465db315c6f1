#include "src/drop_sizes.h"

#include <cmath>
#include <numbers>
#include <utility>
#include <variant>

#include <fmt/format.h>

namespace conebook::src {
namespace {

using calib::Contribution;
using calib::Quantity;
using calib::Severity;
using calib::Shared;

constexpr double kUmPerMm = 1000.0;
// Rendered drops of 5 px and more read within 1 %, crowded ones within 2; not yet held against a graticule.
constexpr double kReadingPart = 0.015;

}  // namespace

std::optional<DropSizes> SizesOfDrops(const vision::DropSizing& sizing,
                                      const std::optional<Quantity>& px_per_mm, int point, Severity missing,
                                      std::vector<calib::Flag>& flags) {
  if (sizing.verdict == vision::DropVerdict::kNotResolvable) return std::nullopt;  // flagged with its reason
  if (!px_per_mm) {
    flags.push_back(
        {"no_scale", missing, point, "d32_um",
         fmt::format("{} drops can be sized, in pixels only: no scale is stated", sizing.drops.size()),
         "state [scale] px_per_mm, from a graticule or a wire of known width in the drops' plane"});
    return std::nullopt;
  }
  const double um_per_px = kUmPerMm / px_per_mm->value;
  calib::DropSample sample;
  for (const vision::SizedDrop& drop : sizing.drops) {
    sample.diameter_um.push_back(drop.diameter_px * um_per_px);
    sample.weight.push_back(drop.weight);
    sample.frame.push_back(drop.frame);
  }
  calib::DropStatisticsOptions options;
  options.cutoff_um = sizing.cutoff_px * um_per_px;
  const auto summary = calib::Summarise(sample, options);
  if (const auto* none = std::get_if<calib::NoDropStatistics>(&summary)) {
    flags.push_back({"drops_not_resolvable", missing, point, "d32_um", std::string(calib::ReasonOf(*none)),
                     "film more pictures of the drops"});
    return std::nullopt;
  }
  const auto& of = std::get<calib::DropStatistics>(summary);
  const double u_scale = px_per_mm->u / px_per_mm->value;
  const auto quantity = [&](const calib::DropEstimate& estimate, bool length) {
    std::vector<Contribution> budget{
        {"which drops came into view (bootstrap over pictures)", estimate.u, Shared::kFrames}};
    if (length) {
      budget.push_back({"scale", u_scale * estimate.value, Shared::kRig});
      budget.push_back(
          {"reading of outlines (1.5 %: rendered drops)", kReadingPart * estimate.value, Shared::kModel});
    }
    return calib::Combine(estimate.value, std::move(budget));
  };
  DropSizes sizes;
  sizes.verdict = vision::NameOf(sizing.verdict);
  sizes.count = of.count;
  sizes.pictures = sizing.frames;
  sizes.cutoff_um = options.cutoff_um;
  sizes.window_width_mm = sizing.width_px / px_per_mm->value;
  sizes.window_height_mm = sizing.height_px / px_per_mm->value;
  sizes.d10_um = quantity(of.d10_um, true);
  sizes.d20_um = quantity(of.d20_um, true);
  sizes.d30_um = quantity(of.d30_um, true);
  sizes.d32_um = quantity(of.d32_um, true);
  sizes.d43_um = quantity(of.d43_um, true);
  sizes.dn50_um = quantity(of.dn50_um, true);
  sizes.dv10_um = quantity(of.dv10_um, true);
  sizes.dv50_um = quantity(of.dv50_um, true);
  sizes.dv90_um = quantity(of.dv90_um, true);
  sizes.span = quantity(of.span, false);
  sizes.histogram = of.histogram;
  sizes.log_normal = of.log_normal;
  sizes.rosin_rammler = of.rosin_rammler;
  sizes.largest_um = of.largest_um;
  sizes.largest_volume_share = of.largest_volume_share;
  sizes.effective_count = of.sample_size.effective_count;
  if (of.sample_size.verdict != calib::SampleVerdict::kWidthUnknown)
    sizes.needed_for_d32 = of.sample_size.needed_for_d32;
  sizes.below_cutoff = sizing.below_cutoff;
  sizes.out_of_focus = sizing.out_of_focus;
  sizes.crowded = sizing.crowded;
  sizes.at_border = sizing.at_border;
  if (sizing.speed) {
    const vision::DropSpeed& of_picture = *sizing.speed;
    const double m_s_per_px = 1e-3 / px_per_mm->value / of_picture.interval_s;
    DropSpeedInSpace& speed = sizes.speed.emplace();
    const double value = of_picture.speed_px * m_s_per_px;
    speed.speed_m_s = calib::Combine(
        value, {{"which drops were followed", of_picture.u_speed_px * m_s_per_px, Shared::kFrames},
                {"scale", u_scale * value, Shared::kRig}});
    speed.scatter_m_s = of_picture.scatter_px * m_s_per_px;
    speed.direction_deg = std::atan2(of_picture.across_px, of_picture.along_px) * 180.0 / std::numbers::pi;
    speed.tracks = of_picture.tracks;
    speed.by_chance = of_picture.by_chance;
  }
  if (sizes.needed_for_d32 && sizes.effective_count < *sizes.needed_for_d32) {
    flags.push_back(
        {"few_drops", Severity::kInfo, point, "d32_um",
         fmt::format("{:.0f} drops stand for the spray; D32 to 5 % (95 %) of drops scattered as widely "
                     "takes some {:.0f}",
                     sizes.effective_count, *sizes.needed_for_d32),
         "film more pictures, or a longer clip"});
  }
  constexpr double kLeverage = 0.05;
  if (sizes.largest_volume_share > kLeverage) {
    flags.push_back({"one_large_drop", Severity::kInfo, point, "d32_um",
                     fmt::format("the largest drop, {:.0f} um, alone holds {:.0f} % of the volume",
                                 sizes.largest_um, 100.0 * sizes.largest_volume_share),
                     "look whether it is a drop; film more pictures"});
  }
  return sizes;
}

}  // namespace conebook::src

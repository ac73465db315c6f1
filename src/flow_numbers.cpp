#include "src/flow_numbers.h"

#include <algorithm>
#include <cmath>
#include <map>
#include <string>

#include <fmt/core.h>

#include <calib/flow_numbers.h>

#include "src/liquid_state.h"
#include "src/stand_sensors.h"

namespace conebook::src {
namespace {

using calib::Contribution;
using calib::Quantity;
using calib::Severity;
using calib::Shared;

constexpr double kPaPerBar = 1e5;
constexpr const char* kAmbient = "ambient pressure";

// Signed shares by source: what comes in twice adds up, or cancels.
class Shares {
 public:
  void Add(const std::vector<Contribution>& budget, double value, double power) {
    for (const Contribution& part : budget) {
      Part& sum = parts_[part.source];
      sum.share += power * part.u / value;
      sum.shared = part.shared;
      sum.dof = part.dof;
    }
  }
  void Add(const Quantity& quantity, double power) { Add(quantity.budget, quantity.value, power); }
  void Add(const char* source, const calib::Stated& stated, double power) {
    const std::string name = std::string(source) + (stated.u_assumed ? " (assumed u)" : "");
    Add({{name, stated.u, Shared::kRig}}, stated.value, power);
  }

  Quantity Of(double value) const {
    std::vector<Contribution> budget;
    for (const auto& [source, part] : parts_)
      budget.push_back({source, std::abs(part.share * value), part.shared, part.dof});
    return calib::Combine(value, std::move(budget));
  }

 private:
  struct Part {
    double share = 0.0;
    Shared shared = Shared::kClip;
    double dof = 0.0;
  };
  std::map<std::string, Part> parts_;
};

int Exits(const Rig& rig) {
  return std::max<int>(1, static_cast<int>(rig.plate_elements.size()));
}

Quantity Reynolds(const Quantity& flow_kg_s, int holes, const char* what, const calib::Stated& diameter_mm,
                  const Quantity& viscosity_pa_s) {
  Shares shares;
  shares.Add(flow_kg_s, 1.0);
  shares.Add(viscosity_pa_s, -1.0);
  shares.Add(what, diameter_mm, -1.0);
  return shares.Of(calib::ReynoldsNumber(flow_kg_s.value / holes, diameter_mm.value, viscosity_pa_s.value));
}

Quantity Weber(const Rig& rig, const Quantity& flow_kg_s, const Quantity& density_kg_m3,
               const Quantity& surface_tension_n_m) {
  const calib::Stated& exit_mm = rig.view.exit_diameter_mm;
  Shares shares;
  shares.Add(flow_kg_s, 2.0);
  shares.Add(density_kg_m3, -1.0);
  shares.Add(surface_tension_n_m, -1.0);
  shares.Add("exit diameter", exit_mm, -3.0);
  return shares.Of(calib::WeberNumber(flow_kg_s.value / Exits(rig), exit_mm.value, density_kg_m3.value,
                                      surface_tension_n_m.value));
}

Quantity Cavitation(const Rig& rig, const Quantity& drop_bar, const Quantity& vapour_pressure_pa) {
  const double drop_pa = drop_bar.value * kPaPerBar;
  const calib::Stated ambient = AmbientOf(rig);
  const double behind_pa = ambient.value * kPaPerBar;
  const double value = calib::CavitationNumber(drop_pa, behind_pa, vapour_pressure_pa.value);
  // Of the number less one, (p2 - pv) / drop. An ambient pressure that is taken off an absolute reading comes
  // in by way of the drop, too: too high, it makes the drop too small.
  const double above_pa = behind_pa - vapour_pressure_pa.value;
  std::vector<Contribution> budget;
  double by_ambient = ambient.u * kPaPerBar / drop_pa;
  for (Contribution part : drop_bar.budget) {
    part.u *= std::abs(above_pa) / drop_pa / drop_bar.value;
    if (part.source.rfind(kAmbient, 0) == 0)
      by_ambient += part.u;
    else
      budget.push_back(std::move(part));
  }
  budget.push_back(
      {ambient.u_assumed ? fmt::format("{} (assumed {:g} bar)", kAmbient, ambient.u) : std::string(kAmbient),
       by_ambient, Shared::kDay});
  for (Contribution part : vapour_pressure_pa.budget) {
    part.u /= drop_pa;
    part.source += part.source.rfind("temperature", 0) == 0 ? ", by the vapour pressure" : "";
    budget.push_back(std::move(part));
  }
  return calib::Combine(value, std::move(budget));
}

// Below which cavitation number the rig's holes may cavitate; nothing: not to be said.
std::optional<double> CavitationLimit(const Rig& rig, const Point& point) {
  // A reattached short tube, turbulent: open hydraulics notes.
  constexpr double kShortTubeCd = 0.81;
  // A hole that cavitates sits at its limit, so that the measured Cd alone would never lie above it.
  constexpr double kMargin = 1.1;
  if (rig.kind != "swirl") return calib::CavitatesBelow(kShortTubeCd);
  // A swirl element's exit has an air core at ambient pressure; its inlets run full.
  if (!InletsKnown(rig) || !point.flow_area_mm2) return std::nullopt;
  const double d_mm = rig.geometry.inlet_diameter_mm->value;
  const double inlets_mm2 = *rig.geometry.inlet_count * 0.7853981633974483 * d_mm * d_mm;
  return kMargin * calib::CavitatesBelow(point.flow_area_mm2->value / inlets_mm2);
}

}  // namespace

bool InletsKnown(const Rig& rig) {
  return rig.kind == "swirl" && rig.geometry.inlet_count && rig.geometry.inlet_diameter_mm;
}

FlowNumbers FlowNumbersOf(const Rig& rig, std::optional<double> logged_temperature_c,
                          const std::optional<Quantity>& drop_bar, const std::optional<Quantity>& flow_kg_s,
                          const Quantity& density_kg_m3) {
  const LiquidProperties liquid = PropertiesAt(rig, logged_temperature_c);
  FlowNumbers numbers;
  if (flow_kg_s && liquid.viscosity_pa_s) {
    numbers.reynolds_exit =
        Reynolds(*flow_kg_s, Exits(rig), "exit diameter", rig.view.exit_diameter_mm, *liquid.viscosity_pa_s);
    if (InletsKnown(rig)) {
      numbers.reynolds_inlets = Reynolds(*flow_kg_s, *rig.geometry.inlet_count, "inlet diameter",
                                         *rig.geometry.inlet_diameter_mm, *liquid.viscosity_pa_s);
    }
  }
  if (flow_kg_s && liquid.surface_tension_n_m)
    numbers.weber = Weber(rig, *flow_kg_s, density_kg_m3, *liquid.surface_tension_n_m);
  if (drop_bar && drop_bar->value > 0.0 && liquid.vapour_pressure_pa)
    numbers.cavitation = Cavitation(rig, *drop_bar, *liquid.vapour_pressure_pa);
  return numbers;
}

void FlagBackPressure(const Rig& rig, const std::vector<Point>& points, std::vector<calib::Flag>& flags) {
  for (std::size_t k = 0; k < points.size(); ++k) {
    const Point& point = points[k];
    const std::optional<Quantity>& number = point.numbers.cavitation;
    const std::optional<double> limit = CavitationLimit(rig, point);
    if (!number || !limit || !(number->value < *limit)) continue;
    // Back from the number, so that it is the very vapour pressure that went in.
    const double drop_pa = point.pressure_bar->value * kPaPerBar;
    const double vapour_pa = AmbientOf(rig).value * kPaPerBar - (number->value - 1.0) * drop_pa;
    flags.push_back(
        {"back_pressure_needed", Severity::kInfo, static_cast<int>(k), std::string("cavitation_number"),
         fmt::format("the cavitation number is {:.2f}; sharp-edged {} may cavitate below about {:.2f}, "
                     "which they would not against an engine's chamber pressure: this flow need not be "
                     "that of the engine",
                     number->value, rig.kind == "swirl" ? "inlets" : "holes", *limit),
         fmt::format("repeat against a back pressure of {:.1f} bar absolute or more at the same drop",
                     calib::BackPressurePa(drop_pa, *limit, vapour_pa) / kPaPerBar)});
  }
}

}  // namespace conebook::src

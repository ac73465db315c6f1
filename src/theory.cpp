#include "src/theory.h"

#include <algorithm>
#include <cmath>
#include <functional>
#include <numbers>
#include <optional>
#include <string>
#include <utility>

#include <calib/drop_correlations.h>
#include <calib/liquid.h>
#include <calib/plain_orifice.h>
#include <calib/swirl_theory.h>

#include "src/liquid_state.h"

namespace conebook::src {
namespace {

constexpr double kPaPerBar = 1e5;

struct Dimensions {
  double exit_mm = 0.0, inlet_mm = 0.0, chamber_mm = 0.0;
  std::optional<double> exit_length_mm, chamber_length_mm;
  int inlets = 1;

  calib::SwirlGeometry Swirl() const {
    return {exit_mm, inlets * std::numbers::pi / 4.0 * inlet_mm * inlet_mm, chamber_mm, exit_length_mm,
            chamber_length_mm};
  }
};

using Relation = std::function<std::optional<double>(const Dimensions&)>;

class Beside {
 public:
  Beside(const Rig& rig, Dimensions at) : rig_(rig), at_(at) {}

  void Add(const char* quantity, const char* relation, const char* range, const Relation& of) {
    const std::optional<double> value = of(at_);
    if (!value || !std::isfinite(*value)) return;
    std::vector<calib::Contribution> budget;
    const auto by = [&](const char* what, const std::optional<calib::Stated>& stated, const auto& change) {
      if (!stated) return;
      Dimensions wider = at_;
      change(wider, stated->u);
      if (const std::optional<double> moved = of(wider); moved && std::isfinite(*moved)) {
        budget.push_back({std::string(what) + (stated->u_assumed ? " (assumed u)" : ""),
                          std::abs(*moved - *value), calib::Shared::kRig});
      }
    };
    by("exit diameter", rig_.view.exit_diameter_mm, [](Dimensions& d, double u) { d.exit_mm += u; });
    by("inlet diameter", rig_.geometry.inlet_diameter_mm, [](Dimensions& d, double u) { d.inlet_mm += u; });
    by("chamber diameter", rig_.geometry.chamber_diameter_mm,
       [](Dimensions& d, double u) { d.chamber_mm += u; });
    by("exit length", rig_.geometry.exit_length_mm, [](Dimensions& d, double u) {
      if (d.exit_length_mm) *d.exit_length_mm += u;
    });
    by("chamber length", rig_.geometry.chamber_length_mm, [](Dimensions& d, double u) {
      if (d.chamber_length_mm) *d.chamber_length_mm += u;
    });
    lines_.push_back({quantity, relation, range, calib::Combine(*value, std::move(budget))});
  }

  std::vector<TheoryLine> Lines() && { return std::move(lines_); }

 private:
  const Rig& rig_;
  Dimensions at_;
  std::vector<TheoryLine> lines_;
};

std::optional<double> ValueOf(const std::optional<calib::Stated>& stated) {
  return stated ? std::optional(stated->value) : std::nullopt;
}

void AddPlainOrifice(const Dimensions& at, const calib::SwirlFlow& flow, Beside& beside) {
  if (!at.exit_length_mm) return;
  beside.Add("cd", "Lichtarowicz, Duggins and Markland (1965)",
             "sharp-edged hole, length 2 to 10 diameters; above a Reynolds number of 20 000 its value there",
             [&](const Dimensions& d) {
               constexpr double kHighestReynolds = 2e4;
               return calib::PlainOrificeCd(
                   std::min(kHighestReynolds, calib::ReynoldsAtExit(d.exit_mm, flow)),
                   *d.exit_length_mm / d.exit_mm);
             });
}

void AddSwirl(const calib::SwirlFlow& flow, bool viscosity_known, Beside& beside) {
  const char* const inviscid = "inviscid, maximum flow (Abramovich 1944; Giffen and Muraszew 1953)";
  const auto core = [](const Dimensions& d) {
    return calib::AirCoreShare(calib::AtomizerConstant(d.Swirl()));
  };
  beside.Add("cd", inviscid, "no friction: below what small water elements show",
             [&](const Dimensions& d) { return calib::InviscidCd(core(d)); });
  beside.Add("cd", "Rizk and Lefebvre (1985)", "correlation of simplex elements, from memory",
             [](const Dimensions& d) { return calib::RizkLefebvreCd(d.Swirl()); });
  if (viscosity_known) {
    beside.Add("cd", "Jones (1982)", "correlation of large power-plant elements, from memory",
               [&](const Dimensions& d) { return calib::JonesCd(d.Swirl(), flow); });
  }
  beside.Add("cone_half_angle_deg", "inviscid, by the mean swirl (Giffen and Muraszew 1953)",
             "no friction: above what small water elements show",
             [&](const Dimensions& d) { return calib::InviscidHalfAngleBySwirlDeg(core(d)); });
  beside.Add("cone_half_angle_deg", "inviscid, by the axial speed (Taylor 1948; Rizk and Lefebvre 1985)",
             "no friction: ten degrees and more above the other",
             [&](const Dimensions& d) { return calib::InviscidHalfAngleByAxialSpeedDeg(core(d)); });
  if (viscosity_known) {
    beside.Add("cone_half_angle_deg", "Rizk and Lefebvre (1985)",
               "correlation of simplex elements in fuel oils, from memory",
               [&](const Dimensions& d) { return calib::RizkLefebvreHalfAngleDeg(d.Swirl(), flow); });
  }
}

}  // namespace

std::vector<TheoryLine> TheoryBeside(const Rig& rig, const Point& point) {
  if (!point.pressure_bar || !(point.pressure_bar->value > 0.0)) return {};
  const double pressure_pa = point.pressure_bar->value * kPaPerBar;
  const LiquidState liquid = LiquidAt(rig, point.temperature_c, pressure_pa + kPaPerBar);
  const std::optional<double> viscosity = ViscosityAt(rig, liquid.temperature_c);
  const calib::SwirlFlow flow{pressure_pa, liquid.density_kg_m3.value, viscosity.value_or(1.0)};
  Dimensions at;
  at.exit_mm = rig.view.exit_diameter_mm.value;
  at.exit_length_mm = ValueOf(rig.geometry.exit_length_mm);
  at.chamber_length_mm = ValueOf(rig.geometry.chamber_length_mm);
  if (rig.kind == "plain_orifice") {
    Beside beside(rig, at);
    if (viscosity) AddPlainOrifice(at, flow, beside);
    return std::move(beside).Lines();
  }
  const ElementGeometry& geometry = rig.geometry;
  if (rig.kind != "swirl" || !geometry.inlet_count || !geometry.inlet_diameter_mm ||
      !geometry.chamber_diameter_mm) {
    return {};
  }
  at.inlets = *geometry.inlet_count;
  at.inlet_mm = geometry.inlet_diameter_mm->value;
  at.chamber_mm = geometry.chamber_diameter_mm->value;
  Beside beside(rig, at);
  AddSwirl(flow, viscosity.has_value(), beside);
  return std::move(beside).Lines();
}

std::vector<TheoryLine> PublishedD32Beside(const Rig& rig, const Point& point) {
  if (rig.kind != "swirl" || !point.pressure_bar || !point.flow_kg_s || !(point.pressure_bar->value > 0.0) ||
      !(point.flow_kg_s->value > 0.0)) {
    return {};
  }
  const LiquidState liquid =
      LiquidAt(rig, point.temperature_c, (point.pressure_bar->value + 1.0) * kPaPerBar);
  const LiquidProperties properties = PropertiesAt(rig, point.temperature_c);
  if (!properties.viscosity_pa_s || !properties.surface_tension_n_m) return {};
  const std::optional<calib::Quantity>& angle =
      point.spray.cone_half_angle_deg ? point.spray.cone_half_angle_deg : point.spray.sheet_half_angle_deg;
  const auto at = [&](double flow_kg_s, double pressure_bar) {
    calib::AtomisingFlow flow;
    flow.mass_flow_kg_s = flow_kg_s;
    flow.pressure_drop_pa = pressure_bar * kPaPerBar;
    flow.density_kg_m3 = liquid.density_kg_m3.value;
    flow.viscosity_pa_s = properties.viscosity_pa_s->value;
    flow.surface_tension_n_m = properties.surface_tension_n_m->value;
    return calib::PublishedD32(flow, rig.view.exit_diameter_mm.value,
                               angle ? std::optional(angle->value) : std::nullopt);
  };
  const double flow_kg_s = point.flow_kg_s->value;
  const double pressure_bar = point.pressure_bar->value;
  const std::vector<calib::D32Theory> says = at(flow_kg_s, pressure_bar);
  const std::vector<calib::D32Theory> more_flow = at(flow_kg_s + point.flow_kg_s->u, pressure_bar);
  const std::vector<calib::D32Theory> more_pressure = at(flow_kg_s, pressure_bar + point.pressure_bar->u);
  std::vector<TheoryLine> lines;
  for (std::size_t k = 0; k < says.size(); ++k) {
    const calib::D32Theory& of = says[k];
    std::string range = of.range;
    if (of.from_memory) range += ", from memory";
    if (of.outside) range += "; this element lies outside";
    lines.push_back(
        {"d32_um", of.source, range,
         calib::Combine(
             of.d32_um,
             {{"mass flow", std::abs(more_flow[k].d32_um - of.d32_um), calib::Shared::kMeter},
              {"pressure drop", std::abs(more_pressure[k].d32_um - of.d32_um), calib::Shared::kRig}})});
  }
  return lines;
}

}  // namespace conebook::src

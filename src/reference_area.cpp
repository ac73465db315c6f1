#include "src/reference_area.h"

#include <algorithm>
#include <cmath>
#include <numbers>
#include <optional>

#include <fmt/core.h>

#include <calib/error.h>

namespace conebook::src {
namespace {

using calib::Shared;

constexpr double kAssumedShare = 0.01;
constexpr double kBoreShare = 0.01;  // of the area: as much as is assumed where nothing is stated
constexpr double kAlike = 0.02;      // a stated area this close to a known one is that one

calib::Quantity CircleArea(const calib::Stated& diameter_mm, int count, const char* what) {
  const double area = count * std::numbers::pi / 4.0 * diameter_mm.value * diameter_mm.value;
  const double u =
      diameter_mm.u_assumed ? kAssumedShare * area : 2.0 * area * diameter_mm.u / diameter_mm.value;
  const std::string source =
      diameter_mm.u_assumed ? fmt::format("{} area (assumed 1 %)", what) : fmt::format("{} diameter", what);
  return calib::Combine(area, {{source, u, Shared::kRig}});
}

}  // namespace

ReferenceArea FindReferenceArea(const Rig& rig) {
  const StandSetup& stand = rig.stand;
  // A plate's exits, all of its elements'.
  const int exits = std::max<int>(1, static_cast<int>(rig.plate_elements.size()));
  const calib::Quantity exit = CircleArea(rig.view.exit_diameter_mm, exits, "exit");
  std::optional<calib::Quantity> inlets;
  if (rig.geometry.inlet_count && rig.geometry.inlet_diameter_mm) {
    inlets = CircleArea(*rig.geometry.inlet_diameter_mm, *rig.geometry.inlet_count, "inlet");
  }
  ReferenceArea result;
  const auto say = [&](std::string message) {
    result.flags.push_back({"reference_area", calib::Severity::kInfo, std::nullopt, std::string("cd"),
                            std::move(message), "state [stand] reference_area_mm2 and area_kind"});
  };
  if (stand.reference_area_mm2) {
    const calib::Stated& stated = *stand.reference_area_mm2;
    result.area_mm2 = calib::Combine(
        stated.value,
        {{stated.u_assumed ? "reference area (assumed 1 %)" : "reference area", stated.u, Shared::kRig}});
    if (stand.area_kind) {
      result.kind = *stand.area_kind;
      return result;
    }
    const auto alike = [&](const calib::Quantity& known) {
      return std::abs(known.value - stated.value) <= kAlike * stated.value;
    };
    result.kind = alike(exit) ? "exit" : inlets && alike(*inlets) ? "inlets" : "user";
    say(fmt::format("[stand] area_kind is not stated; {:.4g} mm2 was taken as \"{}\"", stated.value,
                    result.kind));
    return result;
  }
  // An area goes with the square of its bore.
  const auto say_bore = [&](const calib::Stated& bore_mm, const char* what) {
    const double share = 2.0 * bore_mm.u / bore_mm.value;
    if (bore_mm.u_assumed || share < kBoreShare) return;
    const std::string& by = rig.geometry.measured_by;
    result.flags.push_back(
        {"bore_uncertain", calib::Severity::kInfo, std::nullopt, std::string("cd"),
         fmt::format("u of the {} diameter, {:g} mm on {:g} mm{}, is {:.2g} % of the area, and of Cd", what,
                     bore_mm.u, bore_mm.value,
                     by.empty()          ? ""
                     : by == "pin_gauge" ? ", by pin gauge"
                     : by == "drawing"   ? ", from a drawing"
                                         : ", by microscope",
                     100.0 * share),
         "measure the bore more closely, or compare elements by flow area, which needs no geometry"});
  };
  const std::string kind = stand.area_kind.value_or("exit");
  if (kind == "user") {
    throw calib::InputError(rig.path + ": [stand] area_kind = \"user\" needs reference_area_mm2");
  }
  if (kind == "inlets") {
    if (!inlets) {
      throw calib::InputError(rig.path +
                              ": [stand] area_kind = \"inlets\" needs reference_area_mm2, or [element] "
                              "inlet_count and inlet_diameter_mm");
    }
    result.kind = "inlets";
    result.area_mm2 = *inlets;
    say_bore(*rig.geometry.inlet_diameter_mm, "inlet");
    return result;
  }
  result.kind = "exit";
  result.area_mm2 = exit;
  say_bore(rig.view.exit_diameter_mm, "exit");
  if (!stand.area_kind) {
    say(fmt::format("no reference area is stated; Cd is on the exit area{}, {:.4g} mm2",
                    exits > 1 ? fmt::format(" of all {} elements", exits) : std::string(), exit.value));
  }
  return result;
}

}  // namespace conebook::src

#include "src/check_element.h"

#include <cmath>

#include <fmt/core.h>

namespace conebook::src {
namespace {

using calib::Severity;

void FlagWithinDay(ElementCheck& check) {
  if (check.today_mm2.size() < 2) {
    check.flags.push_back(
        {"check_element_once", Severity::kInfo, std::nullopt, std::string("flow_area_mm2"),
         fmt::format("check element {} was flowed once: nothing tells whether the stand moved during the day",
                     check.element),
         "flow the check element first and last of a day"});
    return;
  }
  const calib::Quantity &first = check.today_mm2.front(), &last = check.today_mm2.back();
  const double off = last.value - first.value;
  const double expanded = 2.0 * std::hypot(OwnUMm2(first), OwnUMm2(last));
  if (!(std::abs(off) > expanded)) return;
  check.flags.push_back(
      {"check_element_drifts", Severity::kWarn, std::nullopt, std::string("flow_area_mm2"),
       fmt::format("check element {}: flow area {:.5g} mm2 first and {:.5g} mm2 last of the day, {:+.2f} %; "
                   "{:.2f} % (k = 2) is what their own scatter explains",
                   check.element, first.value, last.value, 100.0 * off / first.value,
                   100.0 * expanded / first.value),
       "what was measured in between is in doubt by as much: look for gas in the line, a sensor that warms, "
       "dirt in the meter, and flow the day again"});
}

void FlagAgainstRecord(ElementCheck& check) {
  if (!check.limits) return;
  for (const calib::Quantity& area : check.today_mm2) {
    if (check.limits->Hold(area.value)) continue;
    check.flags.push_back(
        {"check_element_out_of_control", Severity::kWarn, std::nullopt, std::string("flow_area_mm2"),
         fmt::format(
             "check element {}: flow area {:.5g} mm2, outside the control limits {:.5g} to {:.5g} mm2 "
             "of its {} earlier flows",
             check.element, area.value, check.limits->lower, check.limits->upper, check.earlier.size()),
         "find what changed before the day's numbers are used: meter, sensor, line, liquid, or the check "
         "element itself"});
    return;
  }
}

}  // namespace

double OwnUMm2(const calib::Quantity& area_mm2) {
  double squares = 0.0;
  for (const calib::Contribution& part : area_mm2.budget) {
    if (part.shared == calib::Shared::kFrames || part.shared == calib::Shared::kClip)
      squares += part.u * part.u;
  }
  return std::sqrt(squares);
}

std::optional<calib::ControlLimits> LimitsOf(const std::vector<CheckFlow>& flows) {
  std::vector<double> areas_mm2;
  for (const CheckFlow& flow : flows) areas_mm2.push_back(flow.area_mm2.value);
  return calib::IndividualsLimits(areas_mm2);
}

std::vector<ElementCheck> CheckElements(const std::vector<const Run*>& runs,
                                        const std::map<std::string, std::vector<CheckFlow>>& earlier) {
  std::vector<ElementCheck> checks;
  for (const Run* run : runs) {
    if (run->role != kCheckRole || !run->flow_law || !run->flow_law->flow_area_mm2) continue;
    ElementCheck* check = nullptr;
    for (ElementCheck& known : checks) {
      if (known.element == run->element) check = &known;
    }
    if (check == nullptr) {
      check = &checks.emplace_back();
      check->element = run->element;
    }
    check->today_mm2.push_back(*run->flow_law->flow_area_mm2);
    if (run->date) check->date = *run->date;
  }
  for (ElementCheck& check : checks) {
    if (const auto known = earlier.find(check.element); known != earlier.end()) check.earlier = known->second;
    check.limits = LimitsOf(check.earlier);
    FlagWithinDay(check);
    FlagAgainstRecord(check);
  }
  return checks;
}

std::string InWords(const ElementCheck& check) {
  std::string words = fmt::format("check element {}: flow area", check.element);
  for (const calib::Quantity& area : check.today_mm2) words += fmt::format(" {:.5g}", area.value);
  words += " mm2";
  if (check.limits) {
    words += fmt::format("; control limits {:.5g} to {:.5g} mm2 from {} earlier flows", check.limits->lower,
                         check.limits->upper, check.earlier.size());
  } else {
    words += fmt::format("; {} earlier flow{} on record, {} are needed for control limits",
                         check.earlier.size(), check.earlier.size() == 1 ? "" : "s", calib::kLeastForLimits);
  }
  return words;
}

}  // namespace conebook::src

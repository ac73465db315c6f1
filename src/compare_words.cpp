#include <algorithm>
#include <cmath>

#include <fmt/format.h>

#include "src/compare.h"
#include "src/report/digits.h"
#include "src/text_table.h"

namespace conebook::src {
namespace {

constexpr double kTelling = 0.05;

std::string P(double p) {
  return p < 0.0001 ? "below 0.0001" : fmt::format("{:.4f}", p);
}

std::string Number(double value, double u) {
  return fmt::format("{:.{}f}", value, DecimalsFor(u));
}

std::string Range(const calib::Interval& interval, double u) {
  return Number(interval.lo, u) + " to " + Number(interval.hi, u);
}

std::string Counted(std::size_t count, const char* what) {
  return fmt::format("{} {}{}", count, what, count == 1 ? "" : "s");
}

std::string Group(const ComparedGroup& group) {
  std::string text =
      fmt::format("{}: {}, {}, {}", group.name, Counted(group.elements.size(), "element"),
                  Counted(static_cast<std::size_t>(group.runs), "run"), Counted(group.days.size(), "day"));
  if (group.runs_without_pressure > 0)
    text += fmt::format("; {} not read at that pressure drop",
                        Counted(static_cast<std::size_t>(group.runs_without_pressure), "run"));
  return text + "\n";
}

std::string EquivalenceInWords(const ComparedQuantity& quantity) {
  if (!quantity.equivalence || !quantity.margin) return "";
  std::string within = fmt::format("within ±{:.3g} {}: {}", *quantity.margin, UnitOf(quantity.quantity),
                                   calib::NameOf(quantity.equivalence->verdict));
  if (quantity.equivalence->verdict != calib::Equivalence::kNotYet) return within;
  if (quantity.elements_more)
    return within +
           fmt::format(", some {} elements more (both groups together) would show it if the difference stays",
                       *quantity.elements_more);
  return within +
         (std::abs(quantity.difference.value) >= *quantity.margin
              ? ", and more elements are not expected to show it: the difference itself is larger"
              : ", and no number of elements will show it while the groups do not share rig and meter");
}

std::string CovariateInWords(const ComparedQuantity& quantity, const Covariate& covariate) {
  const calib::Interval interval = calib::IntervalOf({covariate.slope, covariate.u, covariate.dof}, 0.95);
  const std::string name = covariate.name == "falling"         ? "pressure reached falling"
                           : covariate.name == "temperature_c" ? "temperature"
                                                               : "inlet-edge radius";
  std::string text = fmt::format("{}: {} {} ({})", name, Number(covariate.slope, covariate.u), covariate.unit,
                                 Range(interval, covariate.u));
  if (covariate.taken_out) return text + ", taken out";
  if (covariate.rest)
    text += fmt::format("; at equal radius the difference would be {} {} ({})",
                        Number(covariate.rest->value, covariate.rest->u), UnitOf(quantity.quantity),
                        Range(calib::IntervalOf(*covariate.rest, 0.95), covariate.rest->u));
  return text;
}

}  // namespace

std::string FlowSplitInWords(const FlowSplit& split) {
  if (!split.refused.empty()) return "not parted into bores and Cd: " + split.refused;
  const auto part = [](const FlowSplit::Part& of) {
    return fmt::format("{:+.2f} % ({:+.2f} to {:+.2f})", of.percent, of.interval95.lo, of.interval95.hi);
  };
  return fmt::format("{} in flow area: {} from the measured bores ({}), {} from Cd; over {} and {} elements",
                     part(split.whole), part(split.bores), split.rests_on, part(split.cd), split.elements[0],
                     split.elements[1]);
}

std::string SwappedInWords(const SwappedLabel& label) {
  return fmt::format("{}{} reads like {}{}: look whether labels were mixed up", label.element,
                     label.date.empty() ? "" : " on " + label.date, label.fits,
                     label.exchanged ? ", and that one like " + label.element : "");
}

std::vector<std::string> RemarksOf(const ComparedQuantity& quantity) {
  std::vector<std::string> remarks;
  if (const std::string equivalent = EquivalenceInWords(quantity); !equivalent.empty())
    remarks.push_back(equivalent);
  for (const Covariate& covariate : quantity.covariates) {
    // What was taken out and made no difference would only be in the way here; the JSON has it.
    const calib::Difference slope{covariate.slope, covariate.u, covariate.dof};
    if (!covariate.taken_out || calib::TwoSidedP(slope) < kTelling)
      remarks.push_back(CovariateInWords(quantity, covariate));
  }
  for (const ComparedElement& member : quantity.members) {
    if (member.outlying)
      remarks.push_back(fmt::format("element {} lies apart from the others of its group (p {})",
                                    member.element, P(*member.p_outlying)));
  }
  remarks.insert(remarks.end(), quantity.notes.begin(), quantity.notes.end());
  return remarks;
}

constexpr double kManyDof = 100.0;  // Student's factor is the normal one to 1 %

std::vector<std::string> RowOf(const ComparedQuantity& quantity) {
  const double u = quantity.difference.u;
  const int whole = DecimalsFor(u);
  return {TitleOf(quantity.quantity),
          UnitOf(quantity.quantity),
          fmt::format("{:.{}f}", quantity.mean[0], whole),
          fmt::format("{:.{}f}", quantity.mean[1], whole),
          Number(quantity.difference.value, u),
          Range(quantity.interval95, u),
          quantity.difference.dof < kManyDof ? fmt::format("{:.1f}", quantity.difference.dof) : "many",
          quantity.p_holm ? P(*quantity.p_holm) : "-",
          quantity.verdict};
}

std::string CompareInWords(const Comparison& comparison) {
  const std::string &one = comparison.groups[0].name, &two = comparison.groups[1].name;
  std::string text = fmt::format("{} against {} at {:.2f} bar{}\n", two, one, comparison.at_bar,
                                 comparison.at_bar_found ? " (found: where most elements were read)" : "");
  for (const ComparedGroup& group : comparison.groups) text += "  " + Group(group);
  if (!comparison.check_elements.empty())
    text += fmt::format("  check elements tie the days: {}\n", fmt::join(comparison.check_elements, ", "));
  text += "\n";
  std::vector<std::vector<std::string>> rows{
      {"quantity", "unit", one, two, "difference", "95 %", "dof", "p (Holm)", "verdict"}};
  std::string refused, remarks;
  bool days_told = true;
  for (const ComparedQuantity& quantity : comparison.quantities) {
    if (!quantity.refused.empty()) {
      refused += fmt::format("  {}: not compared, {}\n", TitleOf(quantity.quantity), quantity.refused);
      continue;
    }
    rows.push_back(RowOf(quantity));
    days_told = days_told && quantity.days_told;
    for (const std::string& remark : RemarksOf(quantity))
      remarks += fmt::format("  {}: {}\n", TitleOf(quantity.quantity), remark);
  }
  if (rows.size() > 1) text += TextTable(rows);
  text += refused;
  if (!remarks.empty()) text += "\n" + remarks;
  text += "\nFlow: " + FlowSplitInWords(comparison.flow_split) + "\n";
  if (!days_told)
    text +=
        "Cannot tell route from day: the groups share no day, and no check element (role = \"check\") was "
        "read on the\n"
        "days of both. The differences stand as they were read, with whatever the days did in them.\n";
  for (const SwappedLabel& label : comparison.maybe_swapped)
    text += "maybe_swapped: " + SwappedInWords(label) + "\n";
  for (const std::string& caution : comparison.cautions) text += "note: " + caution + "\n";
  return text +
         "Difference: second less first, elements a random draw. \"Not told apart\" is not \"equal\": that "
         "is what --margin "
         "asks.\nCold flow says nothing of hot firing; parts go by drawing, local codes and licensed "
         "practice.\n";
}

}  // namespace conebook::src

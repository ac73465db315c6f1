#include "src/report/run_table.h"

#include <optional>

#include <fmt/format.h>

#include "src/report/digits.h"
#include "src/report/html.h"
#include "src/report/remarks.h"

namespace conebook::src {
namespace {

using calib::Quantity;

std::string RangeText(const Run& run, const auto& of) {
  std::optional<Quantity> lowest, highest;
  for (const Point& point : run.points) {
    const std::optional<Quantity> quantity = of(point);
    if (!quantity) continue;
    if (!lowest || quantity->value < lowest->value) lowest = quantity;
    if (!highest || quantity->value > highest->value) highest = quantity;
  }
  if (!lowest) return "<span class=\"none\">none</span>";
  if (run.points.size() == 1 || lowest->value == highest->value) return ValueWithU(*lowest);
  return RoundByU(lowest->value, lowest->u).value + " to " + RoundByU(highest->value, highest->u).value;
}

// Where every sheet holds to the picture's end there is no breakup length, but a bound.
std::string BreakupText(const Run& run) {
  const auto of = [](const Point& p) { return p.spray.breakup_mm; };
  bool any = false;
  std::optional<double> bound;
  for (const Point& point : run.points) {
    any = any || of(point);
    if (point.spray.breakup_lower_bound_mm && (!bound || *point.spray.breakup_lower_bound_mm < *bound))
      bound = point.spray.breakup_lower_bound_mm;
  }
  return !any && bound ? fmt::format("&gt; {:.1f}", *bound) : RangeText(run, of);
}

std::string CdText(const Run& run) {
  std::string text =
      run.flow_law && run.flow_law->cd
          ? ValueWithU(*run.flow_law->cd)
          : RangeText(run, [](const Point& p) { return p.cd ? std::optional(p.cd->cd) : std::nullopt; });
  for (const Point& point : run.points) {
    if (!point.cd) continue;
    const std::string& area = point.cd->area;
    return text + "<small>on the " +
           (area == "exit"     ? "exit"
            : area == "inlets" ? "inlets"
                               : "stated area") +
           "</small>";
  }
  return text;
}

}  // namespace

std::string RunColumnHeads() {
  return "<th scope=\"col\">Pressure drop<small>bar</small></th>"
         "<th scope=\"col\">Half-cone angle<small>°</small></th>"
         "<th scope=\"col\">Breakup length<small>mm</small></th>"
         "<th scope=\"col\">Flow area<small>mm²</small></th><th scope=\"col\">Cd<small>1</small></th>";
}

std::string RunCells(const Run& run) {
  if (run.points.empty()) {
    std::string why;
    for (const Remark& remark : RemarksOf(run))
      if (remark.flag.severity == calib::Severity::kReject)
        why += (why.empty() ? "" : " ") + Sentence(remark.flag.message);
    return fmt::format("<td colspan=\"{}\" class=\"none\">{}</td>", kRunColumns, EscapeHtml(why));
  }
  std::string cells;
  const auto add = [&](const std::string& text) { cells += "<td>" + text + "</td>"; };
  add(RangeText(run, [](const Point& p) { return p.pressure_bar; }));
  add(RangeText(run, [](const Point& p) {
    return p.spray.half_angle ? std::optional(p.spray.half_angle->mean_deg) : std::nullopt;
  }));
  add(BreakupText(run));
  add(run.flow_law && run.flow_law->flow_area_mm2
          ? ValueWithU(*run.flow_law->flow_area_mm2)
          : RangeText(run, [](const Point& p) { return p.flow_area_mm2; }));
  add(CdText(run));
  return cells;
}

}  // namespace conebook::src

#include "src/report/circuit_section.h"

#include <algorithm>
#include <functional>
#include <optional>
#include <string>
#include <utility>
#include <vector>

#include <fmt/format.h>

#include "src/circuits.h"
#include "src/report/digits.h"
#include "src/report/html.h"

namespace conebook::src {
namespace {

using calib::Quantity;
using MaybeQuantity = std::optional<Quantity>;

constexpr double kGramsPerKilogram = 1000.0;

MaybeQuantity InGrams(const MaybeQuantity& kg) {
  if (!kg) return std::nullopt;
  Quantity grams = *kg;
  grams.value *= kGramsPerKilogram;
  grams.u *= kGramsPerKilogram;
  return grams;
}

std::string Cell(const CircuitPoint& circuit, const MaybeQuantity& quantity) {
  if (!circuit.flowing) return "<td><span class=\"none\">shut</span></td>";
  if (!quantity) return "<td><span class=\"none\">none</span></td>";
  return fmt::format("<td><span class=\"v\">{}</span><span class=\"iv\">95 %: {}</span></td>",
                     EscapeHtml(ValueWithU(*quantity)), EscapeHtml(IntervalText(*quantity)));
}

std::string TableHtml(const Run& run, std::size_t c) {
  std::string head, body;
  for (std::size_t k = 0; k < run.points.size(); ++k)
    head += fmt::format("<th scope=\"col\">Point {}</th>", k + 1);
  std::string area;
  for (const Point& point : run.points) {
    if (const auto& cd = point.circuits[c].cd)
      area = fmt::format("<small>on {} mm² ({})</small>", ValueWithU(cd->area_mm2), EscapeHtml(cd->area));
  }
  const auto row = [&](const std::string& label, const char* unit,
                       const std::function<MaybeQuantity(const CircuitPoint&)>& of) {
    std::string cells;
    for (const Point& point : run.points) cells += Cell(point.circuits[c], of(point.circuits[c]));
    body += fmt::format("<tr><th scope=\"row\">{}</th><td class=\"unit\">{}</td>{}</tr>", label, unit, cells);
  };
  const auto said = [&](const std::string& label, const char* unit,
                        const std::function<std::string(const CircuitPoint&)>& of) {
    std::string cells;
    bool any = false;
    for (const Point& point : run.points) {
      const CircuitPoint& circuit = point.circuits[c];
      const std::string text = circuit.flowing ? of(circuit) : "";
      any = any || !text.empty();
      cells +=
          text.empty() ? "<td><span class=\"none\">none</span></td>" : "<td>" + EscapeHtml(text) + "</td>";
    }
    if (any)
      body +=
          fmt::format("<tr><th scope=\"row\">{}</th><td class=\"unit\">{}</td>{}</tr>", label, unit, cells);
  };
  said("Reached", "", [](const CircuitPoint& p) {
    return p.direction == Direction::kUnknown ? std::string() : std::string(NameOf(p.direction));
  });
  said("Nominal pressure", "bar", [](const CircuitPoint& p) {
    return p.nominal_bar ? fmt::format("{:g}", *p.nominal_bar) : std::string();
  });
  row("Pressure drop", "bar", [](const CircuitPoint& p) { return p.pressure_bar; });
  row("Mass flow", "g/s", [](const CircuitPoint& p) { return InGrams(p.flow_kg_s); });
  row("Flow area", "mm²", [](const CircuitPoint& p) { return p.flow_area_mm2; });
  row("Discharge coefficient" + area, "1",
      [](const CircuitPoint& p) { return p.cd ? MaybeQuantity(p.cd->cd) : std::nullopt; });
  row("Reynolds number, exit", "1", [](const CircuitPoint& p) { return p.numbers.reynolds_exit; });
  row("Weber number", "1", [](const CircuitPoint& p) { return p.numbers.weber; });
  row("Cavitation number", "1", [](const CircuitPoint& p) { return p.numbers.cavitation; });
  // Each relation once, in the order of the first point that has it.
  std::vector<std::pair<std::string, std::string>> relations;
  for (const Point& point : run.points) {
    for (const TheoryLine& line : point.circuits[c].theory) {
      const std::pair<std::string, std::string> relation{line.quantity, line.relation};
      if (std::find(relations.begin(), relations.end(), relation) == relations.end())
        relations.push_back(relation);
    }
  }
  for (const auto& [quantity, relation] : relations) {
    const bool cd = quantity == "cd";
    said(
        (cd ? "Cd on the exit" : "Cone half angle") + ("<small>theory: " + EscapeHtml(relation) + "</small>"),
        cd ? "1" : "°", [&, &quantity = quantity, &relation = relation](const CircuitPoint& p) {
          for (const TheoryLine& line : p.theory)
            if (line.quantity == quantity && line.relation == relation) return ValueWithU(line.value);
          return std::string();
        });
  }
  std::string law;
  if (const auto& fit = run.circuits[c].law) {
    if (fit->flow_area_mm2) law += "flow area " + ValueWithU(*fit->flow_area_mm2) + " mm²";
    if (fit->cd) law += ", Cd " + ValueWithU(*fit->cd);
    if (fit->exponent) law += ", exponent " + ValueWithU(*fit->exponent);
  }
  if (const auto& hysteresis = run.circuits[c].hysteresis)
    law += fmt::format("; falling less rising {} % of flow area ({} pair{})",
                       ValueWithU(hysteresis->flow_area_percent), hysteresis->pairs,
                       hysteresis->pairs == 1 ? "" : "s");
  const std::string name = EscapeHtml(run.circuits[c].name);
  return fmt::format(
      "<div class=\"circuit\"><h3>Circuit {}</h3>{}<div class=\"scroll\" tabindex=\"0\" role=\"region\" "
      "aria-label=\"Circuit {}\">"
      "<table class=\"quantities{}\"><thead><tr><th scope=\"col\">Quantity</th><th scope=\"col\">Unit</th>{}"
      "</tr></thead><tbody>{}</tbody></table></div></div>",
      name, law.empty() ? "" : "<p>All its points: " + law + ".</p>", name,
      run.points.size() <= 3 ? " few" : "", head, body);
}

// The run as this circuit alone would have made it, for the flow chart.
Run OfCircuit(const Run& run, std::size_t c) {
  Run one;
  one.log = run.log;
  one.flow_law = run.circuits[c].law;
  one.trace = run.circuits[c].trace;
  for (const Point& point : run.points) {
    const CircuitPoint& from = point.circuits[c];
    if (!from.flowing) continue;
    Point& to = one.points.emplace_back();
    to.log_t0_s = point.log_t0_s;
    to.log_t1_s = point.log_t1_s;
    to.flow_from_s = from.flow_from_s;
    to.pressure_bar = from.pressure_bar;
    to.flow_kg_s = from.flow_kg_s;
    to.flow_area_mm2 = from.flow_area_mm2;
  }
  return one;
}

// A clip that could not be tied to the log has points of its own, of no circuit.
bool PointsHaveCircuits(const Run& run) {
  return !run.circuits.empty() && !run.points.empty() && !run.points.front().circuits.empty();
}

}  // namespace

std::string CircuitsHtml(const Run& run) {
  if (!PointsHaveCircuits(run)) return "";
  std::string list;
  for (std::size_t k = 0; k < run.points.size(); ++k)
    list += fmt::format("<div><dt>Point {}</dt><dd>{}</dd></div>", k + 1,
                        EscapeHtml(CircuitsInWords(run.points[k])));
  std::string out =
      "<section><h2>Circuits</h2><p class=\"hint\">Which circuits flowed at each point; the spray there "
      "belongs to them.</p><dl class=\"law\">" +
      list + "</dl>";
  for (std::size_t c = 0; c < run.circuits.size(); ++c) out += TableHtml(run, c);
  return out + "</section>";
}

std::vector<Chart> CircuitCharts(const Run& run, const ChartOptions& options) {
  std::vector<Chart> charts;
  for (std::size_t c = 0; PointsHaveCircuits(run) && c < run.circuits.size(); ++c) {
    const std::optional<Chart> chart = FlowChartOf(OfCircuit(run, c), options);
    if (!chart) continue;
    charts.push_back(*chart);
    charts.back().title = "Mass flow, circuit " + run.circuits[c].name;
  }
  return charts;
}

}  // namespace conebook::src

#include "src/summary.h"

#include <algorithm>
#include <set>
#include <vector>

#include <fmt/core.h>

#include "src/circuits.h"
#include "src/opening.h"
#include "src/plate_check.h"
#include "src/report/digits.h"
#include "src/text_table.h"

namespace conebook::src {
namespace {

using calib::Severity;

std::string Shown(const std::optional<calib::Quantity>& quantity, double factor = 1.0) {
  if (!quantity) return "-";
  calib::Quantity scaled = *quantity;
  scaled.value *= factor;
  scaled.u *= factor;
  return ValueWithU(scaled);
}

std::string FlagLine(const calib::Flag& flag) {
  const char* const severity = flag.severity == Severity::kReject ? "rejected" : "warning";
  std::string line = fmt::format("{}: ", severity);
  if (flag.point) line += fmt::format("point {}: ", *flag.point + 1);
  line += fmt::format("{} [{}]\n", flag.message, flag.code);
  if (!flag.advice.empty()) line += fmt::format("    {}\n", flag.advice);
  return line;
}

std::string PointTable(const Run& run) {
  const bool stand =
      std::any_of(run.points.begin(), run.points.end(), [](const Point& p) { return p.pressure_bar; });
  const bool spray = run.footage.has_value();
  std::string area = "Cd";
  for (const Point& point : run.points) {
    if (point.cd) area = "Cd (" + point.cd->area + ")";
  }
  std::vector<std::vector<std::string>> rows(2);
  const auto column = [&](const char* title, const char* unit) {
    rows[0].emplace_back(title);
    rows[1].emplace_back(unit);
  };
  column("point", "");
  if (stand) {
    column("pressure drop", "bar");
    column("flow", "g/s");
    column("flow area", "mm2");
    column(area.c_str(), "");
  }
  // A close-up of drops has no cone.
  const bool sized = std::any_of(run.points.begin(), run.points.end(),
                                 [](const Point& point) { return point.drops.has_value(); });
  const bool drops = sized && std::none_of(run.points.begin(), run.points.end(), [](const Point& point) {
                       return point.spray.half_angle.has_value();
                     });
  if (spray && drops) {
    column("D32", "um");
    column("DV50", "um");
    column("drops", "");
    column("frames", "");
  } else if (spray) {
    column("stage", "");
    column("half angle", "deg");
    column("lean", "deg");
    column("breakup", "mm");
    if (sized) column("D32", "um");
    column("frames", "");
  }
  for (std::size_t k = 0; k < run.points.size(); ++k) {
    const Point& point = run.points[k];
    std::vector<std::string> row{fmt::format("{}", k + 1)};
    if (stand) {
      row.push_back(Shown(point.pressure_bar));
      row.push_back(Shown(point.flow_kg_s, 1e3));
      row.push_back(Shown(point.flow_area_mm2));
      row.push_back(point.cd ? Shown(point.cd->cd) : "-");
    }
    if (spray && drops) {
      row.push_back(point.drops ? Shown(point.drops->d32_um) : "-");
      row.push_back(point.drops ? Shown(point.drops->dv50_um) : "-");
      row.push_back(point.drops ? fmt::format("{}", point.drops->count) : "-");
      row.push_back(fmt::format("{}", point.frames));
    } else if (spray) {
      row.emplace_back(point.spray.stage ? vision::InWords(*point.spray.stage) : "-");
      const auto& angle = point.spray.half_angle;
      row.push_back(angle ? Shown(angle->mean_deg) : "-");
      row.push_back(angle ? Shown(angle->lean_deg) : "-");
      row.push_back(point.spray.breakup_lower_bound_mm
                        ? fmt::format("> {:.1f}", *point.spray.breakup_lower_bound_mm)
                        : Shown(point.spray.breakup_mm));
      if (sized) row.push_back(point.drops ? Shown(point.drops->d32_um) : "-");
      row.push_back(fmt::format("{}", point.frames));
    }
    rows.push_back(std::move(row));
  }
  return TextTable(rows) + "  ± is the standard uncertainty (k = 1)\n";
}

// One line a point and circuit that flowed.
std::string CircuitTable(const Run& run) {
  std::vector<std::vector<std::string>> rows{
      {"point", "flowing", "circuit", "pressure drop", "flow", "flow area", "Cd"},
      {"", "", "", "bar", "g/s", "mm2", ""}};
  for (std::size_t k = 0; k < run.points.size(); ++k) {
    bool first = true;
    for (const CircuitPoint& circuit : run.points[k].circuits) {
      if (!circuit.flowing) continue;
      rows.push_back({first ? fmt::format("{}", k + 1) : "", first ? CircuitsInWords(run.points[k]) : "",
                      circuit.name, Shown(circuit.pressure_bar), Shown(circuit.flow_kg_s, 1e3),
                      Shown(circuit.flow_area_mm2), circuit.cd ? Shown(circuit.cd->cd) : "-"});
      first = false;
    }
  }
  return TextTable(rows);
}

}  // namespace

std::string RunSummary(const Run& run) {
  std::string text;
  // Safety first, whatever else there is to say.
  for (const calib::Flag& flag : run.flags) {
    if (flag.code == "above_rated_pressure") text += FlagLine(flag);
  }
  text +=
      fmt::format("element {}{}: {}\n", run.element,
                  run.batch.empty() ? "" : fmt::format(" (batch {})", run.batch), NameOf(run.GetVerdict()));
  if (run.footage) {
    text += fmt::format("clip {}: {} frames of {} x {} px, {:.2f} s\n", run.footage->path, run.clip.frames,
                        run.clip.width_px, run.clip.height_px, run.clip.duration_s);
  }
  if (run.log) text += fmt::format("log {}\n", run.log->path);
  if (!run.points.empty()) text += PointTable(run);
  if (!run.circuits.empty()) text += CircuitTable(run);
  if (run.flow_law && run.flow_law->flow_area_mm2) {
    text += fmt::format("flow law: flow area {} mm2, Cd {}", Shown(run.flow_law->flow_area_mm2),
                        Shown(run.flow_law->cd));
    if (run.flow_law->exponent) text += fmt::format(", exponent {}", Shown(run.flow_law->exponent));
    text += "\n";
  }
  if (run.flow_hysteresis) {
    text += fmt::format("hysteresis: flow area falling less rising {} %\n",
                        Shown(run.flow_hysteresis->flow_area_percent));
  }
  if (run.plate && run.plate->sum_mm2) text += "plate: " + PlateInWords(*run.plate) + "\n";
  for (const std::string& sentence : OpeningSentences(run.opening)) text += sentence + "\n";
  std::size_t remarks = 0;
  for (const calib::Flag& flag : run.flags) {
    if (flag.code == "above_rated_pressure") continue;
    if (flag.severity == Severity::kInfo) {
      ++remarks;
    } else {
      text += FlagLine(flag);
    }
  }
  if (remarks > 0) text += fmt::format("{} remarks more in the result file and report\n", remarks);
  return text;
}

std::string RunInOneLine(const Run& run) {
  std::string text = NameOf(run.GetVerdict());
  if (run.GetVerdict() == Verdict::kRejected) {
    for (const calib::Flag& flag : run.flags) {
      if (flag.severity == Severity::kReject) return text + ": " + flag.message;
    }
    return text;
  }
  text += fmt::format(": {} point{}", run.points.size(), run.points.size() == 1 ? "" : "s");
  std::vector<double> angles;
  for (const Point& point : run.points) {
    if (point.spray.half_angle) angles.push_back(point.spray.half_angle->mean_deg.value);
  }
  if (!angles.empty()) {
    const auto [least, most] = std::minmax_element(angles.begin(), angles.end());
    text += *least == *most ? fmt::format(", half angle {:.2f} deg", *least)
                            : fmt::format(", half angle {:.2f} to {:.2f} deg", *least, *most);
  }
  if (run.flow_law && run.flow_law->cd) text += ", Cd " + Shown(run.flow_law->cd);
  return text;
}

std::string WhatToChange(const Run& run) {
  std::string text;
  std::set<std::string> said;
  for (const calib::Flag& flag : run.flags) {
    if (flag.severity == Severity::kInfo || !said.insert(flag.code).second) continue;
    text += fmt::format("  - {} [{}]\n", flag.message, flag.code);
    if (!flag.advice.empty()) text += fmt::format("    before filming again: {}\n", flag.advice);
  }
  return text;
}

}  // namespace conebook::src

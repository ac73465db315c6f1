#include "src/match_words.h"

#include <algorithm>

#include <fmt/format.h>

#include "src/report/digits.h"
#include "src/text_table.h"

namespace conebook::src {
namespace {

using calib::Conformity;

std::string NamesOf(const std::vector<std::size_t>& stock, const MatchResult& result) {
  std::string names;
  for (const std::size_t i : stock) names += (names.empty() ? "" : ", ") + result.stock[i].element.element;
  return names;
}

std::string OrDash(const std::optional<double>& value, const char* format) {
  return value ? fmt::format(fmt::runtime(format), *value) : std::string("-");
}

std::string PositionTable(const MatchResult& result, const MatchFound& found) {
  std::vector<std::string> head{"position", "ring", "angle_deg", "element", "batch"};
  if (result.plate.circuits.empty()) head.emplace_back("flow_area_mm2");
  for (std::size_t c = 0; c < result.plate.Circuits(); ++c)
    head.push_back(result.plate.circuits.empty() ? "off target" : result.plate.circuits[c]);
  head.emplace_back("cone_half_angle_deg");
  if (!result.plate.circuits.empty()) head.emplace_back("ratio");
  head.emplace_back("conforms");
  std::vector<std::vector<std::string>> rows{head};
  for (std::size_t s = 0; s < found.sites.size(); ++s) {
    const MatchPosition& position = result.plate.positions[s];
    const SiteResult& site = found.sites[s];
    const StockLine& line = result.stock[site.stock];
    std::vector<std::string>& row = rows.emplace_back();
    row = {position.name, fmt::format("{}{}", position.ring, position.wall ? " wall" : ""),
           fmt::format("{:.1f}", position.angle_deg), line.element.element, line.element.batch};
    const auto& area = *line.element.flow_area_mm2.front();
    if (result.plate.circuits.empty())
      row.push_back(ValueWithU({area.value, area.u, calib::Quantity{}.dof, {}}));
    for (const double off : site.flow_deviation_percent) row.push_back(fmt::format("{:+.2f} %", off));
    const auto angle = line.element.readings.find("cone_half_angle_deg");
    row.push_back(angle == line.element.readings.end()
                      ? "-"
                      : ValueWithU({angle->second.value, angle->second.u, calib::Quantity{}.dof, {}}));
    if (!result.plate.circuits.empty()) row.push_back(OrDash(site.ratio_deviation_percent, "{:+.2f} %"));
    const StockVerdict& verdict = line.verdict[position.wall ? 1 : 0];
    row.push_back(verdict.judged.empty()
                      ? std::string("no limits")
                      : fmt::format("{:.1f} %{}", 100.0 * verdict.probability,
                                    verdict.decision == Conformity::kAccept ? "" : ", undecided"));
  }
  return TextTable(rows);
}

std::string PredictedTable(const MatchResult& result, const MatchFound& found) {
  std::vector<std::string> head{"pressure_drop_bar"};
  for (std::size_t c = 0; c < result.plate.Circuits(); ++c) {
    const std::string of = result.plate.circuits.empty() ? "" : " " + result.plate.circuits[c];
    head.push_back("flow_area_mm2" + of);
    head.push_back("flow_kg_s" + of);
    head.emplace_back("u_percent");
  }
  std::vector<std::vector<std::string>> rows{head};
  for (const PredictedFlow& row : found.predicted) {
    std::vector<std::string>& cells = rows.emplace_back();
    cells.push_back(fmt::format("{:.3g}", row.pressure_drop_bar));
    for (std::size_t c = 0; c < row.flow_kg_s.size(); ++c) {
      cells.push_back(ValueWithU(row.flow_area_mm2[c]));
      cells.push_back(ValueWithU(row.flow_kg_s[c]));
      cells.push_back(fmt::format("{:.2f}", 100.0 * row.flow_kg_s[c].u / row.flow_kg_s[c].value));
    }
  }
  return TextTable(rows);
}

std::string SparesTable(const MatchResult& result, const MatchFound& found) {
  std::vector<std::vector<std::string>> rows{
      {"rank", "spare", "fits", "mean score", "worst", "best at", "behind the first"}};
  for (const calib::Spare& spare : found.spares)
    rows.push_back(
        {std::to_string(spare.rank), result.stock[static_cast<std::size_t>(spare.element)].element.element,
         spare.sites == static_cast<int>(result.plate.positions.size())
             ? std::string("anywhere")
             : fmt::format("{} positions", spare.sites),
         fmt::format("{:.3f}", spare.mean_score), fmt::format("{:.3f}", spare.worst_score),
         result.plate.positions[static_cast<std::size_t>(spare.best_site)].name,
         &spare == &found.spares.front()
             ? std::string("-")
             : fmt::format("{:.3f} (u {:.3f})", spare.behind_first.difference, spare.behind_first.u)});
  return TextTable(rows);
}

std::string FoundInWords(const MatchResult& result, const MatchFound& found) {
  std::string text;
  for (const std::string& sentence : ScoreInWords(found)) text += sentence + "\n";
  std::vector<std::vector<std::string>> measures{
      {"", "measured", "expected", "counts as 1", "sorted by flow"}};
  for (const MeasureRow& row : MeasureRows(result))
    measures.push_back({row.name, row.measured, row.expected, row.scale, row.sorted});
  text += TextTable(measures) + "\n" + PositionTable(result, found) + "\n" + TiesInWords(found) + "\n";
  for (const TiedChoice& tie : found.ties) text += "  " + TieInWords(tie, result) + "\n";
  if (found.spares.empty()) {
    text += "No spare is left.\n";
  } else {
    text += "Spares, in place of any one element, the others staying where they are:\n" +
            SparesTable(result, found);
  }
  text += fmt::format("Predicted flow of the plate ({} at {:g} C, no losses in the manifold):\n",
                      result.plate.liquid, result.plate.temperature_c) +
          PredictedTable(result, found);
  if (!found.sites.empty() && !result.plate.limits[0].empty())
    text += fmt::format("Elements expected outside the drawing's limits: {} of {}\n",
                        found.expected_nonconforming < 0.001
                            ? std::string("fewer than 0.001")
                            : fmt::format("{:.2g}", found.expected_nonconforming),
                        found.sites.size());
  return text;
}

}  // namespace

std::string AcceptanceInWords(const MatchResult& result, bool wall) {
  return fmt::format("{} accepted, {} undecided, {} rejected of {}", result.Count(Conformity::kAccept, wall),
                     result.Count(Conformity::kUndecided, wall), result.Count(Conformity::kReject, wall),
                     result.stock.size());
}

std::vector<std::string> ScoreInWords(const MatchFound& found) {
  const double score = found.answer.best.score;
  std::vector<std::string> sentences;
  sentences.push_back(
      fmt::format("Score {:.3f} by the readings; {:.3f} (u {:.3f}) to expect of the true values. 0: a plate "
                  "of equal elements.",
                  score, found.expected.root_mean_square.score, found.expected.u_score));
  if (found.answer.exact)
    sentences.emplace_back(
        "No arrangement has a smaller score: all were looked at, or passed over for good reason.");
  else
    sentences.push_back(fmt::format(
        "No arrangement has a score below {:.3f}: this one is at most {:.1f} % from the best there may be.",
        found.answer.bound, score > 0.0 ? 100.0 * (1.0 - found.answer.bound / score) : 0.0));
  if (found.sorted)
    sentences.push_back(
        found.sorted_behind.Tied()
            ? fmt::format(
                  "Sorted by flow: {:.3f}, which cannot be told from it (difference {:.3f}, u {:.3f}).",
                  found.sorted->score, found.sorted_behind.difference, found.sorted_behind.u)
            : fmt::format("Sorted by flow and put around in that order: {:.3f}, worse by {:.3f} (u {:.3f}).",
                          found.sorted->score, found.sorted_behind.difference, found.sorted_behind.u));
  return sentences;
}

std::string TieInWords(const TiedChoice& tie, const MatchResult& result) {
  return fmt::format("{} instead of {} ({:+.3f}, u {:.3f})", NamesOf(tie.in, result),
                     NamesOf(tie.out, result), tie.behind.difference, tie.behind.u);
}

std::string TiesInWords(const MatchFound& found) {
  if (found.tied_choices == 0) return "No other choice of elements that was come by lies within u of it.";
  return fmt::format(
      "Ties: {} other choice{} of elements cannot be told from it (score no more than u behind){}",
      found.tied_choices, found.tied_choices == 1 ? "" : "s",
      static_cast<std::size_t>(found.tied_choices) > found.ties.size()
          ? fmt::format("; the closest {}:", found.ties.size())
          : std::string(":"));
}

std::vector<MeasureRow> MeasureRows(const MatchResult& result) {
  const MatchFound& found = *result.found;
  const calib::MatchScales& scales = result.problem.scales;
  const calib::MatchWeights& weights = result.plate.weights;
  std::vector<MeasureRow> rows;
  const auto add = [&](const char* name, const char* unit, auto measure, double scale, double weight) {
    const std::optional<double> measured = measure(found.measures);
    if (!measured) return;
    const auto text = [&](const std::optional<double>& value) {
      return value ? fmt::format("{:.3f} {}", *value, unit) : std::string("-");
    };
    rows.push_back({name, text(measured), text(measure(found.expected.root_mean_square)),
                    weight == 0.0   ? std::string("not counted")
                    : weight == 1.0 ? fmt::format("{:.3g} {}", scale, unit)
                                    : fmt::format("{:.3g} {}, weight {:g}", scale, unit, weight),
                    found.sorted ? text(measure(*found.sorted)) : std::string("-")});
  };
  using M = calib::MatchMeasures;
  add(
      "flow spread", "%", [](const M& m) { return std::optional(m.flow_spread_percent); },
      scales.flow_percent, weights.flow);
  add(
      "cone half angle spread", "deg", [](const M& m) { return m.angle_spread_deg; }, scales.angle_deg,
      weights.angle);
  add(
      "circuit-ratio spread", "%", [](const M& m) { return m.ratio_spread_percent; }, scales.ratio_percent,
      weights.circuit_ratio);
  add(
      "flow around, first harmonic", "%", [](const M& m) { return std::optional(m.first_harmonic_percent); },
      scales.flow_percent, weights.first_harmonic);
  add(
      "flow around, second harmonic", "%",
      [](const M& m) { return std::optional(m.second_harmonic_percent); }, scales.flow_percent,
      weights.second_harmonic);
  add(
      "mean lean", "deg", [](const M& m) { return m.mean_lean_deg; }, scales.lean_deg, weights.lean);
  return rows;
}

std::string AfterAssembly() {
  return "After assembly: flow the plate itself with a rig of [element] kind = \"plate\" and [plate] match = "
         "the "
         "file of --json, on this archive; its flow area is held against the sum of its elements', and what "
         "both "
         "share (meter, sensor) cancels.";
}

std::string MatchInWords(const MatchResult& result) {
  const bool wall_row = result.plate.HasWallRow();
  std::string text = fmt::format("Plate {}: {} positions, readings at {:g} bar\n", result.plate.id,
                                 result.plate.positions.size(), result.pressure_drop_bar);
  text += fmt::format("Stock{}: {}\n", wall_row ? " for the core" : "", AcceptanceInWords(result, false));
  if (wall_row) text += fmt::format("Stock for the wall row: {}\n", AcceptanceInWords(result, true));
  if (!result.found) {
    text += "No plate can be made of this stock.\n";
    for (const std::string& reason : result.infeasible) text += "  " + reason + "\n";
  } else {
    text += FoundInWords(result, *result.found);
  }
  for (const std::string& note : result.notes) text += "Note: " + note + "\n";
  if (result.found) text += AfterAssembly() + "\n";
  return text +
         "For cold-flow matching. Whether a plate may be fired is for licensed practice and local codes to "
         "say.\n";
}

}  // namespace conebook::src

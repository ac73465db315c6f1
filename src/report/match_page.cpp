#include "src/report/match_page.h"

#include <algorithm>
#include <set>

#include <fmt/format.h>

#include "src/match_words.h"
#include "src/report/chart.h"
#include "src/report/digits.h"
#include "src/report/html.h"
#include "src/report/page.h"
#include "src/report/plate_map.h"

namespace conebook::src {
namespace {

using calib::Conformity;

// long_last: the last column is a sentence, and may break.
std::string TableHtml(const std::string& label, const std::vector<std::string>& head,
                      const std::vector<std::vector<std::string>>& rows, bool long_last = false) {
  std::string out = fmt::format(
      "<div class=\"scroll\" tabindex=\"0\" role=\"region\" aria-label=\"{}\"><table "
      "class=\"day\"><thead><tr>",
      label);
  for (const std::string& cell : head) out += "<th>" + cell + "</th>";
  out += "</tr></thead><tbody>\n";
  for (const std::vector<std::string>& row : rows) {
    out += "<tr>";
    for (std::size_t i = 0; i < row.size(); ++i) {
      const bool text = long_last && i + 1 == row.size();
      out += i == 0 ? "<th>" + row[i] + "</th>" : (text ? "<td class=\"text\">" : "<td>") + row[i] + "</td>";
    }
    out += "</tr>\n";
  }
  return out + "</tbody></table></div>\n";
}

std::string Section(const std::string& title, const std::string& body) {
  return body.empty() ? "" : "<section><h2>" + title + "</h2>" + body + "</section>\n";
}

std::string TitleBlock(const MatchResult& result) {
  const bool matched = result.found.has_value();
  return fmt::format(
             "<header class=\"block\"><div class=\"what\"><span>Plate matched from "
             "stock</span><h1>{}</h1></div>",
             EscapeHtml(result.plate.id)) +
         TitleCell("Positions", std::to_string(result.plate.positions.size())) +
         TitleCell("Stock", std::to_string(result.stock.size())) +
         TitleCell("Pressure drop", fmt::format("{:g} bar", result.pressure_drop_bar)) +
         FileTitleCell("Archive", result.archive.substr(result.archive.find_last_of('/') + 1)) +
         fmt::format("<div class=\"stamp {}\"><span>Verdict</span><b>{}</b></div></header>\n",
                     matched ? "ok" : "rejected", matched ? "matched" : "no plate");
}

std::string MapSection(const MatchResult& result) {
  std::string body =
      "<div class=\"lead\" style=\"align-items:center\"><figure style=\"flex:1 1 460px;max-width:640px\">" +
      PlateMapSvg(result, true) + "</figure><div style=\"flex:1 1 14rem\">";
  for (const std::string& sentence : ScoreInWords(*result.found))
    body += "<p>" + EscapeHtml(sentence) + "</p>";
  return Section("The plate", body + "</div></div>");
}

std::string MeasuresSection(const MatchResult& result) {
  std::vector<std::vector<std::string>> rows;
  for (const MeasureRow& row : MeasureRows(result))
    rows.push_back({row.name, row.measured, row.expected, row.scale, row.sorted});
  const MatchFound& found = *result.found;
  rows.push_back(
      {"<b>score</b>", fmt::format("<b>{:.3f}</b>", found.measures.score),
       fmt::format("{:.3f} ± {:.3f}", found.expected.root_mean_square.score, found.expected.u_score), "",
       found.sorted ? fmt::format("{:.3f}", found.sorted->score) : "-"});
  return Section("How even it is",
                 TableHtml("Measures of the match",
                           {"", "By the readings", "To expect", "Counts as 1", "Sorted by flow"}, rows) +
                     "<p class=\"hint\">Score: each measure over what counts as 1, squared, weighted and "
                     "added; the root of the sum. "
                     "By the readings: spread and imbalance of the measured values. To expect: of the true "
                     "values, which differ from "
                     "the measured ones by their own errors; elements are chosen to look alike, so the true "
                     "spread is larger. "
                     "Harmonics are waves of flow around each ring with one and two lobes.</p>");
}

std::string Cell(const StockReading& reading) {
  return ValueWithU({reading.value, reading.u, calib::Quantity{}.dof, {}});
}

std::string AngleCell(const StockElement& element) {
  const auto angle = element.readings.find("cone_half_angle_deg");
  return angle == element.readings.end() ? "-" : Cell(angle->second);
}

std::string PositionsSection(const MatchResult& result) {
  const MatchFound& found = *result.found;
  std::vector<std::string> head{"Position", "Ring", "Angle, deg", "Element", "Batch"};
  for (std::size_t c = 0; c < result.plate.Circuits(); ++c) {
    const std::string of = result.plate.circuits.empty() ? "" : ", " + EscapeHtml(result.plate.circuits[c]);
    head.push_back("Flow area, mm²" + of);
    head.push_back("Off target" + of);
  }
  const bool leans = std::any_of(found.sites.begin(), found.sites.end(),
                                 [](const SiteResult& site) { return site.lean_azimuth_deg.has_value(); });
  head.emplace_back("Cone half angle, deg");
  if (leans) head.emplace_back("Lean, azimuth");
  head.insert(head.end(), {"Conforms", "Flowed"});
  std::vector<std::vector<std::string>> rows;
  for (std::size_t s = 0; s < found.sites.size(); ++s) {
    const MatchPosition& position = result.plate.positions[s];
    const SiteResult& site = found.sites[s];
    const StockLine& line = result.stock[site.stock];
    std::vector<std::string>& row = rows.emplace_back();
    row = {EscapeHtml(position.name), fmt::format("{}{}", position.ring, position.wall ? ", wall row" : ""),
           fmt::format("{:.1f}", position.angle_deg), "<b>" + EscapeHtml(line.element.element) + "</b>",
           EscapeHtml(line.element.batch)};
    for (std::size_t c = 0; c < result.plate.Circuits(); ++c) {
      row.push_back(Cell(*line.element.flow_area_mm2[c]));
      row.push_back(fmt::format("{:+.2f} %", site.flow_deviation_percent[c]));
    }
    row.push_back(AngleCell(line.element));
    if (leans)
      row.push_back(
          site.lean_azimuth_deg
              ? fmt::format("{:.2f}° to {:.0f}°", line.element.lean->size_deg.value, *site.lean_azimuth_deg)
              : std::string("-"));
    const StockVerdict& verdict = line.verdict[position.wall ? 1 : 0];
    row.push_back(verdict.judged.empty()
                      ? std::string("no limits")
                      : fmt::format("{:.1f} %{}", 100.0 * verdict.probability,
                                    verdict.decision == Conformity::kAccept ? "" : ", undecided"));
    row.push_back(EscapeHtml(line.element.flow_area_mm2.front()->date));
  }
  return Section("Who stands where", TableHtml("Positions", head, rows));
}

std::string TiesSection(const MatchResult& result) {
  const MatchFound& found = *result.found;
  std::string body = "<p>" + EscapeHtml(TiesInWords(found)) + "</p>";
  if (!found.ties.empty()) {
    body += "<ul>";
    for (const TiedChoice& tie : found.ties) body += "<li>" + EscapeHtml(TieInWords(tie, result)) + "</li>";
    body += "</ul>";
  }
  std::vector<std::vector<std::string>> rows;
  for (const calib::Spare& spare : found.spares)
    rows.push_back(
        {std::to_string(spare.rank),
         "<b>" + EscapeHtml(result.stock[static_cast<std::size_t>(spare.element)].element.element) + "</b>",
         spare.sites == static_cast<int>(result.plate.positions.size())
             ? std::string("anywhere")
             : fmt::format("{} of {} positions", spare.sites, result.plate.positions.size()),
         fmt::format("{:.3f}", spare.mean_score), fmt::format("{:.3f}", spare.worst_score),
         EscapeHtml(result.plate.positions[static_cast<std::size_t>(spare.best_site)].name),
         &spare == &found.spares.front()
             ? std::string("-")
             : fmt::format("{:.3f} ± {:.3f}", spare.behind_first.difference, spare.behind_first.u)});
  body +=
      rows.empty()
          ? "<p>No spare is left.</p>"
          : "<h3>Spares</h3>" +
                TableHtml("Spares",
                          {"Rank", "Element", "May stand", "Score, mean", "Worst", "Best at position",
                           "Behind the first"},
                          rows) +
                "<p class=\"hint\">Score of the plate with the spare in place of one element, the others "
                "staying: mean and worst over the positions. Spares of one rank cannot be told apart.</p>";
  return Section("Ties and spares", body);
}

Chart PredictedChart(const MatchResult& result) {
  ChartData data;
  data.key = "predicted_flow";
  data.x_title = "pressure drop, bar";
  data.y_title = "flow, kg/s";
  data.from_zero = true;
  std::string words = "Predicted flow against pressure drop. ";
  for (std::size_t c = 0; c < result.plate.Circuits(); ++c) {
    Series series;
    series.name = result.plate.circuits.empty() ? "plate" : result.plate.circuits[c];
    series.look = Look::kJoined;
    series.hue = static_cast<int>(c) + 1;
    for (const PredictedFlow& row : result.found->predicted) {
      series.x.push_back(row.pressure_drop_bar);
      series.y.push_back(row.flow_kg_s[c].value);
      series.ey.push_back(Half95(row.flow_kg_s[c]));
    }
    words += InWords(series, "kg/s");
    data.series.push_back(std::move(series));
  }
  return {"predicted_flow", "Flow of the plate", words, ChartJson(data),
          "Bars: 95 % intervals. The sum of the elements; losses in the manifold come on top."};
}

std::string PredictedSection(const MatchResult& result) {
  const MatchFound& found = *result.found;
  std::vector<std::string> head{"Pressure drop, bar"};
  for (std::size_t c = 0; c < result.plate.Circuits(); ++c) {
    const std::string of = result.plate.circuits.empty() ? "" : ", " + EscapeHtml(result.plate.circuits[c]);
    head.insert(head.end(), {"Flow area, mm²" + of, "Flow, kg/s" + of, "u of it"});
  }
  std::vector<std::vector<std::string>> rows;
  for (const PredictedFlow& row : found.predicted) {
    std::vector<std::string>& cells = rows.emplace_back();
    cells.push_back(fmt::format("{:.3g}", row.pressure_drop_bar));
    for (std::size_t c = 0; c < row.flow_kg_s.size(); ++c) {
      cells.push_back(ValueWithU(row.flow_area_mm2[c]));
      cells.push_back(ValueWithU(row.flow_kg_s[c]));
      cells.push_back(fmt::format("{:.2f} %", 100.0 * row.flow_kg_s[c].u / row.flow_kg_s[c].value));
    }
  }
  if (rows.empty()) return "";
  return Section(
      "What the plate should flow",
      "<div class=\"charts\">" + ChartHtml(PredictedChart(result)) + "<div>" +
          TableHtml("Predicted flow", head, rows) +
          fmt::format(
              "<p class=\"hint\">{} at {:g} °C, still air. What the elements' readings share (meter, sensor, "
              "day) "
              "is added up before it is squared; their own errors are independent.</p><p>{}</p></div></div>",
              EscapeHtml(result.plate.liquid), result.plate.temperature_c, EscapeHtml(AfterAssembly())));
}

// Flow area against cone half angle, or against the place in the list where there are too few angles.
Chart StockChart(const MatchResult& result) {
  std::size_t angles = 0;
  for (const StockLine& line : result.stock)
    angles += line.element.readings.contains("cone_half_angle_deg") ? 1 : 0;
  const bool by_angle = 2 * angles > result.stock.size();
  std::set<std::size_t> chosen;
  if (result.found)
    for (const SiteResult& site : result.found->sites) chosen.insert(site.stock);
  ChartData data;
  data.key = "stock";
  data.x_title =
      result.plate.circuits.empty() ? "flow area, mm²" : "flow area of " + result.plate.circuits[0] + ", mm²";
  data.y_title = by_angle ? "cone half angle, degrees" : "place in the list";
  int not_shown = 0;
  Series plate, left, undecided, rejected;
  plate.name = "in the plate";
  plate.hue = 1;
  left.name = "accepted, left over";
  left.hue = 3;
  undecided.name = "undecided";
  undecided.hue = 5;
  rejected.name = "rejected";
  rejected.hue = 2;
  for (std::size_t i = 0; i < result.stock.size(); ++i) {
    const StockLine& line = result.stock[i];
    const auto& area = line.element.flow_area_mm2.front();
    const auto angle = line.element.readings.find("cone_half_angle_deg");
    if (!area || (by_angle && angle == line.element.readings.end())) {
      ++not_shown;
      continue;
    }
    // The kinder of the two verdicts, where there is a wall row.
    const bool admitted = line.admitted[0] || line.admitted[1];
    const bool gone =
        line.verdict[0].decision == Conformity::kReject && line.verdict[1].decision == Conformity::kReject;
    Series& series = chosen.contains(i) ? plate : gone ? rejected : admitted ? left : undecided;
    const double k95 = calib::CoverageFactor95(calib::Quantity{}.dof);
    series.x.push_back(area->value);
    series.ex.push_back(k95 * area->own_u);
    series.y.push_back(by_angle ? angle->second.value : static_cast<double>(i + 1));
    series.ey.push_back(by_angle ? k95 * angle->second.own_u : 0.0);
  }
  std::string words = "The stock, one mark an element. ";
  for (Series* series : {&plate, &left, &undecided, &rejected}) {
    if (series->x.empty()) continue;
    words += fmt::format("{}: {} elements. ", series->name, series->x.size());
    data.series.push_back(*series);
  }
  return {"stock", "The stock, every element", words, ChartJson(data),
          "Bars: 95 % of each element's own errors; what all share would move them together." +
              (not_shown > 0 ? fmt::format(" Not shown, for want of a reading: {}.", not_shown) : "")};
}

std::string StockSection(const MatchResult& result) {
  const bool wall_row = result.plate.HasWallRow();
  std::set<std::size_t> chosen;
  if (result.found)
    for (const SiteResult& site : result.found->sites) chosen.insert(site.stock);
  std::string body;
  for (const bool wall : {false, true}) {
    if (wall && !wall_row) continue;
    body += fmt::format("<p>{}: {}.",
                        wall       ? "For the wall row"
                        : wall_row ? "For the core"
                                   : "Against the drawing",
                        AcceptanceInWords(result, wall));
    for (const DrawingLimit& limit : result.plate.limits[wall ? 1 : 0])
      if (limit.HasLimits())
        body +=
            fmt::format(" {}: {}.", EscapeHtml(NameOf(limit, result.plate)), calib::InWords(limit.tolerance));
    body += "</p>";
  }
  body += fmt::format(
      "<p class=\"hint\">Guard bands after JCGM 106:2012: accepted inside the limits by {:g} u or more, "
      "rejected outside "
      "by as much, undecided between. Conforms: the probability that the true values lie within all limits, "
      "taken as "
      "independent.</p>",
      result.plate.guard_u);
  body += "<div class=\"charts wide\">" + ChartHtml(StockChart(result)) + "</div>";
  std::vector<std::vector<std::string>> rows;
  for (std::size_t i = 0; i < result.stock.size(); ++i) {
    const StockLine& line = result.stock[i];
    std::vector<std::string>& row = rows.emplace_back();
    row.push_back(EscapeHtml(line.element.element) +
                  (chosen.contains(i) ? " <small>in the plate</small>" : ""));
    row.push_back(EscapeHtml(line.element.batch));
    for (const auto& area : line.element.flow_area_mm2) row.push_back(area ? Cell(*area) : "-");
    row.push_back(AngleCell(line.element));
    for (const bool wall : {false, true}) {
      if (wall && !wall_row) continue;
      const StockVerdict& verdict = line.verdict[wall ? 1 : 0];
      row.push_back(
          fmt::format("{}{}", calib::NameOf(verdict.decision),
                      verdict.judged.empty() ? "" : fmt::format(", {:.1f} %", 100.0 * verdict.probability)));
    }
    const std::string& reason =
        line.verdict[0].reason.empty() && wall_row ? line.verdict[1].reason : line.verdict[0].reason;
    row.push_back(EscapeHtml(reason));
  }
  std::vector<std::string> head{"Element", "Batch"};
  for (std::size_t c = 0; c < result.plate.Circuits(); ++c)
    head.push_back("Flow area, mm²" +
                   (result.plate.circuits.empty() ? "" : ", " + EscapeHtml(result.plate.circuits[c])));
  head.emplace_back("Cone half angle, deg");
  head.emplace_back(wall_row ? "Core, conforms" : "Decision, conforms");
  if (wall_row) head.emplace_back("Wall row, conforms");
  head.emplace_back("Why");
  return Section("The stock against the drawing", body + TableHtml("Stock", head, rows, true));
}

std::string NotesSection(const MatchResult& result) {
  std::string body;
  if (!result.notes.empty()) {
    body += "<ul>";
    for (const std::string& note : result.notes) body += "<li>" + EscapeHtml(note) + "</li>";
    body += "</ul>";
  }
  body +=
      fmt::format("<dl class=\"inputs\"><div><dt>Plate file</dt><dd>{}<br><code>{}</code></dd></div></dl>",
                  FileNameHtml(result.plate.path.substr(result.plate.path.find_last_of('/') + 1)),
                  EscapeHtml(result.plate.sha256.substr(0, 16)));
  body +=
      "<p><b>For cold-flow matching.</b> An even plate in water says nothing about whether an engine may be "
      "fired with "
      "it: firing hardware needs licensed practice, and local codes come first.</p>";
  return Section("Notes", body);
}

}  // namespace

std::string RenderMatchHtml(const MatchResult& result) {
  std::string body = TitleBlock(result);
  if (result.found) {
    body += MapSection(result) + MeasuresSection(result) + PositionsSection(result) + TiesSection(result) +
            PredictedSection(result);
  } else {
    std::string why;
    for (const std::string& reason : result.infeasible) why += "<li>" + EscapeHtml(reason) + "</li>";
    body += Section("No plate can be made of this stock", "<ul>" + why + "</ul>");
  }
  if (!result.stock.empty()) body += StockSection(result);
  return Page("Plate " + result.plate.id, body + NotesSection(result));
}

}  // namespace conebook::src

#include "src/report/element_tables.h"

#include <algorithm>
#include <map>
#include <optional>
#include <vector>

#include <fmt/format.h>

#include "src/report/digits.h"
#include "src/report/html.h"
#include "src/report/point_table.h"
#include "src/report/remarks.h"
#include "src/report/run_table.h"
#include "src/report/views_section.h"

namespace conebook::src {
namespace {

using calib::Quantity;

std::string Head(const std::vector<std::string>& cells) {
  std::string out = "<thead><tr>";
  for (const std::string& cell : cells) out += "<th scope=\"col\">" + cell + "</th>";
  return out + "</tr></thead>";
}

std::string Cell(const std::string& html) {
  return "<td>" + html + "</td>";
}

std::string Scrolled(const std::string& label, const std::string& table) {
  return "<div class=\"scroll\" tabindex=\"0\" role=\"region\" aria-label=\"" + label + "\">" + table +
         "</div>";
}

std::string Date(const std::string& date) {
  return date.empty() ? "<span class=\"none\">not stated</span>"
                      : "<span class=\"date\">" + EscapeHtml(date) + "</span>";
}

// A value from outside may come without u; then none is made up.
std::string EarlierCell(const std::optional<Quantity>& quantity, double factor = 1.0) {
  if (!quantity) return "<td class=\"none\">none</td>";
  Quantity scaled = *quantity;
  scaled.value *= factor;
  scaled.u *= factor;
  if (!(scaled.u > 0.0)) return Cell(fmt::format("{:.5g}<small>u not stated</small>", scaled.value));
  return Cell(ValueWithU(scaled));
}

struct Gathered {
  calib::Flag flag;  // as the latest run says it
  std::vector<const ElementRun*> runs;
};

std::vector<Gathered> GatheredRemarks(const ElementReport& report, std::size_t& counting) {
  std::vector<Gathered> all;
  counting = 0;
  for (const ElementRun& run : report.runs) {
    if (!run.superseded_by.empty()) continue;
    ++counting;
    for (const Remark& remark : RemarksOf(run.run)) {
      const auto same = std::find_if(all.begin(), all.end(), [&](const Gathered& gathered) {
        return gathered.flag.code == remark.flag.code && gathered.flag.quantity == remark.flag.quantity &&
               gathered.flag.severity == remark.flag.severity;
      });
      Gathered& gathered = same != all.end() ? *same : all.emplace_back();
      gathered.flag = remark.flag;
      if (gathered.runs.empty() || gathered.runs.back() != &run) gathered.runs.push_back(&run);
    }
  }
  const auto rank = [](const Gathered& gathered) {
    using calib::Severity;
    if (ComesFirst(gathered.flag)) return 0;
    return gathered.flag.severity == Severity::kReject ? 1
           : gathered.flag.severity == Severity::kWarn ? 2
                                                       : 3;
  };
  std::stable_sort(all.begin(), all.end(), [&](const auto& a, const auto& b) { return rank(a) < rank(b); });
  return all;
}

}  // namespace

std::string ElementRunsHtml(const ElementReport& report, const std::set<std::size_t>& in_full) {
  if (report.runs.empty()) return "";
  std::string rows;
  for (std::size_t i = 0; i < report.runs.size(); ++i) {
    const ElementRun& run = report.runs[i];
    const bool counts = run.superseded_by.empty();
    const char* verdict = NameOf(run.run.GetVerdict());
    const std::string record = "<code>" + EscapeHtml(run.record) + "</code>";
    rows += fmt::format(
        "<tr{}><th scope=\"row\">{}</th><td>{}</td><td class=\"state {}\">{}</td><td>{}</td>{}</tr>",
        counts ? "" : " class=\"superseded\"", Date(run.date),
        in_full.contains(i) ? fmt::format("<a href=\"#run-{}\">{}</a>", i + 1, record) : record, verdict,
        counts ? verdict : fmt::format("<del>{}</del><small>superseded</small>", verdict),
        run.run.points.size(), RunCells(run.run));
    if (!counts)
      rows += fmt::format("<tr class=\"why\"><td colspan=\"{}\">{}</td></tr>", 4 + kRunColumns,
                          EscapeHtml(run.superseded_by));
  }
  std::string hint =
      "Oldest first. Range over the pressure points; ± u (k = 1) where it is one value. Flow area and "
      "discharge "
      "coefficient from all points of a run together.";
  if (in_full.size() < report.runs.size())
    hint += fmt::format(
        " To keep this page small, {} of the {} runs are shown in full further down: those with a link, the "
        "latest first.",
        in_full.size(), report.runs.size());
  return "<section><h2>Runs</h2><p class=\"hint\">" + hint + "</p>" +
         Scrolled(
             "Table of runs",
             "<table class=\"day\"><thead><tr><th scope=\"col\">Date</th><th scope=\"col\">Record</th><th "
             "scope=\"col\">Verdict</th><th scope=\"col\">Points</th>" +
                 RunColumnHeads() + "</tr></thead><tbody>" + rows + "</tbody></table>") +
         "</section>";
}

std::string ElementViewsHtml(const ElementReport& report) {
  std::map<std::string, ViewsOfDay> days;
  for (const ElementRun& run : report.runs) {
    if (!run.superseded_by.empty()) continue;
    ViewsOfDay& day = days[run.date];
    day.date = run.date.empty() ? "no date" : run.date;
    day.runs.push_back(&run.run);
  }
  std::vector<ViewsOfDay> in_order;
  for (auto& [date, day] : days) in_order.push_back(std::move(day));
  return ViewsHtml("Seen from several sides", in_order);
}

std::string ElementRemarksHtml(const ElementReport& report) {
  std::size_t counting = 0;
  std::string shown, notes;
  int note_count = 0;
  for (const Gathered& gathered : GatheredRemarks(report, counting)) {
    std::string about = gathered.flag.quantity ? QuantityInWords(*gathered.flag.quantity) + "; " : "";
    about += fmt::format("{} of {} run{}", gathered.runs.size(), counting, counting == 1 ? "" : "s");
    const ElementRun& latest = *gathered.runs.back();
    const std::string& name = latest.date.empty() ? latest.record : latest.date;
    if (!name.empty()) about += (gathered.runs.size() > 1 ? ", last " : ", ") + name;
    if (gathered.flag.severity == calib::Severity::kInfo && !ComesFirst(gathered.flag)) {
      notes += RemarkHtml(gathered.flag, about);
      ++note_count;
    } else {
      shown += RemarkHtml(gathered.flag, about);
    }
  }
  if (counting == 0) return "";
  std::string out = "<section><h2>Remarks of the runs</h2>";
  out += shown.empty() ? "<p>No run that counts has a warning.</p>"
                       : "<p class=\"hint\">Each kind once, in the words of the latest run that has it.</p>"
                         "<ul class=\"remarks\">" +
                             shown + "</ul>";
  if (note_count > 0)
    out += fmt::format(
        "<details><summary>{} note{} on what was assumed or found</summary><ul "
        "class=\"remarks\">{}</ul></details>",
        note_count, note_count == 1 ? "" : "s", notes);
  return out + "</section>";
}

std::string ElementFactsHtml(const ElementReport& report) {
  if (report.facts.empty()) return "";
  std::string rows;
  bool disputed = false;
  for (const ElementFact& fact : report.facts) {
    disputed = disputed || fact.disputed;
    rows += fmt::format("<tr><th scope=\"row\">{}</th><td>{}{}</td><td>{}</td></tr>", EscapeHtml(fact.name),
                        EscapeHtml(fact.value), fact.disputed ? " <b class=\"disputed\">disputed</b>" : "",
                        FileNameHtml(fact.from));
  }
  return std::string("<section><h2>Facts</h2>") +
         (disputed
              ? "<p>Where a fact is disputed, two statements on record differ and neither supersedes the "
                "other: find out which one holds, and supersede the other with a reason.</p>"
              : "") +
         Scrolled("Facts about the element", "<table class=\"facts\">" + Head({"Fact", "Value", "From"}) +
                                                 "<tbody>" + rows + "</tbody></table>") +
         "</section>";
}

std::string ElementStockHtml(const ElementReport& report) {
  if (report.stock.empty()) return "";
  std::string rows;
  for (const StockEvent& event : report.stock)
    rows += fmt::format("<tr><th scope=\"row\">{}</th><td>{}</td><td>{}</td></tr>", Date(event.date),
                        EscapeHtml(event.state), EscapeHtml(event.words));
  return "<section><h2>Stock history</h2>" +
         Scrolled("Stock history", "<table class=\"facts\">" + Head({"Date", "State", "Where and what"}) +
                                       "<tbody>" + rows + "</tbody></table>") +
         "</section>";
}

std::string EarlierResultsHtml(const ElementReport& report) {
  if (report.earlier.empty()) return "";
  std::string rows;
  for (const EarlierPoint& point : report.earlier) {
    rows += "<tr><th scope=\"row\">" + Date(point.date) + "</th><td class=\"imported\">imported</td>" +
            "<td class=\"text\">" + FileNameHtml(point.source) + "</td>" + EarlierCell(point.pressure_bar) +
            EarlierCell(point.flow_kg_s, 1000.0) + EarlierCell(point.flow_area_mm2) + EarlierCell(point.cd) +
            EarlierCell(point.half_angle_deg) + Cell(EscapeHtml(point.liquid)) +
            (point.temperature_c ? Cell(fmt::format("{:.1f}", *point.temperature_c))
                                 : std::string("<td class=\"none\">none</td>")) +
            "</tr>";
  }
  return "<section><h2>Earlier results, imported</h2><p class=\"hint\">Taken over from tables as they were "
         "stated; not measured by this program, and marked wherever they appear.</p>" +
         Scrolled(
             "Earlier results, imported",
             "<table class=\"day\">" +
                 Head({"Date", "Origin", "Table", "Pressure drop<small>bar</small>",
                       "Mass flow<small>g/s</small>", "Flow area<small>mm²</small>", "Cd<small>1</small>",
                       "Half angle<small>°</small>", "Liquid", "Temperature<small>°C</small>"}) +
                 "<tbody>" + rows + "</tbody></table>") +
         "</section>";
}

}  // namespace conebook::src

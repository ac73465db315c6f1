#include <algorithm>
#include <array>
#include <set>

#include <fmt/format.h>

#include "src/report/chart.h"
#include "src/report/control_chart.h"
#include "src/report/html.h"
#include "src/report/page.h"
#include "src/report/page_budget.h"
#include "src/report/remarks.h"
#include "src/report/report.h"
#include "src/report/run_section.h"
#include "src/report/run_table.h"
#include "src/report/views_section.h"

namespace conebook::src {
namespace {

constexpr std::size_t kPictureBytes = 900'000;

std::string DayRow(const DayEntry& entry, std::size_t number, bool linked) {
  const std::string clip = entry.clip.empty() ? "flow only" : FileNameHtml(entry.clip);
  if (!entry.run)
    return fmt::format(
        "<tr><th scope=\"row\">{}</th><td class=\"text\">{}</td><td class=\"text\">{}</td><td "
        "class=\"rejected\">not tried</td>"
        "<td colspan=\"{}\" class=\"none\">{}</td></tr>",
        EscapeHtml(entry.element), FileNameHtml(entry.batch), clip, kRunColumns, EscapeHtml(entry.error));
  const Run& run = *entry.run;
  const char* verdict = NameOf(run.GetVerdict());
  const std::string name = EscapeHtml(run.element);
  return fmt::format(
      "<tr><th scope=\"row\">{}</th><td class=\"text\">{}</td><td class=\"text\">{}</td><td "
      "class=\"{}\">{}</td>{}</tr>",
      linked ? fmt::format("<a href=\"#run-{}\">{}</a>", number, name) : name, FileNameHtml(run.batch), clip,
      verdict, verdict, RunCells(run));
}

std::string Section(const Run& run, std::size_t number, Detail detail, std::size_t picture_bytes) {
  RunSectionOptions options;
  options.prefix = fmt::format("r{}-", number);
  options.title_tag = "h2";
  options.picture_bytes = picture_bytes;
  options.detail = detail;
  return fmt::format(
      "<article id=\"run-{}\">{}<p class=\"hint\"><a href=\"#day\">To the table of the day</a></p></article>",
      number, RunSectionHtml(run, options));
}

struct Sections {
  std::string html;
  std::set<std::size_t> numbers;  // of the entries, from 1, that have one
};

// The runs of a day are equals: all in the same detail, the richest that fits. Where not even the numbers of
// all fit, the last ones stand in the table alone.
Sections SectionsOf(const DayReport& day, std::size_t runs, std::size_t most_bytes) {
  const std::size_t picture_bytes = kPictureBytes / std::max<std::size_t>(1, runs);
  Sections sections;
  for (const Detail detail : {Detail::kFull, Detail::kLean, Detail::kNumbers}) {
    sections = {};
    bool fits = true;
    for (std::size_t i = 0; i < day.entries.size() && fits; ++i) {
      if (!day.entries[i].run) continue;
      const std::string html = Section(*day.entries[i].run, i + 1, detail, picture_bytes);
      fits = sections.html.size() + html.size() <= most_bytes;
      if (!fits) break;
      sections.html += html;
      sections.numbers.insert(i + 1);
    }
    if (fits) break;
  }
  return sections;
}

// One date, or from when to when.
std::string DatesOf(const DayReport& day) {
  std::set<std::string> dates;
  for (const DayEntry& entry : day.entries)
    if (entry.run && entry.run->date) dates.insert(*entry.run->date);
  if (dates.empty()) return "not stated";
  return DateSpanHtml(*dates.begin(), *dates.rbegin());
}

std::string Banners(const DayReport& day) {
  std::string banners;
  for (std::size_t i = 0; i < day.entries.size(); ++i) {
    if (!day.entries[i].run) continue;
    const std::string banner = RatedBanner(*day.entries[i].run);
    if (!banner.empty())
      banners +=
          fmt::format("<p class=\"of\">Element {}</p>", EscapeHtml(day.entries[i].run->element)) + banner;
  }
  return banners;
}

std::string TitleBlock(const DayReport& day) {
  std::size_t runs = 0, errors = 0;
  std::array<int, 3> verdicts{};
  for (const DayEntry& entry : day.entries) {
    if (!entry.run) {
      ++errors;
      continue;
    }
    ++runs;
    ++verdicts[static_cast<std::size_t>(entry.run->GetVerdict())];
  }
  std::string cells = TitleCell("Date", DatesOf(day)) + FileTitleCell("Sheet", day.sheet_path) +
                      TitleCell("Runs", fmt::format("{}", runs));
  for (const Verdict verdict : {Verdict::kOk, Verdict::kFlagged, Verdict::kRejected})
    cells += TitleCell(NameOf(verdict), fmt::format("{}", verdicts[static_cast<std::size_t>(verdict)]));
  if (errors > 0) cells += TitleCell("bad input", fmt::format("{}", errors));
  const auto warned = [](const auto& check) {
    return std::any_of(check.flags.begin(), check.flags.end(),
                       [](const calib::Flag& flag) { return flag.severity == calib::Severity::kWarn; });
  };
  if (std::any_of(day.checks.begin(), day.checks.end(), warned) ||
      std::any_of(day.meter_checks.begin(), day.meter_checks.end(), warned))
    cells += TitleCell("Stand", "flagged");
  return fmt::format(
      "<header class=\"block\" id=\"day\"><div class=\"what\"><span>Test "
      "day</span><h1>{}</h1></div>{}</header>",
      EscapeHtml(day.name.empty() ? "Test day" : day.name), cells);
}

// Whether the stand still reads what it read.
std::string ChecksSection(const DayReport& day) {
  if (day.checks.empty()) return "";
  std::string items, charts;
  for (const ElementCheck& check : day.checks) {
    std::vector<CheckFlow> today;
    for (const calib::Quantity& area : check.today_mm2) today.push_back({check.date, area});
    if (const auto chart = ControlChart(check.element, check.earlier, today, check.limits))
      charts += ChartHtml(*chart);
    items += "<li>" + EscapeHtml(InWords(check)) + "</li>";
    for (const calib::Flag& flag : check.flags)
      items += fmt::format("<li><strong>{}</strong> ({}). {}</li>", EscapeHtml(flag.message), flag.code,
                           EscapeHtml(flag.advice));
  }
  return "<section><h2>Check element</h2><p class=\"hint\">Flowed first and last, it tells whether meter, "
         "sensor "
         "and line still read the same. Control limits: individuals chart, ISO 7870-2.</p><ul>" +
         items + "</ul>" + (charts.empty() ? "" : "<div class=\"charts wide\">" + charts + "</div>") +
         "</section>";
}

// Whether meter and bucket agree.
std::string MeterSection(const DayReport& day) {
  if (day.meter_checks.empty()) return "";
  std::string items;
  for (const MeterCheck& check : day.meter_checks) {
    items += "<li>" + EscapeHtml(InWords(check)) + "</li>";
    for (const calib::Flag& flag : check.flags)
      items += fmt::format("<li><strong>{}</strong> ({}). {}</li>", EscapeHtml(flag.message), flag.code,
                           EscapeHtml(flag.advice));
  }
  return "<section><h2>Bucket against meter</h2><p class=\"hint\">One element, one day, both ways. E_n, the "
         "normalised error of ISO/IEC 17043: the difference over the expanded uncertainties (k = 2) of both "
         "together; beyond 1 they do not agree.</p><ul>" +
         items + "</ul></section>";
}

}  // namespace

std::vector<const Run*> RunsOf(const DayReport& day) {
  std::vector<const Run*> runs;
  for (const DayEntry& entry : day.entries) {
    if (entry.run) runs.push_back(&*entry.run);
  }
  return runs;
}

std::string RenderDayReportHtml(const DayReport& day) {
  const auto runs = static_cast<std::size_t>(
      std::count_if(day.entries.begin(), day.entries.end(), [](const DayEntry& e) { return e.run; }));
  const std::string head = Banners(day) + TitleBlock(day);
  const std::string views = ChecksSection(day) + MeterSection(day) +
                            ViewsHtml("Elements seen from several sides", {{"", RunsOf(day)}});
  const auto rows_of = [&](const std::set<std::size_t>& linked) {
    std::string rows;
    for (std::size_t i = 0; i < day.entries.size(); ++i)
      rows += DayRow(day.entries[i], i + 1, linked.contains(i + 1));
    return rows;
  };
  constexpr std::size_t kLinkBytes = 40, kTableBytes = 2'000;
  const std::size_t rest = head.size() + views.size() + rows_of({}).size() + kLinkBytes * runs + kTableBytes;
  const Sections sections = SectionsOf(day, runs, BytesForRuns(rest));
  std::string hint =
      "Range over the pressure points; ± u (k = 1) where it is one value. Flow area and discharge "
      "coefficient "
      "from all points of a run together.";
  if (sections.numbers.size() < runs)
    hint += " To keep this page small, only the runs with a link are shown in full.";
  const std::string table =
      "<section><h2>Runs</h2><p class=\"hint\">" + hint +
      "</p><div class=\"scroll\" tabindex=\"0\" role=\"region\" aria-label=\"Table of runs\"><table "
      "class=\"day\"><thead><tr><th scope=\"col\">Element</th><th scope=\"col\">Batch</th><th "
      "scope=\"col\">Clip</th><th scope=\"col\">Verdict</th>" +
      RunColumnHeads() + "</tr></thead><tbody>" + rows_of(sections.numbers) +
      "</tbody></table></div></section>";
  return Page((day.name.empty() ? "Test day" : day.name) + ": spray measurements",
              head + table + views + sections.html);
}

}  // namespace conebook::src

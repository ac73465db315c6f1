#include "src/report/element_report.h"

#include <algorithm>
#include <set>

#include <fmt/format.h>

#include "src/report/chart.h"
#include "src/report/element_charts.h"
#include "src/report/element_tables.h"
#include "src/report/html.h"
#include "src/report/page.h"
#include "src/report/page_budget.h"
#include "src/report/pictures.h"
#include "src/report/remarks.h"
#include "src/report/run_section.h"

namespace conebook::src {
namespace {

constexpr std::size_t kTopPictureBytes = 200'000;
constexpr std::size_t kLatestPictureBytes = 300'000;
constexpr std::size_t kOlderPictureBytes = 60'000;
constexpr std::size_t kMostRows = 500;  // in any table

const ElementRun* LatestThatCounts(const ElementReport& report) {
  for (auto run = report.runs.rbegin(); run != report.runs.rend(); ++run)
    if (run->superseded_by.empty()) return &*run;
  return nullptr;
}

std::string LatestSpray(const ElementReport& report) {
  for (auto run = report.runs.rbegin(); run != report.runs.rend(); ++run) {
    if (!run->superseded_by.empty() || run->run.GetVerdict() == Verdict::kRejected) continue;
    const std::optional<int> point = PointForLargePicture(run->run);
    if (!point) continue;
    const std::string from = "Run " + (run->date.empty() ? "without a date" : "of " + run->date) +
                             (run->record.empty() ? "" : ", record " + run->record) + ".";
    return "<section class=\"pictures\"><h2>Latest spray</h2><p class=\"hint\">" + EscapeHtml(from) + "</p>" +
           LeadPictureHtml(run->run, *point, kTopPictureBytes) + "</section>";
  }
  return "";
}

std::string DatesOf(const ElementReport& report) {
  std::set<std::string> dates;
  for (const ElementRun& run : report.runs)
    if (!run.date.empty()) dates.insert(run.date);
  if (dates.empty()) return "not stated";
  return DateSpanHtml(*dates.begin(), *dates.rbegin());
}

std::string TitleBlock(const ElementReport& report) {
  const auto superseded = std::count_if(report.runs.begin(), report.runs.end(),
                                        [](const ElementRun& run) { return !run.superseded_by.empty(); });
  std::string runs = fmt::format("{}", report.runs.size() - static_cast<std::size_t>(superseded));
  if (superseded > 0) runs += fmt::format("<small>and {} superseded</small>", superseded);
  std::string cells = TitleCell("Batch", report.batch.empty() ? "not stated" : FileNameHtml(report.batch)) +
                      TitleCell("Runs", runs) + TitleCell("Dates", DatesOf(report));
  if (!report.earlier.empty())
    cells += TitleCell(
        "Imported", fmt::format("{} point{}", report.earlier.size(), report.earlier.size() == 1 ? "" : "s"));
  if (!report.stock.empty()) {
    const StockEvent& last = report.stock.back();
    cells +=
        TitleCell("Stock", EscapeHtml(last.state) +
                               (last.words.empty() ? "" : "<small>" + EscapeHtml(last.words) + "</small>"));
  }
  const ElementRun* latest = LatestThatCounts(report);
  const std::string verdict = latest ? NameOf(latest->run.GetVerdict()) : "none";
  return fmt::format(
      "<header class=\"block\" id=\"element\"><div class=\"what\"><span>Element record</span><h1>Element "
      "{}</h1></div><div class=\"stamp {}\"><span>Latest verdict</span><b>{}</b></div>{}</header>",
      EscapeHtml(report.element), verdict, verdict, cells);
}

// The latest warning in full, the others by number: no page may begin with sixty of them. A superseded run
// warns in its own section.
std::string Banner(const ElementReport& report) {
  std::string latest, name;
  int runs = 0;
  for (const ElementRun& run : report.runs) {
    const std::string banner = run.superseded_by.empty() ? RatedBanner(run.run) : "";
    if (banner.empty()) continue;
    ++runs;
    latest = banner;
    name = run.date.empty() ? "record " + run.record : run.date;
  }
  if (runs == 0) return "";
  return "<p class=\"of\">Run of " + EscapeHtml(name) +
         (runs > 1 ? fmt::format(", the latest of {} runs above rated pressure", runs) : "") + "</p>" +
         latest;
}

std::string ChartsHtml(const ElementReport& report) {
  std::string charts;
  for (const Chart& chart : ElementCharts(report)) charts += ChartHtml(chart);
  return charts.empty()
             ? ""
             : "<section><h2>Over all runs</h2><div class=\"charts\">" + charts + "</div></section>";
}

std::string RunArticle(const ElementRun& run, std::size_t number, Detail detail, std::size_t picture_bytes) {
  RunSectionOptions options;
  options.prefix = fmt::format("r{}-", number);
  options.title_tag = "h2";
  options.picture_bytes = picture_bytes;
  options.detail = detail;
  options.record = run.record;
  options.superseded_by = run.superseded_by;
  return fmt::format(
      "<article id=\"run-{}\">{}<p class=\"hint\"><a href=\"#element\">To the top of the "
      "page</a></p></article>",
      number, RunSectionHtml(run.run, options));
}

struct Articles {
  std::string html;
  std::set<std::size_t> runs;
};

// The latest first and in full; the older ones as much of them as there is room for.
Articles ArticlesOf(const ElementReport& report, std::size_t room) {
  Articles articles;
  for (const Detail older : {Detail::kFull, Detail::kLean}) {
    articles = {};
    for (std::size_t i = report.runs.size(); i-- > 0;) {
      const bool latest = articles.runs.empty();
      const std::string article = RunArticle(report.runs[i], i + 1, latest ? Detail::kFull : older,
                                             latest ? kLatestPictureBytes : kOlderPictureBytes);
      if (articles.html.size() + article.size() > room) break;
      articles.html += article;
      articles.runs.insert(i);
    }
    if (articles.runs.size() == report.runs.size()) break;
  }
  return articles;
}

// Of a very long history the latest part.
template <typename Items>
std::size_t KeepLatest(Items& items) {
  const std::size_t left_out = items.size() > kMostRows ? items.size() - kMostRows : 0;
  items.erase(items.begin(), items.begin() + static_cast<std::ptrdiff_t>(left_out));
  return left_out;
}

std::string LeftOutHtml(std::size_t count, const char* what) {
  return count == 0 ? ""
                    : fmt::format("<p class=\"hint\">{} older {} are on record and not on this page.</p>",
                                  count, what);
}

}  // namespace

std::string RenderElementReportHtml(const ElementReport& whole) {
  ElementReport report = whole;
  const std::string left_out = LeftOutHtml(KeepLatest(report.runs), "runs") +
                               LeftOutHtml(KeepLatest(report.earlier), "imported results") +
                               LeftOutHtml(KeepLatest(report.stock), "changes of stock");
  const std::string head = Banner(report) + TitleBlock(report) + LatestSpray(report);
  const std::string rest = (left_out.empty() ? "" : "<section><h2>Left out</h2>" + left_out + "</section>") +
                           ChartsHtml(report) + ElementViewsHtml(report) + ElementFactsHtml(report) +
                           ElementStockHtml(report) + EarlierResultsHtml(report) + ElementRemarksHtml(report);
  constexpr std::size_t kLinkBytes = 40;
  const std::size_t taken =
      head.size() + rest.size() + ElementRunsHtml(report, {}).size() + kLinkBytes * report.runs.size();
  const Articles articles = ArticlesOf(report, BytesForRuns(taken));
  return Page("Element " + report.element + (report.batch.empty() ? "" : ", batch " + report.batch) +
                  ": all on record",
              head + ElementRunsHtml(report, articles.runs) + rest + articles.html);
}

}  // namespace conebook::src

#include "src/report/report.h"

#include <algorithm>
#include <array>
#include <string_view>
#include <utility>

#include <fmt/format.h>
#include <opencv2/imgcodecs.hpp>
#include <opencv2/imgproc.hpp>

#include "src/report/assets.h"
#include "src/report/charts.h"
#include "src/report/digits.h"
#include "src/report/html.h"
#include "src/report/overlay.h"
#include "src/report/point_table.h"

namespace conebook::src {
namespace {

using calib::Flag;
using calib::Quantity;
using calib::Severity;

// Plotly takes 1.2 MB of the 3 MB that a page may have; base64 adds a third to a picture.
constexpr std::size_t kPictureBytes = 900'000;
constexpr std::size_t kLeastPictureBytes = 12'000;
constexpr std::string_view kRatedCode = "above_rated_pressure";

std::string Code(const std::string& text) {
  return "<code>" + EscapeHtml(text) + "</code>";
}

// Grey JPEG of at most about max_bytes: first poorer, then smaller.
std::string PictureUri(cv::Mat picture, int max_width, std::size_t max_bytes) {
  if (picture.cols > max_width)
    cv::resize(picture, picture, {max_width, std::max(1, picture.rows * max_width / picture.cols)}, 0, 0,
               cv::INTER_AREA);
  std::vector<unsigned char> bytes;
  for (int round = 0; round < 8; ++round) {
    for (const int quality : {88, 75, 60}) {
      cv::imencode(".jpg", picture, bytes, {cv::IMWRITE_JPEG_QUALITY, quality});
      if (bytes.size() <= max_bytes) return "data:image/jpeg;base64," + Base64(bytes);
    }
    if (picture.cols < 160) break;
    cv::resize(picture, picture, {picture.cols * 3 / 4, std::max(1, picture.rows * 3 / 4)}, 0, 0,
               cv::INTER_AREA);
  }
  return "data:image/jpeg;base64," + Base64(bytes);
}

cv::Mat GreyEightBit(const cv::Mat& still) {
  cv::Mat grey = still;
  if (grey.channels() == 3) cv::cvtColor(grey, grey, cv::COLOR_BGR2GRAY);
  if (grey.depth() == CV_16U) grey.convertTo(grey, CV_8U, 1.0 / 257.0);
  return grey;
}

// What the picture shows, for those who cannot see it.
std::string PictureWords(const Run& run, int point) {
  const vision::SprayPoint& spray = run.points[static_cast<std::size_t>(point)].spray;
  std::string words = "Frame of the spray at " + PointInWords(run, point);
  if (spray.half_angle)
    words += ": boundary and fitted lines, half angle left " + ValueWithU(spray.half_angle->left_deg) +
             " degrees, right " + ValueWithU(spray.half_angle->right_deg) + " degrees";
  if (spray.breakup_mm) words += ", breakup at " + ValueWithU(*spray.breakup_mm) + " mm";
  return words + ".";
}

std::string PictureHtml(const Run& run, int point, bool large, std::size_t max_bytes) {
  const Point& shown = run.points[static_cast<std::size_t>(point)];
  const cv::Mat grey = GreyEightBit(shown.spray.still);
  const Overlay overlay = BuildOverlay(run, shown, grey.size());
  const std::string words = PictureWords(run, point);
  std::string caption = PointInWords(run, point);
  caption.front() = 'P';
  if (shown.spray.half_angle) caption += ": half angle " + ValueWithU(shown.spray.half_angle->mean_deg) + "°";
  if (shown.spray.breakup_mm) caption += ", breakup " + ValueWithU(*shown.spray.breakup_mm) + " mm";
  return fmt::format(
      "<figure class=\"{}\"><div class=\"picture\" style=\"aspect-ratio:{}/{};--ratio:{:.4f}\"><img "
      "alt=\"{}\" "
      "src=\"{}\">{}</div><figcaption>{}</figcaption></figure>",
      large ? "large" : "small", overlay.crop.width, overlay.crop.height,
      static_cast<double>(overlay.crop.width) / overlay.crop.height, EscapeHtml(words),
      PictureUri(grey(overlay.crop).clone(), large ? 1280 : 720, max_bytes),
      OverlaySvg(overlay, "Drawn in: " + words), EscapeHtml(caption));
}

std::string LegendHtml() {
  static constexpr std::array<std::pair<Ink, const char*>, 4> kEntries{
      std::pair{Ink::kBoundary, "visible boundary, median of the frames"},
      std::pair{Ink::kLine, "fitted lines; dashed: carried on"},
      std::pair{Ink::kStation, "stations, near and far"}, std::pair{Ink::kBreakup, "end of the sheet"}};
  std::string out = "<ul class=\"legend\">";
  for (const auto& [ink, words] : kEntries) {
    const InkStyle style = StyleOf(ink, false);
    std::string dash;
    for (const double length : style.dash) dash += fmt::format("{:g} ", length * 0.6);
    out += fmt::format(
        "<li><svg width=\"40\" height=\"10\" aria-hidden=\"true\"><rect width=\"40\" height=\"10\" "
        "fill=\"#333\"/><path "
        "d=\"M2 5H38\" stroke=\"{}\" stroke-width=\"{:.1f}\" stroke-dasharray=\"{}\"/></svg>{}</li>",
        style.colour, style.width * 0.8, dash, words);
  }
  return out + "</ul>";
}

// The point that shows most: angle and breakup both there, most frames; nothing when no point has a picture.
std::optional<int> PointForLargePicture(const Run& run) {
  std::optional<int> best;
  int best_rank = -1;
  std::int64_t best_frames = -1;
  for (std::size_t i = 0; i < run.points.size(); ++i) {
    const vision::SprayPoint& spray = run.points[i].spray;
    if (spray.still.empty()) continue;
    const int rank = (spray.half_angle ? 2 : 0) + (spray.breakup_mm ? 1 : 0);
    if (rank > best_rank || (rank == best_rank && spray.frames > best_frames)) {
      best = static_cast<int>(i);
      best_rank = rank;
      best_frames = spray.frames;
    }
  }
  return best;
}

std::string PicturesHtml(const Run& run, std::size_t picture_bytes) {
  const std::optional<int> first = PointForLargePicture(run);
  if (!first) return "";
  std::vector<int> others;
  for (int i = 0; i < static_cast<int>(run.points.size()); ++i)
    if (i != *first && !run.points[static_cast<std::size_t>(i)].spray.still.empty()) others.push_back(i);
  const std::size_t share = std::max(kLeastPictureBytes, picture_bytes / (others.size() + 3));
  std::string out = "<section class=\"pictures\"><h2>Picture</h2><div class=\"lead\">" +
                    PictureHtml(run, *first, true, others.empty() ? picture_bytes * 2 / 3 : 3 * share) +
                    LegendHtml() + "</div>";
  if (!others.empty()) {
    out += "<div class=\"others\">";
    for (const int i : others) out += PictureHtml(run, i, false, share);
    out += "</div>";
  }
  return out + "</section>";
}

const char* VerdictSentence(Verdict verdict) {
  switch (verdict) {
    case Verdict::kOk:
      return "Measured, nothing to remark.";
    case Verdict::kFlagged:
      return "Measured. Read the remarks before using the numbers.";
    case Verdict::kRejected:
      return "Not measured: the footage cannot support a number.";
  }
  return "";
}

// Flags that say the same of several points are one remark.
struct Remark {
  Flag flag;
  std::vector<int> points;
};

std::vector<Remark> RemarksOf(const Run& run) {
  std::vector<Remark> remarks;
  for (const Flag& flag : run.flags) {
    const auto same = std::find_if(remarks.begin(), remarks.end(), [&](const Remark& remark) {
      return remark.flag.code == flag.code && remark.flag.quantity == flag.quantity &&
             remark.flag.message == flag.message && remark.flag.severity == flag.severity &&
             remark.flag.point.has_value() == flag.point.has_value();
    });
    Remark& remark = same != remarks.end() ? *same : remarks.emplace_back(Remark{flag, {}});
    if (flag.point) remark.points.push_back(*flag.point);
  }
  const auto rank = [](const Remark& remark) {
    if (remark.flag.code == kRatedCode) return 0;
    return remark.flag.severity == Severity::kReject ? 1 : remark.flag.severity == Severity::kWarn ? 2 : 3;
  };
  std::stable_sort(remarks.begin(), remarks.end(),
                   [&](const Remark& a, const Remark& b) { return rank(a) < rank(b); });
  return remarks;
}

std::string RemarkHtml(const Run& run, const Remark& remark) {
  static constexpr std::array<std::pair<const char*, const char*>, 3> kWords{
      std::pair{"info", "Note"}, std::pair{"warn", "Warning"}, std::pair{"reject", "Refused"}};
  const auto& [name, word] = kWords[static_cast<std::size_t>(remark.flag.severity)];
  std::string about;
  for (std::size_t i = 0; i < remark.points.size(); ++i)
    about += (i ? ", " : "") + PointInWords(run, remark.points[i]);
  if (remark.flag.quantity) about += (about.empty() ? "" : ": ") + QuantityInWords(*remark.flag.quantity);
  return fmt::format("<li class=\"{}\"><p><b>{}</b> {}<span class=\"about\">{}</span></p><p>{}</p>{}</li>",
                     name, word, Code(remark.flag.code), EscapeHtml(about), EscapeHtml(remark.flag.message),
                     remark.flag.advice.empty() ? ""
                                                : "<p class=\"advice\"><b>What to do:</b> " +
                                                      EscapeHtml(remark.flag.advice) + "</p>");
}

std::string VerdictHtml(const Run& run) {
  const Verdict verdict = run.GetVerdict();
  std::string shown, notes;
  int note_count = 0;
  for (const Remark& remark : RemarksOf(run)) {
    if (remark.flag.severity == Severity::kInfo && remark.flag.code != kRatedCode) {
      notes += RemarkHtml(run, remark);
      ++note_count;
    } else {
      shown += RemarkHtml(run, remark);
    }
  }
  std::string out = fmt::format("<section class=\"verdict {}\"><h2>Verdict</h2><p class=\"sentence\">{}</p>",
                                NameOf(verdict), VerdictSentence(verdict));
  if (!shown.empty()) out += "<ul class=\"remarks\">" + shown + "</ul>";
  if (note_count > 0)
    out += fmt::format(
        "<details><summary>{} note{} on what was assumed or found</summary><ul class=\"remarks\">{}</ul>"
        "</details>",
        note_count, note_count == 1 ? "" : "s", notes);
  return out + "</section>";
}

// First in every output: no reader may come to the numbers before it.
std::string RatedBanner(const Run& run) {
  for (const Remark& remark : RemarksOf(run))
    if (remark.flag.code == kRatedCode)
      return fmt::format("<div class=\"banner\" role=\"alert\"><b>Above rated pressure.</b> {} {}</div>",
                         EscapeHtml(remark.flag.message), EscapeHtml(remark.flag.advice));
  return "";
}

std::string FlowLawHtml(const Run& run) {
  if (!run.flow_law) return "";
  std::string items;
  const auto add = [&](const char* label, const std::optional<Quantity>& quantity, const char* unit) {
    if (quantity)
      items += fmt::format("<div><dt>{}</dt><dd>{}{}{} <span class=\"iv\">95 %: {}</span></dd></div>", label,
                           ValueWithU(*quantity), *unit ? " " : "", unit, IntervalText(*quantity));
  };
  add("Flow area, all points", run.flow_law->flow_area_mm2, "mm²");
  add("Discharge coefficient, all points", run.flow_law->cd, "");
  add("Exponent of a free power fit (square-root law: 0.5)", run.flow_law->exponent, "");
  return items.empty() ? "" : "<dl class=\"law\">" + items + "</dl>";
}

std::string PointsHtml(const Run& run, const std::string& prefix) {
  if (run.points.empty()) return "";
  std::string out = "<section><h2>Pressure points</h2>";
  if (!run.footage)
    out += "<p class=\"hint\">Flow only: there was no clip, so there are no angles and no breakup.</p>";
  if (!run.log && run.trace.time_s.empty())
    out +=
        "<p class=\"hint\">No stand log: the one point is the steady spray, without pressure and flow unless "
        "the "
        "sheet states them.</p>";
  return out + PointTableHtml(run, prefix) + FlowLawHtml(run) + "</section>";
}

std::string ChartsHtml(const Run& run) {
  std::string measured, traces;
  for (const Chart& chart : ChartsOf(run)) {
    std::string& into = chart.key == "log" || chart.key == "frames" ? traces : measured;
    const char* hint =
        chart.key == "log"      ? "Shaded: the pressure points. Bar: the clip. A clip that was tied to the "
                                  "log wrongly shows here."
        : chart.key == "frames" ? "Scatter of single frames; a line per frame reads 0.1° to 0.2° off the "
                                  "point's value and is never mixed with it."
                                : "Bars: 95 % intervals.";
    into += fmt::format(
        "<figure class=\"chart {0}\"><h3>{1}</h3><div class=\"plot\" role=\"img\" aria-label=\"{2}\"></div>"
        "<script type=\"application/json\">{3}</script><figcaption>{4}</figcaption></figure>",
        chart.key, chart.title, EscapeHtml(chart.words), chart.json, hint);
  }
  std::string out;
  if (!measured.empty())
    out += "<section><h2>Against pressure drop</h2><div class=\"charts\">" + measured + "</div></section>";
  if (!traces.empty())
    out += "<section><h2>In time</h2><div class=\"charts wide\">" + traces + "</div></section>";
  return out;
}

std::string Entry(const std::string& term, const std::string& html) {
  return "<div><dt>" + term + "</dt><dd>" + html + "</dd></div>";
}

std::string FileEntry(const std::string& term, const InputFile& file) {
  return Entry(term, EscapeHtml(file.path) + "<small>SHA-256 " + Code(file.sha256) + "</small>");
}

std::string InputsHtml(const Run& run) {
  std::string list;
  if (run.footage) {
    list += FileEntry("Footage", *run.footage);
    std::string facts = fmt::format("{} × {} px, {} frames, {:.2f} s", run.clip.width_px, run.clip.height_px,
                                    run.clip.frames, run.clip.duration_s);
    facts += run.clip.spray_start_s ? fmt::format("; first spray frame at {:.3f} s", *run.clip.spray_start_s)
                                    : "; spray on from the first frame";
    if (run.clip.illumination)
      facts += fmt::format("; {}, {}",
                           *run.clip.illumination == vision::Illumination::kBacklit ? "backlit" : "frontlit",
                           run.clip.illumination_stated ? "stated" : "decided from the footage");
    list += Entry("Clip", facts);
  }
  if (run.log) list += FileEntry("Stand log", *run.log);
  list += FileEntry("Rig", {run.rig_path, run.rig_sha256});
  for (const InputFile& file : run.calibrations) list += FileEntry("Calibration", file);
  if (run.px_per_mm) list += Entry("Scale at the exit", ValueWithU(*run.px_per_mm) + " px/mm");
  if (run.near_mm && run.far_mm)
    list += Entry("Stations", fmt::format("{:.3g} and {:.3g} {}", *run.near_mm, *run.far_mm,
                                          run.has_scale ? "mm" : "exit diameters"));
  if (run.sync)
    list += Entry(
        "Log time less video time",
        fmt::format("{} s ({})", ValueWithU(run.sync->log_minus_video_s), EscapeHtml(run.sync->method)));
  list += Entry("Program", EscapeHtml("conebook " + run.program_version + ", build " + run.program_build));
  std::string out = "<section><h2>Inputs</h2><dl class=\"inputs\">" + list + "</dl>";
  if (!run.settings_json.empty())
    out += "<details><summary>Settings that can change a number</summary><pre>" +
           EscapeHtml(IndentJson(run.settings_json)) + "</pre></details>";
  return out + "</section>";
}

std::string TitleBlock(const Run& run, const char* tag) {
  const auto cell = [](const char* name, const std::string& html) {
    return fmt::format("<div><span>{}</span><b>{}</b></div>", name, html);
  };
  const Verdict verdict = run.GetVerdict();
  std::string cells = cell("Batch", run.batch.empty() ? "not stated" : EscapeHtml(run.batch));
  if (!run.kind.empty()) {
    std::string kind = run.kind;
    std::replace(kind.begin(), kind.end(), '_', ' ');
    cells += cell("Kind", EscapeHtml(kind));
  }
  cells += cell("Footage", run.footage ? EscapeHtml(run.footage->path) : "none: flow only");
  cells += cell("Stand log", run.log ? EscapeHtml(run.log->path) : "none");
  cells += cell("Pressure points", fmt::format("{}", run.points.size()));
  return fmt::format(
      "<header class=\"block\"><div class=\"what\"><span>Spray measurement</span><{0}>Element {1}</{0}></div>"
      "<div class=\"stamp {2}\"><span>Verdict</span><b>{2}</b></div>{3}</header>",
      tag, EscapeHtml(run.element), NameOf(verdict), cells);
}

std::string RunBody(const Run& run, const std::string& prefix, const char* title_tag,
                    std::size_t picture_bytes) {
  std::string out = RatedBanner(run) + TitleBlock(run, title_tag);
  // A refusal comes before whatever picture there may be.
  if (run.GetVerdict() == Verdict::kRejected) {
    out += VerdictHtml(run) + PicturesHtml(run, picture_bytes);
  } else {
    out += PicturesHtml(run, picture_bytes) + VerdictHtml(run);
  }
  out += PointsHtml(run, prefix) + ChartsHtml(run);
  const std::string budget = BudgetHtml(run);
  if (!budget.empty())
    out +=
        "<section class=\"budgets\"><h2>What makes up u</h2><p class=\"hint\">Largest first. \"Shared "
        "within\" says "
        "which results have that error in common.</p>" +
        budget + "</section>";
  return out + InputsHtml(run);
}

std::string Page(const std::string& title, const std::string& body) {
  std::string out =
      "<!DOCTYPE html>\n<html lang=\"en\"><head><meta charset=\"utf-8\"><meta name=\"viewport\" "
      "content=\"width=device-width, initial-scale=1\"><meta name=\"color-scheme\" content=\"light dark\">"
      "<title>" +
      EscapeHtml(title) + "</title>\n<style>";
  out += ReportStyle();
  out += "</style></head>\n<body><main>" + body +
         "</main>\n<footer><p><b>Cautions.</b> A cold-flow stand is a pressure vessel with jets: stay below "
         "the rated "
         "pressure of its weakest part, keep out of line with elements and fittings, wear eye protection, "
         "depressurise "
         "before touching anything; mist of flammable or harmful liquids and lamps near water can kill. This "
         "page "
         "reports what a picture and a log show; it does not say that an element, a stand or an engine is "
         "safe. Local "
         "codes and licensed practice come first.</p><p>± gives the standard uncertainty u (k = 1) after "
         "JCGM 100:2008; "
         "intervals are two-sided with 95 % coverage. Half angles are half of the full cone "
         "angle.</p></footer>\n"
         "<noscript><p class=\"hint\">The charts need scripts; the tables hold the same "
         "numbers.</p></noscript>\n";
  // A page without charts stays light.
  if (body.find("<script type=\"application/json\">") != std::string::npos) {
    out += "<script>";
    out += PlotlyBundle();
    out += "</script>\n";
  }
  out += "<script>";
  out += ReportScript();
  return out + "</script></body></html>\n";
}

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

std::string DayRow(const DayEntry& entry, std::size_t number) {
  const std::string clip = EscapeHtml(entry.clip.empty() ? "flow only" : entry.clip);
  if (!entry.run)
    return fmt::format(
        "<tr><th scope=\"row\">{}</th><td>{}</td><td>{}</td><td class=\"rejected\">not tried</td>"
        "<td colspan=\"5\" class=\"none\">{}</td></tr>",
        EscapeHtml(entry.element), EscapeHtml(entry.batch), clip, EscapeHtml(entry.error));
  const Run& run = *entry.run;
  const char* verdict = NameOf(run.GetVerdict());
  std::string cells;
  if (run.points.empty()) {
    std::string why;
    for (const Remark& remark : RemarksOf(run))
      if (remark.flag.severity == Severity::kReject) why += (why.empty() ? "" : " ") + remark.flag.message;
    cells = "<td colspan=\"5\" class=\"none\">" + EscapeHtml(why) + "</td>";
  } else {
    const auto cell = [&](const auto& of) { cells += "<td>" + RangeText(run, of) + "</td>"; };
    cell([](const Point& p) { return p.pressure_bar; });
    cell([](const Point& p) {
      return p.spray.half_angle ? std::optional(p.spray.half_angle->mean_deg) : std::nullopt;
    });
    cell([](const Point& p) { return p.spray.breakup_mm; });
    if (run.flow_law && run.flow_law->flow_area_mm2)
      cells += "<td>" + ValueWithU(*run.flow_law->flow_area_mm2) + "</td>";
    else
      cell([](const Point& p) { return p.flow_area_mm2; });
    if (run.flow_law && run.flow_law->cd)
      cells += "<td>" + ValueWithU(*run.flow_law->cd) + "</td>";
    else
      cell([](const Point& p) { return p.cd ? std::optional(p.cd->cd) : std::nullopt; });
  }
  return fmt::format(
      "<tr><th scope=\"row\"><a href=\"#run-{}\">{}</a></th><td>{}</td><td>{}</td><td class=\"{}\">{}</td>"
      "{}</tr>",
      number, EscapeHtml(run.element), EscapeHtml(run.batch), clip, verdict, verdict, cells);
}

}  // namespace

std::string RenderReportHtml(const Run& run) {
  return Page(
      "Element " + run.element + (run.batch.empty() ? "" : ", batch " + run.batch) + ": spray measurement",
      "<article>" + RunBody(run, "r1-", "h1", kPictureBytes) + "</article>");
}

std::string RenderDayReportHtml(const DayReport& day) {
  std::size_t runs = 0;
  std::array<int, 3> verdicts{};
  int errors = 0;
  std::string banners, rows, articles;
  for (const DayEntry& entry : day.entries) {
    if (!entry.run) {
      ++errors;
      continue;
    }
    ++runs;
    ++verdicts[static_cast<std::size_t>(entry.run->GetVerdict())];
  }
  std::size_t number = 0;
  for (const DayEntry& entry : day.entries) {
    rows += DayRow(entry, ++number);
    if (!entry.run) continue;
    const std::string banner = RatedBanner(*entry.run);
    if (!banner.empty())
      banners +=
          fmt::format("<p><a href=\"#run-{}\">Element {}</a></p>", number, EscapeHtml(entry.run->element)) +
          banner;
    articles += fmt::format(
        "<article id=\"run-{}\">{}<p class=\"hint\"><a href=\"#day\">To the table of the day</a></p>"
        "</article>",
        number,
        RunBody(*entry.run, fmt::format("r{}-", number), "h2",
                std::max(kLeastPictureBytes, kPictureBytes / std::max<std::size_t>(1, runs))));
  }
  const std::string body =
      banners +
      fmt::format(
          "<header class=\"block\" id=\"day\"><div class=\"what\"><span>Test day</span><h1>{}</h1></div>"
          "<div><span>Sheet</span><b>{}</b></div><div><span>Runs</span><b>{}</b></div><div><span>ok</"
          "span><b>{}</b></div>"
          "<div><span>flagged</span><b>{}</b></div><div><span>rejected</span><b>{}</b></div>{}</header>",
          EscapeHtml(day.name.empty() ? "Test day" : day.name), EscapeHtml(day.sheet_path), runs, verdicts[0],
          verdicts[1], verdicts[2],
          errors ? fmt::format("<div><span>bad input</span><b>{}</b></div>", errors) : std::string()) +
      "<section><h2>Runs</h2><p class=\"hint\">Range over the pressure points; ± u (k = 1) where it is one "
      "value. Flow "
      "area and discharge coefficient from all points of a run together.</p>"
      "<div class=\"scroll\" tabindex=\"0\" role=\"region\" aria-label=\"Table of runs\"><table "
      "class=\"day\"><thead><tr>"
      "<th scope=\"col\">Element</th><th scope=\"col\">Batch</th><th scope=\"col\">Clip</th><th "
      "scope=\"col\">Verdict</th>"
      "<th scope=\"col\">Pressure drop<small>bar</small></th><th scope=\"col\">Half-cone "
      "angle<small>°</small></th><th scope=\"col\">Breakup length<small>mm</small></th>"
      "<th scope=\"col\">Flow area<small>mm²</small></th><th "
      "scope=\"col\">Cd<small>1</small></th></tr></thead><tbody>" +
      rows + "</tbody></table></div></section>" + articles;
  return Page((day.name.empty() ? "Test day" : day.name) + ": spray measurements", body);
}

}  // namespace conebook::src

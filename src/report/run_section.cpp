#include "src/report/run_section.h"

#include <algorithm>
#include <numbers>
#include <optional>
#include <vector>

#include <fmt/format.h>

#include "src/report/charts.h"
#include "src/report/circuit_section.h"
#include "src/report/digits.h"
#include "src/report/drop_section.h"
#include "src/report/html.h"
#include "src/report/motion_section.h"
#include "src/report/page.h"
#include "src/report/pictures.h"
#include "src/report/point_table.h"
#include "src/report/remarks.h"
#include "src/report/spread_section.h"

namespace conebook::src {
namespace {

using calib::Quantity;

constexpr std::size_t kLeanReadings = 300;

std::string FlowLawHtml(const Run& run) {
  std::string items;
  const auto add = [&](const char* label, const std::optional<Quantity>& quantity, const char* unit) {
    if (quantity)
      items += fmt::format("<div><dt>{0}</dt><dd>{1}{2} <span class=\"iv\">95 %: {3}{2}</span></dd></div>",
                           label, ValueWithU(*quantity), unit, IntervalText(*quantity));
  };
  if (run.flow_law) {
    add("Flow area, all points", run.flow_law->flow_area_mm2, " mm²");
    add("Discharge coefficient, all points", run.flow_law->cd, "");
    add("Exponent of a free power fit (square-root law: 0.5)", run.flow_law->exponent, "");
  }
  if (run.flow_hysteresis)
    add("Flow area, falling less rising", run.flow_hysteresis->flow_area_percent, " %");
  return items.empty() ? "" : "<dl class=\"law\">" + items + "</dl>";
}

const char* TheoryWords(const std::string& quantity) {
  if (quantity == "cd") return "Cd on the exit area";
  return quantity == "d32_um" ? "D32, µm" : "cone half angle, deg";
}

// One row a relation; the points' values across. The measured values stand in the table of points.
std::string TheoryHtml(const Run& run) {
  std::vector<const TheoryLine*> relations;
  const auto same = [](const TheoryLine& a, const TheoryLine& b) {
    return a.quantity == b.quantity && a.relation == b.relation;
  };
  std::string head = "<tr><th>Relation</th><th>says of</th>";
  for (const Point& point : run.points) {
    head += point.pressure_bar ? fmt::format("<th>{:.3g} bar</th>", point.pressure_bar->value) : "<th></th>";
    for (const TheoryLine& line : point.theory) {
      const bool known = std::any_of(relations.begin(), relations.end(),
                                     [&](const TheoryLine* other) { return same(*other, line); });
      if (!known) relations.push_back(&line);
    }
  }
  if (relations.empty()) return "";
  const auto exit_area = std::numbers::pi / 4.0 * run.exit_diameter_mm * run.exit_diameter_mm;
  std::string rows;
  const auto add = [&](const std::string& name, const char* of, const auto& value_of, bool always) {
    std::string cells;
    bool any = always;
    for (const Point& point : run.points) {
      const std::optional<Quantity> value = value_of(point);
      any = any || value.has_value();
      cells += "<td>" + (value ? ValueWithU(*value) : std::string()) + "</td>";
    }
    if (any) rows += "<tr><th>" + name + "</th><td>" + of + "</td>" + cells + "</tr>";
  };
  add(
      "Measured", "Cd on the exit area",
      [&](const Point& point) {
        if (point.cd && point.cd->area == "exit") return std::optional(point.cd->cd);
        if (!point.flow_area_mm2) return std::optional<Quantity>();
        Quantity cd = *point.flow_area_mm2;
        cd.value /= exit_area;
        cd.u /= exit_area;
        return std::optional(cd);
      },
      false);
  add(
      "Measured", "cone half angle, deg", [](const Point& point) { return point.spray.cone_half_angle_deg; },
      false);
  add(
      "Measured<small>drops in space, above the cut-off</small>", "D32, µm",
      [](const Point& point) { return point.drops ? std::optional(point.drops->d32_um) : std::nullopt; },
      false);
  for (const TheoryLine* line : relations) {
    add(
        EscapeHtml(line->relation) + "<small>" + EscapeHtml(line->range) + "</small>",
        TheoryWords(line->quantity),
        [&](const Point& point) {
          for (const TheoryLine& of : point.theory) {
            if (same(of, *line)) return std::optional(of.value);
          }
          return std::optional<Quantity>();
        },
        true);
  }
  return "<section><h2>Theory beside it</h2><p class=\"hint\">Published relations, from the geometry that "
         "the rig "
         "states, the liquid, and for D32 the measured flow and pressure drop. u is that of these alone, not "
         "of the "
         "relation: relations of Cd and angle differ among themselves by tens of per cent, those of D32 by a "
         "factor "
         "of two, and they count drops that pass, not drops in space.</p><div class=\"scroll\" "
         "tabindex=\"0\" "
         "role=\"region\" aria-label=\"Theory beside the measured values\"><table class=\"theory\"><thead>" +
         head + "</tr></thead><tbody>" + rows + "</tbody></table></div></section>";
}

// The plate against its elements, one row each.
std::string PlateHtml(const Run& run) {
  if (!run.plate) return "";
  std::string rows;
  const auto add = [&](const std::string& name, const std::string& from,
                       const std::optional<Quantity>& area) {
    rows += "<tr><th scope=\"row\">" + name + "</th><td>" + from + "</td><td>" +
            (area ? ValueWithU(*area) : std::string("<span class=\"none\">none on record</span>")) +
            "</td></tr>";
  };
  for (const PlateElement& element : run.plate->elements) {
    std::string from = EscapeHtml(element.date);
    if (!element.record.empty())
      from += (from.empty() ? "" : ", ") + ("<code>" + element.record.substr(0, 12) + "</code>");
    add("Element " + EscapeHtml(element.element), from, element.flow_area_mm2);
  }
  if (run.plate->sum_mm2) add("All elements", "sum", run.plate->sum_mm2);
  if (run.flow_law) add("Plate", "this run", run.flow_law->flow_area_mm2);
  std::string out =
      "<section><h2>Plate and elements</h2><div class=\"scroll\" tabindex=\"0\" role=\"region\" "
      "aria-label=\"Flow areas of plate and elements\"><table class=\"theory\"><thead><tr><th></th><th>Run"
      "</th><th>Flow area, mm²</th></tr></thead><tbody>" +
      rows + "</tbody></table></div>";
  if (const std::optional<Quantity>& off = run.plate->difference_percent) {
    out += fmt::format(
        "<p>The plate passes {} % of the elements' sum more (less, where negative); 95 %: {} %. What both "
        "share, the same meter and sensor, cancels.</p>",
        ValueWithU(*off), IntervalText(*off));
  }
  return out + "</section>";
}

std::string PointsHtml(const Run& run, const std::string& prefix) {
  if (run.points.empty()) return "";
  std::string out = "<section><h2>Pressure points</h2>";
  if (!run.footage)
    out += "<p class=\"hint\">Flow only: there was no clip, so there are no angles and no breakup.</p>";
  if (!run.log && run.trace.time_s.empty()) {
    const bool by_hand = std::any_of(run.points.begin(), run.points.end(),
                                     [](const Point& p) { return p.pressure_bar.has_value(); });
    out += by_hand
               ? "<p class=\"hint\">No stand log: pressure and flow are the readings that the sheet "
                 "states.</p>"
               : "<p class=\"hint\">No stand log: the one point is the steady spray, without pressure and "
                 "flow.</p>";
  }
  return out + PointTableHtml(run, prefix) + FlowLawHtml(run) + "</section>";
}

std::string Entry(const std::string& term, const std::string& html) {
  return "<div><dt>" + term + "</dt><dd>" + html + "</dd></div>";
}

std::string FileEntry(const std::string& term, const InputFile& file) {
  std::string html = FileNameHtml(file.path);
  if (!file.sha256.empty()) html += "<small>SHA-256 <code>" + EscapeHtml(file.sha256) + "</code></small>";
  return Entry(term, html);
}

std::string InputsHtml(const Run& run, Detail detail) {
  std::string list;
  if (run.footage) {
    list += FileEntry("Footage", *run.footage);
    std::string facts = fmt::format("{} × {} px, {} frames, {:.2f} s", run.clip.width_px, run.clip.height_px,
                                    run.clip.frames, run.clip.duration_s);
    facts += run.clip.spray_start_s ? fmt::format("; first spray frame at {:.3f} s", *run.clip.spray_start_s)
                                    : "; the clip does not show the spray begin";
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
  if (detail == Detail::kFull && !run.settings_json.empty())
    out += "<details><summary>Settings that can change a number</summary><pre>" +
           EscapeHtml(IndentJson(run.settings_json)) + "</pre></details>";
  return out + "</section>";
}

std::string TitleBlock(const Run& run, const RunSectionOptions& options) {
  std::string cells;
  if (!options.record.empty())
    cells += TitleCell("Record", "<code>" + EscapeHtml(options.record) + "</code>");
  cells += TitleCell("Date", DateHtml(run));
  cells += TitleCell("Batch", run.batch.empty() ? "not stated" : FileNameHtml(run.batch));
  if (!run.kind.empty()) {
    std::string kind = run.kind;
    std::replace(kind.begin(), kind.end(), '_', ' ');
    cells += TitleCell("Kind", EscapeHtml(kind));
  }
  cells += FileTitleCell("Footage", run.footage ? run.footage->path : "none: flow only");
  cells += FileTitleCell("Stand log", run.log ? run.log->path : "none");
  cells += TitleCell("Points", fmt::format("{}", run.points.size()));
  return fmt::format(
      "<header class=\"block\"><div class=\"what\"><span>Spray measurement</span><{0}>Element {1}</{0}></div>"
      "<div class=\"stamp {2}\"><span>Verdict</span><b>{2}</b></div>{3}</header>",
      options.title_tag, EscapeHtml(run.element), NameOf(run.GetVerdict()), cells);
}

std::string ChartsHtml(const Run& run, Detail detail) {
  ChartOptions options;
  if (detail == Detail::kLean) options.readings = kLeanReadings;
  std::string measured, traces;
  for (const Chart& chart : ChartsOf(run, options)) (chart.in_time ? traces : measured) += ChartHtml(chart);
  std::string out;
  if (!measured.empty())
    out += "<section><h2>Against pressure drop</h2><div class=\"charts\">" + measured + "</div></section>";
  if (!traces.empty())
    out += "<section><h2>In time</h2><div class=\"charts wide\">" + traces + "</div></section>";
  return out;
}

const char* LeftOut(Detail detail) {
  switch (detail) {
    case Detail::kFull:
      return "";
    case Detail::kLean:
      return "<p class=\"hint\">To keep this page small, one picture is shown, single readings are thinned, "
             "and "
             "the make-up of u is left out; the run's own page has them all.</p>";
    case Detail::kNumbers:
      return "<p class=\"hint\">To keep this page small, pictures, charts and the make-up of u are left out; "
             "the "
             "run's own page has them.</p>";
  }
  return "";
}

std::string PicturesFor(const Run& run, const RunSectionOptions& options) {
  if (options.detail == Detail::kFull) return PicturesHtml(run, options.picture_bytes);
  const std::optional<int> point = PointForLargePicture(run);
  if (options.detail == Detail::kNumbers || !point) return "";
  return "<section class=\"pictures\"><h2>Picture</h2>" +
         LeadPictureHtml(run, *point, options.picture_bytes) + "</section>";
}

}  // namespace

std::string DateHtml(const Run& run) {
  if (!run.date) return "not stated";
  const char* from = run.date_from == "log"       ? "from the log"
                     : run.date_from == "footage" ? "from the footage"
                     : run.date_from == "stated"  ? "stated"
                                                  : "";
  return "<span class=\"date\">" + EscapeHtml(*run.date) + "</span>" +
         (*from ? fmt::format("<small>{}</small>", from) : std::string());
}

std::string RunSectionHtml(const Run& run, const RunSectionOptions& options) {
  std::string out = RatedBanner(run) + TitleBlock(run, options);
  if (!options.superseded_by.empty())
    out += "<p class=\"void\"><b>No longer counted:</b> " + EscapeHtml(options.superseded_by) + "</p>";
  const std::string pictures = PicturesFor(run, options);
  // A refusal comes before whatever picture there may be.
  out += run.GetVerdict() == Verdict::kRejected ? VerdictHtml(run) + pictures : pictures + VerdictHtml(run);
  out += PointsHtml(run, options.prefix);
  out += DropsHtml(run, options.detail != Detail::kNumbers);
  if (options.detail != Detail::kNumbers) out += SpreadHtml(run, options.detail == Detail::kFull);
  if (options.detail == Detail::kFull) out += MotionHtml(run);
  out += CircuitsHtml(run) + PlateHtml(run);
  if (options.detail == Detail::kFull) out += TheoryHtml(run);
  if (options.detail != Detail::kNumbers) out += ChartsHtml(run, options.detail);
  const std::string budget = options.detail == Detail::kFull ? BudgetHtml(run) : "";
  if (!budget.empty())
    out +=
        "<section class=\"budgets\"><h2>What makes up u</h2><p class=\"hint\">Largest first. \"Shared "
        "within\" says which results have that error in common.</p>" +
        budget + "</section>";
  return out + InputsHtml(run, options.detail) + LeftOut(options.detail);
}

}  // namespace conebook::src

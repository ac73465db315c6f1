#include "src/report/size_page.h"

#include <algorithm>
#include <cmath>
#include <limits>

#include <fmt/format.h>

#include "src/report/chart.h"
#include "src/report/digits.h"
#include "src/report/html.h"
#include "src/report/page.h"
#include "src/report/size_drawing.h"

namespace conebook::src {
namespace {

constexpr std::size_t kMostTicks = 12;

struct Shown {
  const char* key;
  const char* name;  // "discharge coefficient"
  const char* axis;
  const SizeLaw& law;
  bool tangent;
};

std::string Of(const SizeValue& value, double scale = 1.0) {
  const int digits = DecimalsFor(value.u * scale);
  return fmt::format("{} <small>{:.{}f} to {:.{}f}</small>",
                     RoundByU(value.value * scale, value.u * scale).value, value.interval95.lo * scale,
                     digits, value.interval95.hi * scale, digits);
}

// The element's inlets scaled so that K is as wanted: what the law does along K with all else kept.
SizeGeometry WithK(SizeGeometry geometry, double k) {
  geometry.inlet.mm *= std::sqrt(k / calib::AtomizerConstant(AsSwirl(geometry)));
  return geometry;
}

Chart AgainstRecord(const SizeModel& model, const Shown& shown, const SizePrediction& prediction) {
  ChartData data;
  data.key = shown.key;
  data.x_title = "K = inlet area / (exit × chamber diameter)";
  data.y_title = shown.axis;
  Series measured, imported, law, interval, sized, sized_interval;
  measured.name = "on record";
  imported.name = "imported";
  imported.look = Look::kImported;
  imported.hue = 0;
  double k_lo = std::exp(prediction.groups[0]), k_hi = k_lo;
  for (std::size_t r = 0; r < shown.law.rows.size(); ++r) {
    const SizeRow& row = shown.law.rows[r];
    const double k = calib::AtomizerConstant(AsSwirl(model.record.elements[shown.law.elements[r]].geometry));
    Series& into = row.imported ? imported : measured;
    into.x.push_back(k);
    into.y.push_back(row.measured);
    into.ey.push_back(1.96 * row.u);
    k_lo = std::min(k_lo, k);
    k_hi = std::max(k_hi, k);
  }
  law.name = "law, else as the element sized";
  interval.name = "95 % for one element";
  law.look = Look::kCurve;
  interval.look = Look::kTrace;
  law.hue = 0;
  interval.hue = 4;
  std::vector<double> upper;
  constexpr int kSteps = 40;
  for (int s = 0; s <= kSteps; ++s) {
    const double k = k_lo / 1.15 * std::pow(1.15 * 1.15 * k_hi / k_lo, static_cast<double>(s) / kSteps);
    const SizePrediction at = PredictSize(model, WithK(prediction.geometry, k), prediction.flow);
    const SizeValue& value = shown.tangent ? at.cone_half_angle_deg : at.cd;
    law.x.push_back(k);
    law.y.push_back(value.value);
    interval.y.push_back(value.interval95.lo);
    upper.push_back(value.interval95.hi);
  }
  // Both ends as one series, parted by a gap.
  interval.x = law.x;
  interval.x.push_back(std::numeric_limits<double>::quiet_NaN());
  interval.y.push_back(std::numeric_limits<double>::quiet_NaN());
  interval.x.insert(interval.x.end(), law.x.begin(), law.x.end());
  interval.y.insert(interval.y.end(), upper.begin(), upper.end());
  const SizeValue& value = shown.tangent ? prediction.cone_half_angle_deg : prediction.cd;
  sized.name = "sized";
  sized.hue = 2;
  sized.x = {std::exp(prediction.groups[0])};
  sized.y = {value.value};
  // The interval lies about the value by factors: a line from end to end instead of a bar to both sides.
  sized_interval.name = "95 % of the sized one";
  sized_interval.look = Look::kTrace;
  sized_interval.hue = 2;
  sized_interval.x = {sized.x[0], sized.x[0]};
  sized_interval.y = {value.interval95.lo, value.interval95.hi};
  std::string words = fmt::format("{} against K, elements on record and the law. ", shown.name);
  data.series = {law, interval, sized_interval};
  for (const Series* series : {&measured, &imported, &sized}) {
    if (series->x.empty()) continue;
    words += InWords(*series, shown.tangent ? "degrees" : "");
    data.series.push_back(*series);
  }
  return {shown.key,
          fmt::format("{}, every element", shown.name),
          words,
          ChartJson(data),
          "Bars: 95 % of the measurement. Elements on record differ from the curve also by their other "
          "dimensions.",
          false,
          true};
}

Chart LeftOutChart(const Shown& shown) {
  ChartData data;
  data.key = std::string(shown.key) + "_left_out";
  data.x_title = std::string("measured ") + shown.axis;
  data.y_title = "foretold without it";
  Series points, missed, equal;
  points.name = "within the interval";
  missed.name = "outside it";
  missed.hue = 2;
  equal.name = "equal";
  equal.look = Look::kCurve;
  equal.hue = 0;
  double lowest = std::numeric_limits<double>::infinity(), highest = 0.0;
  for (const SizeRow& row : shown.law.rows) {
    Series& into = row.held ? points : missed;
    into.x.push_back(row.measured);
    into.y.push_back(row.left_out);
    into.ey.push_back(0.5 * (row.left_out95.hi - row.left_out95.lo));
    lowest = std::min({lowest, row.measured, row.left_out});
    highest = std::max({highest, row.measured, row.left_out});
  }
  equal.x = equal.y = {lowest, highest};
  std::string words =
      fmt::format("{} of each element as the others foretell it, against what was measured. ", shown.name);
  data.series.push_back(equal);
  for (const Series* series : {&points, &missed}) {
    if (series->x.empty()) continue;
    words += InWords(*series, shown.tangent ? "degrees" : "");
    data.series.push_back(*series);
  }
  return {data.key, fmt::format("{}, each left out in turn", shown.name), words, ChartJson(data),
          fmt::format(
              "{} of {} within their 95 % intervals; rms {}{}. Elements of its batch stay in: a new batch is "
              "foretold less well, and its interval says so.",
              shown.law.left_out_held, shown.law.rows.size(), PercentText(shown.law.left_out_rms),
              shown.tangent ? " of the tangent" : "")};
}

std::string RemarksHtml(const std::vector<SizeRemark>& remarks) {
  std::string out = "<ul class=\"remarks\">";
  for (const bool warn : {true, false})
    for (const SizeRemark& remark : remarks)
      if (remark.warn == warn)
        out += fmt::format("<li class=\"{}\"><p><b>{}</b> {}</p></li>", warn ? "warn" : "info",
                           warn ? "Warning" : "Note", EscapeHtml(remark.text));
  return out + "</ul>";
}

std::string Header(const std::string& title, const SizeModel& model, const std::string& cells) {
  return "<header><div class=\"block\"><div class=\"what\"><h1>" + EscapeHtml(title) + "</h1></div>" + cells +
         TitleCell("Elements on record", fmt::format("{}", model.record.elements.size())) +
         "</div></header>\n";
}

std::string CautionsHtml() {
  std::string out = "<section><h2>What this does not say</h2><ul class=\"remarks\">";
  for (const std::string& caution : SizeCautions())
    out += "<li class=\"warn\"><p><b>Caution</b> " + EscapeHtml(caution) + "</p></li>";
  return out + "</ul></section>\n";
}

std::string PredictionTable(const SizePrediction& one) {
  const auto row = [](const char* name, const std::string& value, const char* unit, const std::string& beside,
                      const SizeValue& of) {
    return fmt::format(
        "<tr><th>{}</th><td class=\"v\">{}</td><td class=\"unit\">{}</td><td>{}</td><td>{}</td><td>{}</td>"
        "<td>{}</td><td>{}</td></tr>",
        name, value, unit, beside, PercentText(of.law_share), PercentText(of.batch_share),
        PercentText(of.element_share), PercentText(of.dimension_share));
  };
  return "<div class=\"scroll\" tabindex=\"0\" role=\"region\" aria-label=\"Prediction\"><table "
         "class=\"quantities\">"
         "<thead><tr><th>one element</th><th>value, 95 %</th><th>unit</th><th>theory "
         "alone</th><th>law</th><th>batch</th>"
         "<th>element</th><th>dimensions</th></tr></thead><tbody>" +
         row("flow", Of(one.flow_kg_s, 1000.0), "g/s", "", one.flow_kg_s) +
         row("flow area", Of(one.flow_area_mm2), "mm²", "", one.flow_area_mm2) +
         row("Cd on the exit area", Of(one.cd), "", fmt::format("{:.3g}", one.theory_cd), one.cd) +
         row("cone half angle", Of(one.cone_half_angle_deg), "degrees",
             fmt::format("{:.3g}", one.theory_half_angle_deg), one.cone_half_angle_deg) +
         "</tbody></table></div><p class=\"hint\">law, batch, element, dimensions: where the interval comes "
         "from, as "
         "standard deviations; of the angle, of its tangent.</p>";
}

std::string LawTable(const SizeModel& model) {
  const auto spread = [](double sd, const calib::Interval& interval) {
    return fmt::format("{} <small>{} to {}</small>", PercentText(sd), PercentText(interval.lo),
                       PercentText(interval.hi));
  };
  std::string out =
      "<div class=\"scroll\" tabindex=\"0\" role=\"region\" aria-label=\"Laws\"><table><thead><tr><th></th>"
      "<th>Cd</th><th>tangent of the cone half angle</th><th>prior of Cd, of the "
      "tangent</th></tr></thead><tbody>";
  const auto row = [&](const std::string& name, const auto& cell, const std::string& prior) {
    out += fmt::format("<tr><th>{}</th><td>{}</td><td>{}</td><td>{}</td></tr>", EscapeHtml(name),
                       cell(model.cd.fit), cell(model.tangent.fit), prior);
  };
  const SizePrior& prior = model.prior;
  row(
      "elements on record", [](const calib::LawFit& fit) { return fmt::format("{}", fit.rows); }, "");
  row(
      "times theory",
      [](const calib::LawFit& fit) {
        return fmt::format("{:.3f} ± {}", std::exp(fit.mean[0]),
                           PercentText(std::sqrt(fit.covariance(0, 0))));
      },
      fmt::format("1 ± {}, ± {}", PercentText(prior.cd_constant_sd), PercentText(prior.tangent_constant_sd)));
  for (std::size_t j = 0; j < kSizeGroups; ++j) {
    const auto at = static_cast<Eigen::Index>(j + 1);
    row(
        std::string("exponent of ") + NameOfGroup(j),
        [at](const calib::LawFit& fit) {
          return fmt::format("{:+.3f} ± {:.3f}", fit.mean[at], std::sqrt(fit.covariance(at, at)));
        },
        fmt::format("0 ± {:.2f}", prior.slope_sd[j]));
  }
  row(
      "element to element",
      [&](const calib::LawFit& fit) { return spread(fit.element_sd, fit.element_sd95); },
      fmt::format("some {}, {}", PercentText(prior.cd_element_sd), PercentText(prior.tangent_element_sd)));
  row(
      "batch to batch", [&](const calib::LawFit& fit) { return spread(fit.group_sd, fit.group_sd95); },
      "the same");
  return out +
         "</tbody></table></div><p class=\"hint\">Theory times a power law: the exponents are what is added "
         "to "
         "theory's own, 0 before any element was seen. ±: standard deviation. How far theory is trusted "
         "(prior) "
         "is common practice, no source.</p>";
}

std::string RecordTable(const SizeModel& model) {
  std::string out =
      "<details><summary>Every element, and those left aside</summary><div class=\"scroll\" tabindex=\"0\" "
      "role=\"region\" aria-label=\"Elements\"><table class=\"day\"><thead><tr><th>element</th><th>batch</th>"
      "<th>quantity</th><th>measured</th><th>foretold without it, 95 "
      "%</th><th>within</th></tr></thead><tbody>";
  for (const auto& [law, name, digits] :
       {std::tuple(&model.cd, "Cd", 4), std::tuple(&model.tangent, "cone half angle, degrees", 2)}) {
    for (const SizeRow& row : law->rows)
      out += fmt::format(
          "<tr><th>{}</th><td{}>{}</td><td>{}</td><td>{:.{}f}</td><td>{:.{}f} <small>{:.{}f} to {:.{}f}"
          "</small></td><td>{}</td></tr>",
          EscapeHtml(row.id), row.imported ? " class=\"imported\"" : "",
          EscapeHtml(row.batch) + (row.imported ? " (imported)" : ""), name, row.measured, digits,
          row.left_out, digits, row.left_out95.lo, digits, row.left_out95.hi, digits,
          row.held ? "yes" : "no");
  }
  for (const UnusedElement& element : model.record.unused)
    out += fmt::format("<tr><th>{}</th><td></td><td colspan=\"4\">not used: {}</td></tr>",
                       EscapeHtml(element.id), EscapeHtml(element.reason));
  return out + "</tbody></table></div></details>";
}

std::string Evidence(const SizeModel& model, const SizePrediction& prediction) {
  const Shown cd{"size_cd", "Discharge coefficient", "Cd on the exit area", model.cd, false};
  const Shown tangent{"size_angle", "Cone half angle", "cone half angle, degrees", model.tangent, true};
  std::string out = "<section><h2>Against the record</h2><div class=\"charts\">";
  for (const Shown* shown : {&cd, &tangent}) out += ChartHtml(AgainstRecord(model, *shown, prediction));
  for (const Shown* shown : {&cd, &tangent})
    if (!shown->law.rows.empty()) out += ChartHtml(LeftOutChart(*shown));
  return out + "</div></section>\n<section><h2>Laws</h2>" + LawTable(model) + RecordTable(model) +
         "</section>\n";
}

std::string CandidateTable(const Sizing& sizing) {
  std::string out =
      "<div class=\"scroll\" tabindex=\"0\" role=\"region\" aria-label=\"Candidates\"><table class=\"day\">"
      "<thead><tr><th>rank</th><th>number</th><th>exit, inlets, chamber</th><th>plate g/s</th><th>half angle "
      "°</th>"
      "<th>extrapolates</th><th>chance</th><th>layout</th><th>cones meet</th><th>wall "
      "met</th></tr></thead><tbody>";
  int rank = 0;
  const auto meets = [](const MeetsAt& at) {
    return fmt::format("{:.1f} <small>{:.1f} to {:.1f}</small>", at.mm, at.lo95_mm, at.hi95_mm);
  };
  for (const SizeCandidate& one : sizing.candidates) {
    const SizeGeometry& geometry = one.one.geometry;
    out += fmt::format(
        "<tr><td>{}</td><td>{}</td><td>{:g}, {} × {:g}, {:g}</td><td>{}</td><td>{}</td>"
        "<td class=\"text\">{}</td><td>{:.2f} <small>{:.2f} × "
        "{:.2f}</small></td><td>{}</td><td>{}</td><td>{}</td></tr>",
        ++rank, one.elements, geometry.exit.mm, geometry.inlets, geometry.inlet.mm, geometry.chamber.mm,
        Of(one.total_flow_kg_s, 1000.0), Of(one.one.cone_half_angle_deg), ReachInWords(one.one), one.score,
        one.flow_chance, one.angle_chance,
        one.elements == 1 ? std::string("middle")
                          : fmt::format("{} <small>pitch {:.1f} mm</small>", calib::NameOf(one.layout.kind),
                                        one.layout.least_pitch_mm),
        one.neighbours ? meets(*one.neighbours) : "none", meets(one.wall));
  }
  return out + "</tbody></table></div>";
}

std::string Drawings(const Sizing& sizing) {
  const SizeCandidate& first = sizing.candidates.front();
  std::string rings;
  for (const calib::Ring& ring : first.layout.rings)
    rings += fmt::format("{}{} at {:.1f} mm", rings.empty() ? "" : ", ", ring.count, ring.radius_mm);
  return fmt::format(
      "<section><h2>Layout of rank 1</h2><div class=\"charts\"><figure class=\"drawing\"><h3>From the "
      "chamber</h3>{}"
      "<figcaption>{}: {}. Filled: exits, circles: swirl chambers; orange: the least pitch, {}; inner "
      "dashes: as far out "
      "as an axis may stand.</figcaption></figure><figure class=\"drawing\"><h3>Cones from the "
      "side</h3>{}<figcaption>"
      "Straight-flying sheets in still air, dashed: 95 %. Below the plate they meet each other{} and the "
      "wall at the "
      "orange marks. The neighbours are drawn along the radius.</figcaption></figure></div><p>At the least "
      "pitch of {:g} "
      "mm the plate holds {} in rings and {} on a hexagonal lattice; no arrangement holds more than {} "
      "(Folkman and "
      "Graham's bound).</p></section>\n",
      PlateDrawing(sizing.target, first), calib::NameOf(first.layout.kind), rings,
      first.elements > 1 ? fmt::format("{:.1f} mm", first.layout.least_pitch_mm) : std::string("none"),
      ConesDrawing(sizing.target, first), first.neighbours ? "" : " (there is no neighbour)",
      sizing.target.least_pitch_mm, sizing.fullest_rings, sizing.fullest_hexagonal, sizing.most_that_fit);
}

std::string Making(const Sizing& sizing) {
  const SizeCandidate& first = sizing.candidates.front();
  std::string out = "<section><h2>Making and testing</h2>";
  out += fmt::format(
      "<p>Drilled to ± {:g} mm, each hole on its own, one element's flow differs from the next's by {} "
      "(standard "
      "deviation, {} drawn elements; {} to first order{}). With what elements on record have of their own: "
      "{}. If one "
      "drill makes all, its error moves the whole plate by {}.</p>",
      sizing.target.tolerance_mm, PercentText(first.drilling.drawn), first.drilling.draws,
      PercentText(first.drilling.linear),
      first.drilling.Agree() ? "" : "; the two differ, go by the drawn ones",
      PercentText(first.element_to_element), PercentText(first.drilling.common_drill));
  if (sizing.next)
    out += fmt::format(
        "<p><b>Make and test next:</b> {}{}. Of {} that can be made it narrows rank 1's prediction most: one "
        "more "
        "element's flow from ± {:.1f} to ± {:.1f} %, the tangent of its cone half angle from ± {:.1f} to ± "
        "{:.1f} % (95 %).</p>",
        InWords(sizing.next->geometry), sizing.next->is_the_candidate ? ", rank 1 itself" : "",
        sizing.next->considered, 100.0 * sizing.next->flow_now, 100.0 * sizing.next->flow_after,
        100.0 * sizing.next->tangent_now, 100.0 * sizing.next->tangent_after);
  return out + "</section>\n";
}

}  // namespace

std::string SizePage(const SizeModel& model, const SizePrediction& prediction) {
  const std::string title = "An element foretold";
  std::string body =
      Header(title, model,
             "<div class=\"long\"><span>Element</span><b>" + EscapeHtml(InWords(prediction.geometry)) +
                 "</b></div>" +
                 TitleCell("Pressure drop", fmt::format("{:g} bar", prediction.flow.pressure_drop_bar)) +
                 TitleCell("Liquid", EscapeHtml(prediction.flow.liquid)));
  body += "<section><h2>How far to trust it</h2>" + RemarksHtml(RemarksOn(model, prediction)) +
          (prediction.Outside() ? "" : "<p class=\"sentence\">Inside what is on record.</p>") +
          "</section>\n";
  body += "<section><h2>Prediction</h2>" + PredictionTable(prediction) + "</section>\n";
  return Page(title, body + Evidence(model, prediction) + CautionsHtml());
}

std::string SizePage(const SizeModel& model, const Sizing& sizing) {
  const SizeTarget& target = sizing.target;
  const std::string title = "A plate sized";
  std::string body = Header(
      title, model,
      TitleCell("Target", fmt::format("{:g} g/s at {:g} bar", 1000.0 * target.total_flow_kg_s,
                                      target.pressure_drop_bar)) +
          TitleCell("Cone half angle",
                    fmt::format("{:g} to {:g}°", target.angle_lo_deg, target.angle_hi_deg)) +
          TitleCell("Liquid", EscapeHtml(target.liquid.name.empty() ? "as stated" : target.liquid.name)) +
          TitleCell("Plate", fmt::format("{:g} mm", target.plate_diameter_mm)));
  body += "<section><h2>How far to trust it</h2>" + RemarksHtml(RemarksOn(model, sizing)) + "</section>\n";
  body += "<section><h2>Candidates</h2>";
  if (!sizing.candidates.empty())
    body += CandidateTable(sizing) + fmt::format(
                                         "<p class=\"hint\">Ranked by the chance (of flow × of angle) that "
                                         "the plate flows within {:g} % of the "
                                         "target and the cone half angle lies in its window, less where it "
                                         "extrapolates. All lengths in mm, "
                                         "intervals of 95 %.</p>",
                                         target.flow_within_percent);
  body += fmt::format("<p>{} combinations of drills.", sizing.combinations);
  for (const LeftOutCombination& one : sizing.left_out)
    body += fmt::format(" {} left out: {}.", one.count, EscapeHtml(one.reason));
  body += "</p></section>\n";
  if (!sizing.candidates.empty()) {
    body += Drawings(sizing);
    body += "<section><h2>One element of rank 1</h2>" + PredictionTable(sizing.candidates.front().one) +
            "</section>\n";
    body += Making(sizing) + Evidence(model, sizing.candidates.front().one);
  }
  if (target.gas_density_kg_m3) {
    body += "<section><h2>Theory ratios</h2><ul>";
    for (const std::string& ratio : TheoryRatios(*target.gas_density_kg_m3))
      body += "<li>" + EscapeHtml(ratio) + "</li>";
    body += "</ul></section>\n";
  }
  return Page(title, body + CautionsHtml());
}

}  // namespace conebook::src

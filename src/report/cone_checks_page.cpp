#include "src/report/cone_checks_page.h"

#include <cmath>

#include <fmt/format.h>

#include "src/report/chart.h"
#include "src/report/digits.h"
#include "src/report/html.h"
#include "src/report/page.h"

namespace conebook::src {
namespace {

constexpr std::size_t kMostTicks = 8;

Chart DifferenceChart(const std::vector<ConeCheck>& checks) {
  ChartData data;
  data.key = "cone_checks";
  data.x_title = "checks in order of date";
  data.y_title = "measured less known half angle, degrees";
  Series cones, triangles, known;
  cones.name = "turned cones";
  cones.hue = 1;
  triangles.name = "printed triangles";
  triangles.hue = 2;
  known.name = "known";
  known.look = Look::kCurve;
  known.hue = 0;
  for (std::size_t i = 0; i < checks.size(); ++i) {
    Series& series = checks[i].shape == "triangle" ? triangles : cones;
    series.x.push_back(static_cast<double>(i + 1));
    series.y.push_back(checks[i].Difference_deg());
    series.ey.push_back(Half95({checks[i].Difference_deg(), checks[i].U_deg(), calib::Quantity{}.dof, {}}));
  }
  data.range = std::pair{0.5, static_cast<double>(checks.size()) + 0.5};
  known.x = {data.range->first, data.range->second};
  known.y = {0.0, 0.0};
  std::string words =
      fmt::format("Measured less known half angle over {} checks in order of date. ", checks.size());
  data.series.push_back(known);
  for (Series* series : {&cones, &triangles}) {
    if (series->x.empty()) continue;
    words += InWords(*series, "degrees");
    data.series.push_back(*series);
  }
  const std::size_t step = ThinningStep(checks.size(), kMostTicks);
  // Counted from the last: the latest always has its date.
  for (std::size_t k = (checks.size() - 1) % step; k < checks.size(); k += step)
    data.ticks.emplace_back(static_cast<double>(k + 1), checks[k].date);
  return {"cone_checks", "Known cones, check by check", words, ChartJson(data),
          "Bars: 95 % intervals. Evenly spaced, whatever time lay between."};
}

}  // namespace

std::string RenderConeChecksHtml(const std::string& name, const std::vector<ConeCheck>& checks) {
  std::string body = "<h1>Checks with known cones</h1>\n<p>File: " + FileNameHtml(name) + "</p>\n";
  if (checks.empty()) {
    body += "<p>None yet.</p>\n";
    return Page("Checks with known cones", body);
  }
  // On its own: as wide as the page, above the table that holds the same numbers.
  body += "<section><h2>Over time</h2><div class=\"charts wide\">" + ChartHtml(DifferenceChart(checks)) +
          "</div></section>\n";
  body +=
      "<section><h2>All checks</h2><div "
      "class=\"scroll\" tabindex=\"0\" role=\"region\" aria-label=\"All "
      "checks\"><table><thead><tr><th>date</th><th>clip</th><th>shape</th>"
      "<th>known, degrees</th><th>measured, degrees</th><th>difference, degrees</th><th>within 2 u</th>"
      "<th>a tilt beyond would not explain it, degrees (95 %)</th></tr></thead><tbody>\n";
  for (const ConeCheck& check : checks) {
    const calib::Quantity difference{check.Difference_deg(), check.U_deg(), calib::Quantity{}.dof, {}};
    const bool within = std::abs(difference.value) <= 2.0 * difference.u;
    const std::string tilt = check.tilt_lo95_deg && check.tilt_hi95_deg
                                 ? fmt::format("{:.1f} to {:.1f}", *check.tilt_lo95_deg, *check.tilt_hi95_deg)
                                 : std::string("none would");
    body += fmt::format(
        "<tr><td>{}</td><td>{}</td><td>{}</td><td>{}</td><td>{}</td><td>{}</td><td>{}</td><td>{}</td></tr>\n",
        EscapeHtml(check.date), FileNameHtml(check.clip), EscapeHtml(check.shape),
        ValueWithU(check.known_deg), ValueWithU(check.measured_deg), ValueWithU(difference),
        within ? "yes" : "no", tilt);
  }
  body += "</tbody></table></div></section>\n";
  return Page("Checks with known cones", body);
}

}  // namespace conebook::src

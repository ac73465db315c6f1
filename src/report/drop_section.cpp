#include "src/report/drop_section.h"

#include <algorithm>
#include <cmath>
#include <optional>
#include <utility>
#include <vector>

#include <fmt/format.h>

#include "src/drop_window.h"
#include "src/report/chart.h"
#include "src/report/digits.h"
#include "src/report/html.h"

namespace conebook::src {
namespace {

std::string Row(const char* term, const char* hint, const calib::Quantity& quantity, const char* unit) {
  return fmt::format(
      "<tr><th scope=\"row\">{}<small>{}</small></th><td class=\"unit\">{}</td><td><span "
      "class=\"v\">{}</span>"
      "<span class=\"iv\">95 %: {}</span></td></tr>",
      term, hint, unit, ValueWithU(quantity), IntervalText(quantity));
}

std::string TableHtml(const DropSizes& d) {
  std::string rows;
  rows += Row("D32", "Sauter mean: volume over surface", d.d32_um, "µm");
  rows += Row("DV50", "half of the volume is in smaller drops", d.dv50_um, "µm");
  rows += Row("DV10", "a tenth of the volume", d.dv10_um, "µm");
  rows += Row("DV90", "nine tenths of the volume", d.dv90_um, "µm");
  rows += Row("Span", "(DV90 − DV10) / DV50", d.span, "1");
  rows += Row("D10", "mean by number", d.d10_um, "µm");
  rows += Row("D20", "mean by surface", d.d20_um, "µm");
  rows += Row("D30", "mean by volume", d.d30_um, "µm");
  rows += Row("D43", "mean weighted by volume", d.d43_um, "µm");
  rows += Row("DN50", "half of the drops are smaller", d.dn50_um, "µm");
  return "<div class=\"scroll\" tabindex=\"0\" role=\"region\" aria-label=\"Drop sizes\"><table "
         "class=\"points\">"
         "<thead><tr><th scope=\"col\">Quantity</th><th scope=\"col\">Unit</th><th "
         "scope=\"col\">Value</th></tr>"
         "</thead><tbody>" +
         rows + "</tbody></table></div>";
}

// Outline of the classes, as steps.
Series Steps(const char* name, const calib::DropHistogram& histogram, const std::vector<double>& share,
             int hue) {
  Series steps;
  steps.name = name;
  steps.look = Look::kTrace;
  steps.hue = hue;
  for (std::size_t k = 0; k < share.size(); ++k) {
    for (const double edge : {histogram.edge_um[k], histogram.edge_um[k + 1]}) {
      steps.x.push_back(edge);
      steps.y.push_back(100.0 * share[k]);
    }
  }
  return steps;
}

Chart ChartOf(const DropSizes& d) {
  ChartData data;
  data.key = "drops";
  data.x_title = "diameter, µm";
  data.y_title = "share, %";
  data.y2_title = "summed, %";
  data.y2_from_zero = true;
  data.series.push_back(Steps("by volume", d.histogram, d.histogram.volume_share, 1));
  data.series.push_back(Steps("by number", d.histogram, d.histogram.number_share, 2));
  Series sum;
  sum.name = "volume, summed";
  sum.look = Look::kTrace;
  sum.hue = 1;
  sum.panel = 2;
  double below = 0.0;
  for (std::size_t k = 0; k < d.histogram.volume_share.size(); ++k) {
    if (k == 0) {
      sum.x.push_back(d.histogram.edge_um.front());
      sum.y.push_back(0.0);
    }
    below += 100.0 * d.histogram.volume_share[k];
    sum.x.push_back(d.histogram.edge_um[k + 1]);
    sum.y.push_back(below);
  }
  data.series.push_back(std::move(sum));
  Chart chart;
  chart.key = data.key;
  chart.title = "Drop sizes";
  chart.words = fmt::format(
      "Shares of drops and of their volume in classes of equal ratio, from {:.0f} to {:.0f} micrometres; "
      "half of the "
      "volume is in drops smaller than {:.0f} micrometres.",
      d.histogram.edge_um.front(), d.histogram.edge_um.back(), d.dv50_um.value);
  chart.note =
      "Above: share of the drops, and of their volume, in each class; a few large drops hold most of the "
      "volume, so "
      "the two differ. Below: volume in smaller drops; where the curve "
      "passes 50 %, "
      "read DV50. It begins at the cut-off: smaller drops are not in it.";
  chart.json = ChartJson(data);
  return chart;
}

std::string FitsHtml(const DropSizes& d) {
  std::string out;
  if (d.log_normal) {
    out += fmt::format(
        "<li>Log-normal by number: median {:.1f} µm (u {:.1f}), geometric standard deviation "
        "e<sup>{:.3f}</sup> (u of "
        "the exponent {:.3f}); farthest from the drops' own curve: {:.0f} % of the volume</li>",
        d.log_normal->median_um, d.log_normal->u_median_um, d.log_normal->sigma_ln, d.log_normal->u_sigma_ln,
        100.0 * d.log_normal->largest_gap);
  }
  if (d.rosin_rammler) {
    out += fmt::format(
        "<li>Rosin-Rammler by volume: X {:.1f} µm (u {:.1f}), q {:.2f} (u {:.2f}); farthest from the drops' "
        "own curve: "
        "{:.0f} % of the volume</li>",
        d.rosin_rammler->x_um, d.rosin_rammler->u_x_um, d.rosin_rammler->q, d.rosin_rammler->u_q,
        100.0 * d.rosin_rammler->largest_gap);
  }
  return out.empty() ? "" : "<p>Fitted distributions:</p><ul>" + out + "</ul>";
}

std::string WindowInWords(const Point& point) {
  const std::optional<double> from_mm = DropWindowFromExitMm(point);
  return from_mm ? fmt::format(" below the sheet's end, from {:.3g} mm below the exit on", *from_mm) : "";
}

}  // namespace

std::string DropsHtml(const Run& run, bool with_charts) {
  std::string out;
  for (std::size_t k = 0; k < run.points.size(); ++k) {
    const Point& point = run.points[k];
    if (!point.drops) continue;
    const DropSizes& d = *point.drops;
    std::string title = "Drop sizes";
    if (run.points.size() > 1) title += fmt::format(", point {}", k + 1);
    if (point.pressure_bar) title += fmt::format(", {:.3g} bar", point.pressure_bar->value);
    out += "<section><h2>" + title + "</h2>";
    out += fmt::format(
        "<p><b>{}</b>: {} drops of {:.0f} µm and more in {} picture{}, in a window of {:.3g} × {:.3g} mm{}. "
        "Counted in "
        "space: slow drops weigh more here than in the flow.</p>",
        d.verdict == "resolved" ? "Resolved" : "Resolved in part", d.count, d.cutoff_um, d.pictures,
        d.pictures == 1 ? "" : "s", d.window_width_mm, d.window_height_mm, WindowInWords(point));
    out += TableHtml(d);
    if (d.speed) {
      out += fmt::format(
          "<p>Speed of the drops, median of {} followed over three frames: {} m/s, {:.0f}° {} of the spray's "
          "axis; "
          "single drops scatter by {:.2g} m/s. Unrelated pictures give {:.0f} % as many tracks by "
          "chance.</p>",
          d.speed->tracks, ValueWithU(d.speed->speed_m_s), std::abs(d.speed->direction_deg),
          d.speed->direction_deg < 0.0 ? "left" : "right", d.speed->scatter_m_s, 100.0 * d.speed->by_chance);
    }
    if (with_charts) out += "<div class=\"charts\">" + ChartHtml(ChartOf(d)) + "</div>";
    out += FitsHtml(d);
    out += fmt::format(
        "<p class=\"hint\">Left out: {} shadows below the cut-off, {} out of focus, {} that overlap, {} on "
        "the picture's "
        "border. What the last two take away from large drops more than from small ones is put back by "
        "weight. The largest "
        "drop, {:.0f} µm, holds {:.1f} % of the volume.</p></section>",
        d.below_cutoff, d.out_of_focus, d.crowded, d.at_border, d.largest_um, 100.0 * d.largest_volume_share);
  }
  return out;
}

}  // namespace conebook::src

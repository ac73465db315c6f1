#include "src/report/views_section.h"

#include <string>
#include <utility>

#include <fmt/format.h>

#include "src/report/chart.h"
#include "src/report/html.h"
#include "src/views.h"

namespace conebook::src {
namespace {

constexpr std::size_t kMostCharts = 6;

Chart MapChart(const ElementViews& views) {
  const calib::Circumferential& map = *views.map;
  ChartData data;
  data.key = "around";
  data.x_title = "azimuth from the datum mark, °";
  data.y_title = "extinction, over its mean around";
  data.range = std::pair{0.0, 360.0};
  for (const int quarter : {0, 90, 180, 270, 360}) data.ticks.push_back({quarter, std::to_string(quarter)});
  // Once around and back to where it began.
  const auto around = [](std::vector<double> values, double end) {
    values.push_back(end);
    return values;
  };
  AddBanded(data, "extinction", 1, around(map.azimuth_deg, 360.0), around(map.relative, map.relative.front()),
            around(map.u, map.u.front()));
  Chart chart;
  chart.key = data.key;
  chart.title = "Extinction around the cone, " + views.element;
  if (views.pressure_bar) chart.title += fmt::format(" at {:.2f} bar", *views.pressure_bar);
  chart.words = fmt::format("Extinction around the cone from {} views, uneven by {:.1f} %.",
                            views.rotation_deg.size(), 100.0 * map.unevenness);
  chart.note =
      "Level is an even spray. The band holds what these views do not tell. "
      "Features narrower than a twelfth of a turn are shown broader than they are. Extinction, not mass.";
  chart.json = ChartJson(data);
  return chart;
}

}  // namespace

std::string ViewsHtml(const std::string& heading, const std::vector<ViewsOfDay>& days) {
  std::string items, charts;
  std::size_t drawn = 0;
  for (const ViewsOfDay& day : days) {
    for (const ElementViews& views : ViewsOf(day.runs)) {
      items += "<li>" + EscapeHtml((day.date.empty() ? "" : day.date + ": ") + InWords(views)) + "</li>";
      if (views.map && drawn++ < kMostCharts) charts += ChartHtml(MapChart(views));
    }
  }
  if (items.empty()) return items;
  return "<section><h2>" + EscapeHtml(heading) +
         "</h2><p class=\"hint\">Azimuths count from the element's datum mark, counter-clockwise looking "
         "upstream at "
         "the exit.</p><ul>" +
         items + "</ul>" + (charts.empty() ? "" : "<div class=\"charts\">" + charts + "</div>") +
         "</section>";
}

}  // namespace conebook::src

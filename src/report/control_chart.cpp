#include "src/report/control_chart.h"

#include <algorithm>
#include <limits>

#include <fmt/format.h>

namespace conebook::src {
namespace {

constexpr std::size_t kMostTicks = 8;
constexpr std::size_t kMostFlows = 120;

// Three lines across, one entry of the legend.
Series Lines(const calib::ControlLimits& limits, double from, double to) {
  Series series;
  series.name = "centre and control limits";
  series.look = Look::kCurve;
  series.hue = 0;
  for (const double level : {limits.upper, limits.centre, limits.lower}) {
    for (const double x : {from, to}) {
      series.x.push_back(x);
      series.y.push_back(level);
    }
    // Not a number: the line ends there.
    series.x.push_back(to);
    series.y.push_back(std::numeric_limits<double>::quiet_NaN());
  }
  return series;
}

}  // namespace

std::optional<Chart> ControlChart(const std::string& element, const std::vector<CheckFlow>& earlier,
                                  const std::vector<CheckFlow>& last,
                                  const std::optional<calib::ControlLimits>& limits) {
  if (earlier.size() + last.size() < 2) return std::nullopt;
  ChartData data;
  data.key = "control";
  data.x_title = "flows in order";
  data.y_title = "flow area, mm²";
  // The latest of a long record: the limits are from all of it.
  const std::size_t from = earlier.size() > kMostFlows ? earlier.size() - kMostFlows : 0;
  const std::size_t count = earlier.size() - from + last.size();
  Series before, now, out;
  before.name = "earlier";
  before.hue = 1;
  now.name = "last day";
  now.hue = 2;
  out.name = "outside the limits";
  out.look = Look::kSuperseded;
  out.hue = 0;
  std::vector<std::string> dates;
  const auto add = [&](const CheckFlow& flow, Series& to) {
    dates.push_back(flow.date);
    const auto x = static_cast<double>(dates.size());
    to.x.push_back(x);
    to.y.push_back(flow.area_mm2.value);
    to.ey.push_back(2.0 * OwnUMm2(flow.area_mm2));
    if (!limits || limits->Hold(flow.area_mm2.value)) return;
    out.x.push_back(x);
    out.y.push_back(flow.area_mm2.value);
  };
  for (std::size_t i = from; i < earlier.size(); ++i) add(earlier[i], before);
  for (const CheckFlow& flow : last) add(flow, now);
  const double end = static_cast<double>(count) + 0.5;
  std::string words = fmt::format("Flow area of check element {}, flow by flow. ", element);
  if (limits) {
    data.series.push_back(Lines(*limits, 0.5, end));
    words += fmt::format("Centre {:.5g} mm², limits {:.5g} to {:.5g} mm². ", limits->centre, limits->lower,
                         limits->upper);
  }
  for (Series* series : {&before, &now, &out}) {
    if (series->x.empty()) continue;
    words += InWords(*series, "mm²");
    data.series.push_back(std::move(*series));
  }
  // The first flow of each day bears its date; a text of every one would not fit.
  std::vector<std::size_t> firsts;
  for (std::size_t k = 0; k < dates.size(); ++k) {
    if (!dates[k].empty() && (k == 0 || dates[k] != dates[k - 1])) firsts.push_back(k);
  }
  const std::size_t step = ThinningStep(firsts.size(), kMostTicks);
  for (std::size_t i = firsts.empty() ? 0 : (firsts.size() - 1) % step; i < firsts.size(); i += step)
    data.ticks.emplace_back(static_cast<double>(firsts[i] + 1), dates[firsts[i]]);
  data.range = std::pair{0.5, end};
  std::string note = "Bars: u of each flow's own, k = 2. ";
  note += limits ? fmt::format(
                       "Dashed: centre and control limits of the {} earlier flow{}, individuals chart "
                       "of ISO 7870-2 (three sigma from the mean difference of neighbours).",
                       earlier.size(), earlier.size() == 1 ? "" : "s")
                 : fmt::format("No limits: {} earlier flow{} on record, {} are needed.", earlier.size(),
                               earlier.size() == 1 ? "" : "s", calib::kLeastForLimits);
  if (from > 0) note += fmt::format(" Shown: the last {}.", count);
  return Chart{"control", "Control chart of check element " + element, words, ChartJson(data), note};
}

}  // namespace conebook::src

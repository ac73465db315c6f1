#include "src/report/charts.h"

#include <algorithm>
#include <cmath>
#include <functional>
#include <numeric>
#include <optional>
#include <utility>

#include <fmt/format.h>

#include "src/report/circuit_section.h"
#include "src/report/time_charts.h"

namespace conebook::src {
namespace {

using calib::Quantity;
using MaybeQuantity = std::optional<Quantity>;
using PointQuantity = std::function<MaybeQuantity(const Point&)>;

constexpr double kGramsPerKilogram = 1000.0;
constexpr int kCurveSteps = 60;

// A quantity of every point that has it, against the pressure drop.
Series AgainstPressure(const Run& run, const std::string& name, const PointQuantity& of,
                       double factor = 1.0) {
  Series series;
  series.name = name;
  for (const Point& point : run.points) {
    const MaybeQuantity quantity = of(point);
    if (!quantity || !point.pressure_bar) continue;
    series.x.push_back(point.pressure_bar->value);
    series.ex.push_back(Half95(*point.pressure_bar));
    series.y.push_back(quantity->value * factor);
    series.ey.push_back(Half95(*quantity) * factor);
  }
  return series;
}

// Pressure drops where the quantity was asked for and there is no number.
std::vector<double> Missing(const Run& run, const std::function<bool(const Point&)>& there) {
  std::vector<double> pressures;
  for (const Point& point : run.points)
    if (point.pressure_bar && !there(point)) pressures.push_back(point.pressure_bar->value);
  return pressures;
}

std::string MissingInWords(const std::vector<double>& pressures) {
  std::string out;
  for (const double bar : pressures) out += fmt::format("{}{:.3g}", out.empty() ? "" : ", ", bar);
  return out.empty() ? "" : "No number at " + out + " bar. ";
}

// Half the width over which the readings of one point may be spread sideways, in bar: well apart from the
// next point.
double SidewaysRoom_bar(const Run& run) {
  std::vector<double> pressures;
  for (const Point& point : run.points)
    if (point.pressure_bar) pressures.push_back(point.pressure_bar->value);
  if (pressures.empty()) return 0.0;
  std::sort(pressures.begin(), pressures.end());
  double room = 0.022 * std::max(pressures.back() - pressures.front(), 0.1 * std::abs(pressures.back()));
  for (std::size_t i = 1; i < pressures.size(); ++i)
    if (pressures[i] > pressures[i - 1]) room = std::min(room, 0.2 * (pressures[i] - pressures[i - 1]));
  return room;
}

// Rows of the log: those that a point's flow is the mean of, and those that were left out.
struct LogRows {
  Series taken, left_out;
  std::size_t shut = 0;  // rows without flow, which are not drawn
};

LogRows RowsOf(const Run& run, std::size_t most) {
  LogRows rows;
  rows.taken.name = "rows of the log";
  rows.taken.look = Look::kCloud;
  rows.left_out.name = "rows left out";
  rows.left_out.look = Look::kNotRead;
  const LogTrace& trace = run.trace;
  if (trace.flow_kg_s.size() != trace.time_s.size() || trace.pressure_bar.size() != trace.time_s.size())
    return rows;
  // Between the points: on the way from one pressure to the next.
  constexpr double kShutShare = 0.03;
  double most_kg_s = 0.0;
  for (const double flow : trace.flow_kg_s) most_kg_s = std::max(most_kg_s, std::isfinite(flow) ? flow : 0.0);
  std::vector<bool> in_point(trace.time_s.size(), false);
  std::vector<std::pair<double, double>> left_out;
  for (const Point& point : run.points) {
    if (!point.log_t0_s || !point.log_t1_s || !point.pressure_bar) continue;
    std::vector<std::size_t> within;
    for (std::size_t i = 0; i < trace.time_s.size(); ++i)
      if (trace.time_s[i] >= *point.log_t0_s && trace.time_s[i] <= *point.log_t1_s &&
          std::isfinite(trace.flow_kg_s[i]) && std::isfinite(trace.pressure_bar[i])) {
        within.push_back(i);
        in_point[i] = true;
      }
    if (within.empty()) continue;
    const double mean_bar =
        std::accumulate(within.begin(), within.end(), 0.0,
                        [&](double sum, std::size_t i) { return sum + trace.pressure_bar[i]; }) /
        static_cast<double>(within.size());
    // The log has the gauge pressure; head and line loss lie between it and the drop across the element.
    const double shift_bar = point.pressure_bar->value - mean_bar;
    const auto settled = [&](std::size_t i) {
      return !point.flow_from_s || trace.time_s[i] >= *point.flow_from_s;
    };
    for (const std::size_t i : within)
      if (!settled(i)) left_out.emplace_back(trace.pressure_bar[i] + shift_bar, trace.flow_kg_s[i]);
    std::erase_if(within, [&](std::size_t i) { return !settled(i); });
    const std::size_t step = ThinningStep(within.size(), most / run.points.size());
    for (std::size_t k = 0; k < within.size(); k += step) {
      rows.taken.x.push_back(trace.pressure_bar[within[k]] + shift_bar);
      rows.taken.y.push_back(trace.flow_kg_s[within[k]] * kGramsPerKilogram);
    }
  }
  for (std::size_t i = 0; i < trace.time_s.size(); ++i) {
    if (in_point[i] || !std::isfinite(trace.flow_kg_s[i]) || !std::isfinite(trace.pressure_bar[i])) continue;
    if (trace.flow_kg_s[i] < kShutShare * most_kg_s)
      ++rows.shut;
    else
      left_out.emplace_back(trace.pressure_bar[i], trace.flow_kg_s[i]);
  }
  const std::size_t step = ThinningStep(left_out.size(), most);
  for (std::size_t k = 0; k < left_out.size(); k += step) {
    rows.left_out.x.push_back(left_out[k].first);
    rows.left_out.y.push_back(left_out[k].second * kGramsPerKilogram);
  }
  return rows;
}

// Single frames about each point's pressure drop; a frame without the reading is nothing.
Series FrameReadings(const Run& run, std::size_t most,
                     const std::function<std::optional<double>(const vision::FrameAngle&)>& of) {
  Series readings;
  readings.name = "single frames";
  readings.look = Look::kCloud;
  const double room_bar = SidewaysRoom_bar(run);
  for (const Point& point : run.points) {
    if (!point.pressure_bar) continue;
    const std::size_t step = ThinningStep(point.spray.series.size(), most / run.points.size());
    for (std::size_t k = 0; k < point.spray.series.size(); k += step) {
      const std::optional<double> value = of(point.spray.series[k]);
      if (!value) continue;
      readings.x.push_back(point.pressure_bar->value + room_bar * SidewaysPlace(k));
      readings.y.push_back(std::round(1000.0 * *value) / 1000.0);
    }
  }
  return readings;
}

// Grams per second at one bar after the fitted law; nothing where it cannot be had.
std::optional<double> SlopeOfLaw(const Run& run) {
  if (!run.flow_law || !run.flow_law->flow_area_mm2) return std::nullopt;
  // flow / (flow area * root of pressure drop) is the root of twice the density, the same at every point.
  double sum = 0.0;
  int count = 0;
  for (const Point& p : run.points) {
    if (!p.flow_kg_s || !p.flow_area_mm2 || !p.pressure_bar) continue;
    if (!(p.flow_area_mm2->value > 0.0) || !(p.pressure_bar->value > 0.0)) continue;
    sum += p.flow_kg_s->value / (p.flow_area_mm2->value * std::sqrt(p.pressure_bar->value));
    ++count;
  }
  if (count == 0) return std::nullopt;
  return sum / count * run.flow_law->flow_area_mm2->value * kGramsPerKilogram;
}

Series LawCurve(double slope, double highest_bar) {
  Series law;
  law.name = "square-root law, fitted";
  law.look = Look::kCurve;
  for (int i = 0; i <= kCurveSteps; ++i) {
    // Even steps of the root: the curve is steep at the origin.
    const double root = std::sqrt(1.08 * highest_bar) * i / kCurveSteps;
    law.x.push_back(root * root);
    law.y.push_back(slope * root);
  }
  return law;
}

// The same readings as percent off the law: what the scale of the upper panel hides.
Series OffTheLaw(const Series& flow, double slope) {
  Series off;
  off.name = flow.name + ", off the law";
  off.look = flow.look;
  off.hue = flow.hue;
  off.panel = 2;
  for (std::size_t i = 0; i < flow.x.size(); ++i) {
    if (!(flow.x[i] > 0.0)) continue;
    const double expected = slope * std::sqrt(flow.x[i]);
    off.x.push_back(flow.x[i]);
    off.y.push_back(100.0 * (flow.y[i] / expected - 1.0));
    if (i < flow.ey.size()) off.ey.push_back(100.0 * flow.ey[i] / expected);
  }
  return off;
}

double FurthestOff(const Series& rows) {
  double most = 0.0;
  for (const double y : rows.y) most = std::max(most, std::abs(y));
  return most;
}

// Room for the bars and for nine rows in ten: where a meter follows slowly, a few rows at the start of a
// point would flatten all others. Those remain in the upper panel, and are counted.
double RangeOffTheLaw(const Series& rows, const Series& measured) {
  double most = 0.0;
  for (std::size_t i = 0; i < measured.y.size(); ++i)
    most = std::max(most, std::abs(measured.y[i]) + (i < measured.ey.size() ? measured.ey[i] : 0.0));
  std::vector<double> off;
  for (const double y : rows.y) off.push_back(std::abs(y));
  if (!off.empty()) {
    const auto ninth = off.begin() + static_cast<std::ptrdiff_t>(off.size() * 9 / 10);
    std::nth_element(off.begin(), ninth, off.end());
    most = std::max(most, *ninth);
  }
  return 1.25 * std::max(most, 0.1);
}

std::optional<Chart> FlowChart(const Run& run, const ChartOptions& options) {
  Series measured = AgainstPressure(
      run, "measured", [](const Point& p) { return p.flow_kg_s; }, kGramsPerKilogram);
  if (measured.x.size() < 2) return std::nullopt;
  ChartData data;
  data.key = "flow";
  data.x_title = "pressure drop, bar";
  data.y_title = "mass flow, g/s";
  data.from_zero = true;
  data.missing = Missing(run, [](const Point& p) { return p.flow_kg_s.has_value(); });
  std::string words =
      "Mass flow against pressure drop. " + InWords(measured, "g/s") + MissingInWords(data.missing);
  std::string note = "Bars: 95 % intervals, what all points share included.";
  LogRows log_rows = RowsOf(run, options.readings);
  Series& rows = log_rows.taken;
  if (!rows.x.empty()) {
    words += fmt::format("{} single rows of the log lie about the points. ", rows.x.size());
    note +=
        " Small dots: rows of the log within each point, their pressure corrected to the drop as the point's "
        "is; rows are no replicates, points are.";
  }
  if (!log_rows.left_out.x.empty()) {
    words += fmt::format("{} rows were left out of every mean. ", log_rows.left_out.x.size());
    note +=
        " Crosses: rows left out, on the way between pressures or before the meter had followed, at the "
        "pressure "
        "as logged";
    note += log_rows.shut > 0 ? fmt::format("; {} rows without flow are not drawn.", log_rows.shut) : ".";
  }
  const std::optional<double> slope = SlopeOfLaw(run);
  std::vector<Series> below;
  if (slope) {
    below = {OffTheLaw(rows, *slope), OffTheLaw(measured, *slope)};
    words += "The fitted square-root law is drawn as a curve; below, how far the flow lies off it: " +
             InWords(below.back(), "percent");
    data.y2_title = "off the law, %";
    const double range = RangeOffTheLaw(below.front(), below.back());
    data.y2_range = std::pair{-range, range};
    const auto outside = std::count_if(below.front().y.begin(), below.front().y.end(),
                                       [&](double y) { return std::abs(y) > range; });
    if (outside > 0)
      note += fmt::format(
          " {} of {} rows lie further off the law than the lower panel reaches, up to {:.2g} %; the upper "
          "one "
          "shows them.",
          outside, rows.y.size(), FurthestOff(below.front()));
  }
  const double highest_bar = *std::max_element(measured.x.begin(), measured.x.end());
  data.series = {std::move(log_rows.left_out), std::move(rows), std::move(measured)};
  if (slope) data.series.push_back(LawCurve(*slope, highest_bar));
  for (Series& series : below) data.series.push_back(std::move(series));
  std::erase_if(data.series, [](const Series& series) { return series.x.empty(); });
  return Chart{"flow", "Mass flow", words, ChartJson(data), note, false, slope.has_value()};
}

std::optional<Chart> AngleChart(const Run& run, const ChartOptions& options) {
  const PointQuantity visible = [](const Point& p) {
    return p.spray.half_angle ? MaybeQuantity(p.spray.half_angle->mean_deg) : MaybeQuantity();
  };
  Series boundary = AgainstPressure(run, "visible boundary", visible);
  if (boundary.x.size() < 2) return std::nullopt;
  ChartData data;
  data.key = "half_angle";
  data.x_title = "pressure drop, bar";
  data.y_title = "half angle, degrees";
  data.missing = Missing(run, [](const Point& p) { return p.spray.half_angle.has_value(); });
  std::string words = "Half-cone angle against pressure drop. " + InWords(boundary, "degrees");
  std::string note = "Bars: 95 % intervals.";
  Series frames =
      FrameReadings(run, options.readings, [](const vision::FrameAngle& frame) -> std::optional<double> {
        return 0.5 * (static_cast<double>(frame.left_deg) + static_cast<double>(frame.right_deg));
      });
  if (!frames.x.empty()) {
    words += fmt::format("{} single frames lie about the points. ", frames.x.size());
    note +=
        " Small dots: the mean of both sides in single frames, as the image shows them, spread sideways to "
        "be "
        "told apart; they read 0.1° to 0.2° off the point's value and are never mixed with it.";
    data.series.push_back(std::move(frames));
  }
  data.series.push_back(std::move(boundary));
  // At one pressure the three would hide each other: the other two stand a little beside it, without a bar
  // for pressure.
  const double aside_bar = 1.8 * SidewaysRoom_bar(run);
  bool beside = false;
  for (auto& [name, hue, side, of] :
       {std::tuple<const char*, int, double, PointQuantity>{
            "mean sheet surface", 2, -1.0, [](const Point& p) { return p.spray.sheet_half_angle_deg; }},
        std::tuple<const char*, int, double, PointQuantity>{
            "cone (asymptote)", 3, 1.0, [](const Point& p) { return p.spray.cone_half_angle_deg; }}}) {
    Series series = AgainstPressure(run, name, of);
    if (series.x.empty()) continue;
    series.hue = hue;
    series.ex.clear();
    words += InWords(series, "degrees");
    for (double& bar : series.x) bar += side * aside_bar;
    beside = true;
    data.series.push_back(std::move(series));
  }
  if (beside) note += " Sheet and cone stand a little to the left and right of their pressure.";
  words += MissingInWords(data.missing);
  return Chart{"half_angle", "Half-cone angle", words, ChartJson(data), note};
}

std::optional<Chart> BreakupChart(const Run& run, const ChartOptions& options) {
  Series measured = AgainstPressure(run, "measured", [](const Point& p) { return p.spray.breakup_mm; });
  Series bound;
  bound.name = "longer than this";
  bound.look = Look::kBound;
  bound.hue = 2;
  for (const Point& p : run.points) {
    if (!p.pressure_bar || !p.spray.breakup_lower_bound_mm) continue;
    bound.x.push_back(p.pressure_bar->value);
    bound.y.push_back(*p.spray.breakup_lower_bound_mm);
  }
  if (measured.x.size() + bound.x.size() < 2) return std::nullopt;
  ChartData data;
  data.key = "breakup";
  data.x_title = "pressure drop, bar";
  data.y_title = "breakup length, mm";
  data.from_zero = true;
  data.missing = Missing(run, [](const Point& p) {
    return p.spray.breakup_mm.has_value() || p.spray.breakup_lower_bound_mm.has_value();
  });
  std::string words = "Breakup length against pressure drop. " + InWords(measured, "mm") +
                      InWords(bound, "mm") + MissingInWords(data.missing);
  std::string note = "Bars: 95 % intervals.";
  Series frames =
      FrameReadings(run, options.readings, [](const vision::FrameAngle& frame) -> std::optional<double> {
        if (!(frame.breakup_mm > 0.0F)) return std::nullopt;
        return static_cast<double>(frame.breakup_mm);
      });
  if (!frames.x.empty()) {
    words += fmt::format("{} single frames lie about the points. ", frames.x.size());
    note +=
        " Small dots: single frames, spread sideways to be told apart; the point's value is the median over "
        "circumference and time.";
  }
  for (Series* series : {&frames, &measured, &bound})
    if (!series->x.empty()) data.series.push_back(std::move(*series));
  return Chart{"breakup", "Breakup length", words, ChartJson(data), note};
}

}  // namespace

std::optional<Chart> FlowChartOf(const Run& run, const ChartOptions& options) {
  return FlowChart(run, options);
}

std::vector<Chart> ChartsOf(const Run& run, const ChartOptions& options) {
  // Points of several circuits lie on no one law.
  std::vector<Chart> charts = CircuitCharts(run, options);
  for (const auto& make : {FlowChart, AngleChart, BreakupChart, LogChart, SyncChart, FramesChart})
    if (run.circuits.empty() || make != FlowChart) {
      if (std::optional<Chart> chart = make(run, options)) charts.push_back(std::move(*chart));
    }
  return charts;
}

}  // namespace conebook::src

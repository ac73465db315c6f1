#include "src/report/charts.h"

#include <algorithm>
#include <cmath>
#include <functional>
#include <optional>
#include <utility>

#include <fmt/format.h>

#include "src/report/digits.h"
#include "src/report/html.h"

namespace conebook::src {
namespace {

using calib::Quantity;
using MaybeQuantity = std::optional<Quantity>;

constexpr double kGramsPerKilogram = 1000.0;
constexpr int kCurveSteps = 60;

std::string Number(double value) {
  return std::isfinite(value) ? fmt::format("{:.6g}", value) : "null";
}

std::string Numbers(const std::vector<double>& values) {
  std::string out = "[";
  for (std::size_t i = 0; i < values.size(); ++i) out += (i ? "," : "") + Number(values[i]);
  return out + "]";
}

double Half95(const Quantity& quantity) {
  return calib::CoverageFactor95(quantity.dof) * quantity.u;
}

struct Series {
  std::string name;
  std::string look;  // "points", "curve", "bound", "dots", "trace"
  std::vector<double> x, y, ex, ey;
};

std::string SeriesJson(const Series& series) {
  std::string out = fmt::format("{{\"name\":{},\"look\":{},\"x\":{},\"y\":{}", JsonString(series.name),
                                JsonString(series.look), Numbers(series.x), Numbers(series.y));
  if (!series.ex.empty()) out += ",\"ex\":" + Numbers(series.ex);
  if (!series.ey.empty()) out += ",\"ey\":" + Numbers(series.ey);
  return out + "}";
}

std::string ChartJson(const std::string& key, const std::string& x_title, const std::string& y_title,
                      const std::vector<Series>& series, const std::string& more = "") {
  std::string out = fmt::format("{{\"key\":{},\"x\":{},\"y\":{},\"series\":[", JsonString(key),
                                JsonString(x_title), JsonString(y_title));
  for (std::size_t i = 0; i < series.size(); ++i) out += (i ? "," : "") + SeriesJson(series[i]);
  return out + "]" + more + "}";
}

// A quantity of every point that has it, against the pressure drop.
Series AgainstPressure(const Run& run, const std::string& name,
                       const std::function<MaybeQuantity(const Point&)>& of, double factor = 1.0) {
  Series series{name, "points", {}, {}, {}, {}};
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

std::string InWords(const Series& series, const std::string& unit) {
  if (series.y.empty()) return "";
  const auto [lowest, highest] = std::minmax_element(series.y.begin(), series.y.end());
  return fmt::format("{}: {} points, from {:.4g} to {:.4g} {}. ", series.name, series.y.size(), *lowest,
                     *highest, unit);
}

std::optional<Chart> FlowChart(const Run& run) {
  Series measured = AgainstPressure(
      run, "measured", [](const Point& p) { return p.flow_kg_s; }, kGramsPerKilogram);
  if (measured.x.size() < 2) return std::nullopt;
  std::string words = "Mass flow against pressure drop. " + InWords(measured, "g/s");
  std::vector<Series> all{std::move(measured)};
  if (run.flow_law && run.flow_law->flow_area_mm2) {
    // flow / (flow area * root of pressure drop) is the root of twice the density, the same at every point.
    double sum = 0.0, highest_bar = 0.0;
    int count = 0;
    for (const Point& p : run.points) {
      if (!p.flow_kg_s || !p.flow_area_mm2 || !p.pressure_bar) continue;
      if (!(p.flow_area_mm2->value > 0.0) || !(p.pressure_bar->value > 0.0)) continue;
      sum += p.flow_kg_s->value / (p.flow_area_mm2->value * std::sqrt(p.pressure_bar->value));
      highest_bar = std::max(highest_bar, p.pressure_bar->value);
      ++count;
    }
    if (count > 0) {
      Series law{"square-root law, fitted", "curve", {}, {}, {}, {}};
      const double slope = sum / count * run.flow_law->flow_area_mm2->value * kGramsPerKilogram;
      for (int i = 0; i <= kCurveSteps; ++i) {
        // Even steps of the root: the curve is steep at the origin.
        const double root = std::sqrt(1.08 * highest_bar) * i / kCurveSteps;
        law.x.push_back(root * root);
        law.y.push_back(slope * root);
      }
      words += "The fitted square-root law is drawn as a curve. ";
      all.push_back(std::move(law));
    }
  }
  return Chart{"flow", "Mass flow", words,
               ChartJson("flow", "pressure drop, bar", "mass flow, g/s", all, ",\"from_zero\":true")};
}

std::optional<Chart> AngleChart(const Run& run) {
  std::vector<Series> all;
  all.push_back(AgainstPressure(run, "visible boundary", [](const Point& p) {
    return p.spray.half_angle ? MaybeQuantity(p.spray.half_angle->mean_deg) : MaybeQuantity();
  }));
  all.push_back(AgainstPressure(run, "mean sheet surface",
                                [](const Point& p) { return p.spray.sheet_half_angle_deg; }));
  all.push_back(
      AgainstPressure(run, "cone (asymptote)", [](const Point& p) { return p.spray.cone_half_angle_deg; }));
  std::erase_if(all, [](const Series& series) { return series.x.empty(); });
  if (all.empty() || all.front().x.size() < 2) return std::nullopt;
  std::string words = "Half-cone angle against pressure drop. ";
  for (const Series& series : all) words += InWords(series, "degrees");
  return Chart{"half_angle", "Half-cone angle", words,
               ChartJson("half_angle", "pressure drop, bar", "half angle, degrees", all)};
}

std::optional<Chart> BreakupChart(const Run& run) {
  Series measured = AgainstPressure(run, "measured", [](const Point& p) { return p.spray.breakup_mm; });
  Series bound{"longer than this", "bound", {}, {}, {}, {}};
  for (const Point& p : run.points) {
    if (!p.pressure_bar || !p.spray.breakup_lower_bound_mm) continue;
    bound.x.push_back(p.pressure_bar->value);
    bound.y.push_back(*p.spray.breakup_lower_bound_mm);
  }
  if (measured.x.size() + bound.x.size() < 2) return std::nullopt;
  const std::string words =
      "Breakup length against pressure drop. " + InWords(measured, "mm") + InWords(bound, "mm");
  std::vector<Series> all;
  for (Series* series : {&measured, &bound})
    if (!series->x.empty()) all.push_back(std::move(*series));
  return Chart{"breakup", "Breakup length", words,
               ChartJson("breakup", "pressure drop, bar", "breakup length, mm", all, ",\"from_zero\":true")};
}

std::string Band(double t0_s, double t1_s, const std::string& label) {
  return fmt::format("{{\"t0\":{},\"t1\":{},\"label\":{}}}", Number(t0_s), Number(t1_s), JsonString(label));
}

std::optional<Chart> LogChart(const Run& run) {
  const LogTrace& trace = run.trace;
  if (trace.time_s.size() < 2 || trace.pressure_bar.size() != trace.time_s.size()) return std::nullopt;
  std::vector<Series> all{{"pressure", "trace", trace.time_s, trace.pressure_bar, {}, {}}};
  if (trace.flow_kg_s.size() == trace.time_s.size()) {
    Series flow{"flow", "trace", trace.time_s, trace.flow_kg_s, {}, {}};
    for (double& value : flow.y) value *= kGramsPerKilogram;
    all.push_back(std::move(flow));
  }
  std::string bands;
  for (std::size_t i = 0; i < run.points.size(); ++i) {
    const Point& p = run.points[i];
    if (p.log_t0_s && p.log_t1_s)
      bands += (bands.empty() ? "" : ",") + Band(*p.log_t0_s, *p.log_t1_s, fmt::format("{}", i + 1));
  }
  std::string more = ",\"y2\":\"mass flow, g/s\",\"bands\":[" + bands + "]";
  std::string words = fmt::format(
      "Pressure and flow of the stand log over log time, {} pressure points shaded. ", run.points.size());
  if (run.footage && run.sync) {
    const double shift_s = run.sync->log_minus_video_s.value;
    more += ",\"clip\":" + Band(shift_s, shift_s + run.clip.duration_s, "clip");
    words += fmt::format("The clip runs from {:.2f} s to {:.2f} s of log time. ", shift_s,
                         shift_s + run.clip.duration_s);
    if (run.clip.spray_start_s) {
      more += ",\"spray_start\":" + Number(shift_s + *run.clip.spray_start_s);
      words += fmt::format("The first spray frame falls at {:.2f} s. ", shift_s + *run.clip.spray_start_s);
    }
  }
  return Chart{"log", "Stand log", words, ChartJson("log", "log time, s", "pressure, bar", all, more)};
}

std::optional<Chart> FramesChart(const Run& run) {
  Series left{"left", "dots", {}, {}, {}, {}}, right{"right", "dots", {}, {}, {}, {}};
  std::string bands;
  for (std::size_t i = 0; i < run.points.size(); ++i) {
    const Point& p = run.points[i];
    // Tenths of a pixel in a chart some 600 px wide: every frame of a long clip would only make the page
    // heavy.
    const std::size_t step = std::max<std::size_t>(1, p.spray.series.size() * run.points.size() / 3000);
    for (std::size_t k = 0; k < p.spray.series.size(); k += step) {
      const vision::FrameAngle& frame = p.spray.series[k];
      left.x.push_back(frame.t_s);
      right.x.push_back(frame.t_s);
      left.y.push_back(std::round(100.0 * frame.left_deg) / 100.0);
      right.y.push_back(std::round(100.0 * frame.right_deg) / 100.0);
    }
    if (p.video)
      bands += (bands.empty() ? "" : ",") + Band(p.video->t0_s, p.video->t1_s, fmt::format("{}", i + 1));
  }
  if (left.x.size() < 3) return std::nullopt;
  const std::string words =
      "Half angles of single frames over video time. " + InWords(left, "degrees") + InWords(right, "degrees");
  return Chart{"frames", "Half angle of single frames", words,
               ChartJson("frames", "video time, s", "half angle in the image, degrees", {left, right},
                         ",\"bands\":[" + bands + "]")};
}

}  // namespace

std::vector<Chart> ChartsOf(const Run& run) {
  std::vector<Chart> charts;
  for (const auto& make : {FlowChart, AngleChart, BreakupChart, LogChart, FramesChart})
    if (std::optional<Chart> chart = make(run)) charts.push_back(std::move(*chart));
  return charts;
}

}  // namespace conebook::src

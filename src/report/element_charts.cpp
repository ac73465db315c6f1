#include "src/report/element_charts.h"

#include <algorithm>
#include <functional>
#include <limits>
#include <optional>
#include <string_view>
#include <utility>

#include <fmt/format.h>

#include "src/report/control_chart.h"

namespace conebook::src {
namespace {

using calib::Quantity;
using MaybeQuantity = std::optional<Quantity>;
using PointQuantity = std::function<MaybeQuantity(const Point&)>;
using EarlierQuantity = std::function<MaybeQuantity(const EarlierPoint&)>;

constexpr int kNamedRuns = 5;  // as many marks as can be told apart
constexpr std::size_t kMostTicks = 8;
constexpr double kGramsPerKilogram = 1000.0;
constexpr double kAsidePart = 0.012;  // of the pressures' span, from one run to the next

// Runs that share a mark.
struct RunGroup {
  std::string name;
  Look look = Look::kPoints;
  int hue = 0;
  std::vector<std::size_t> runs;
};

std::string NameOf(const ElementRun& run) {
  if (run.date.empty()) return run.record;
  return run.date + (run.record.empty() ? "" : ", " + run.record);
}

// In the order of drawing: what counts least lies at the back.
std::vector<RunGroup> GroupsOf(const ElementReport& report) {
  RunGroup superseded, older;
  superseded.look = Look::kSuperseded;
  older.look = Look::kOlder;
  std::vector<RunGroup> named;
  std::vector<std::size_t> counting;
  for (std::size_t i = 0; i < report.runs.size(); ++i)
    (report.runs[i].superseded_by.empty() ? counting : superseded.runs).push_back(i);
  for (std::size_t k = 0; k < counting.size(); ++k) {
    const std::size_t age = counting.size() - 1 - k;
    if (age >= kNamedRuns) {
      older.runs.push_back(counting[k]);
      continue;
    }
    named.push_back(
        {NameOf(report.runs[counting[k]]), Look::kJoined, static_cast<int>(age) + 1, {counting[k]}});
  }
  superseded.name = fmt::format("superseded ({})", superseded.runs.size());
  older.name = older.runs.size() == 1 ? "1 older run" : fmt::format("{} older runs", older.runs.size());
  std::vector<RunGroup> groups;
  if (!superseded.runs.empty()) groups.push_back(std::move(superseded));
  if (!older.runs.empty()) groups.push_back(std::move(older));
  groups.insert(groups.end(), named.begin(), named.end());
  return groups;
}

void Add(Series& series, double x, const MaybeQuantity& pressure, const Quantity& quantity, double factor) {
  series.x.push_back(x);
  series.y.push_back(quantity.value * factor);
  series.ey.push_back(Half95(quantity) * factor);
  if (pressure) series.ex.push_back(Half95(*pressure));
}

double PressureSpan_bar(const ElementReport& report) {
  double lowest = std::numeric_limits<double>::infinity(), highest = -lowest;
  for (const ElementRun& run : report.runs) {
    for (const Point& point : run.run.points) {
      if (!point.pressure_bar) continue;
      lowest = std::min(lowest, point.pressure_bar->value);
      highest = std::max(highest, point.pressure_bar->value);
    }
  }
  return highest > lowest ? highest - lowest : 0.0;
}

struct AgainstPressure {
  const char* key;
  const char* title;
  const char* y_title;
  const char* unit;
  double factor;
  bool from_zero;
  PointQuantity of;
  EarlierQuantity earlier;
};

bool HasValue(const ElementReport& report, const RunGroup& group, const AgainstPressure& what) {
  return std::any_of(group.runs.begin(), group.runs.end(), [&](std::size_t i) {
    const std::vector<Point>& points = report.runs[i].run.points;
    return std::any_of(points.begin(), points.end(),
                       [&](const Point& point) { return point.pressure_bar && what.of(point); });
  });
}

std::optional<Chart> PressureChart(const ElementReport& report, const std::vector<RunGroup>& groups,
                                   const AgainstPressure& what) {
  ChartData data;
  data.key = what.key;
  data.x_title = "pressure drop, bar";
  data.y_title = what.y_title;
  data.from_zero = what.from_zero;
  std::string words = std::string(what.title) + " against pressure drop over all runs. ";
  std::size_t marks = 0;
  const auto take = [&](Series series) {
    if (series.x.empty()) return;
    marks += series.x.size();
    words += InWords(series, what.unit);
    data.series.push_back(std::move(series));
  };
  Series imported;
  imported.name = "imported";
  imported.look = Look::kImported;
  imported.hue = 0;
  for (const EarlierPoint& point : report.earlier) {
    const MaybeQuantity quantity = what.earlier(point);
    if (quantity && point.pressure_bar)
      Add(imported, point.pressure_bar->value, point.pressure_bar, *quantity, what.factor);
  }
  take(std::move(imported));
  Series bound;
  bound.name = "longer than this";
  bound.look = Look::kBound;
  bound.hue = 0;
  // Runs at the same pressure would hide each other.
  const double aside_bar = kAsidePart * PressureSpan_bar(report);
  std::vector<const RunGroup*> named;
  for (const RunGroup& group : groups)
    if (group.look == Look::kJoined && HasValue(report, group, what)) named.push_back(&group);
  for (const RunGroup& group : groups) {
    const auto place = std::find(named.begin(), named.end(), &group);
    const double shift_bar = place == named.end() ? 0.0
                                                  : aside_bar * (static_cast<double>(place - named.begin()) -
                                                                 0.5 * static_cast<double>(named.size() - 1));
    Series series;
    series.name = group.name;
    series.look = group.look;
    series.hue = group.hue;
    for (const std::size_t i : group.runs) {
      for (const Point& point : report.runs[i].run.points) {
        if (!point.pressure_bar) continue;
        if (const MaybeQuantity quantity = what.of(point)) {
          Add(series, point.pressure_bar->value + shift_bar, point.pressure_bar, *quantity, what.factor);
        } else if (std::string_view(what.key) == "breakup" && point.spray.breakup_lower_bound_mm &&
                   group.look != Look::kSuperseded) {
          bound.x.push_back(point.pressure_bar->value + shift_bar);
          bound.y.push_back(*point.spray.breakup_lower_bound_mm);
        }
      }
    }
    take(std::move(series));
  }
  take(std::move(bound));
  if (marks < 2) return std::nullopt;
  std::string note = "Bars: 95 % intervals.";
  if (named.size() > 1) note += " The latest runs stand a little beside each other.";
  return Chart{what.key, what.title, words, ChartJson(data), note};
}

// Where a run or an imported result stands along the axis: in order of date, evenly.
struct Slots {
  std::vector<int> of_run, of_earlier;
  std::vector<std::string> names;
};

Slots SlotsOf(const ElementReport& report) {
  struct Entry {
    std::string date, name;
    std::vector<std::size_t> earlier;
    std::optional<std::size_t> run;
  };
  std::vector<Entry> imported;
  for (std::size_t i = 0; i < report.earlier.size(); ++i) {
    const EarlierPoint& point = report.earlier[i];
    const bool same =
        i > 0 && report.earlier[i - 1].date == point.date && report.earlier[i - 1].source == point.source;
    if (!same) imported.push_back({point.date, point.date.empty() ? "imported" : point.date, {}, {}});
    imported.back().earlier.push_back(i);
  }
  std::vector<Entry> entries;
  std::size_t taken = 0;
  for (std::size_t i = 0; i < report.runs.size(); ++i) {
    const std::string& date = report.runs[i].date;
    // A run without a date keeps its place behind the one before it.
    while (taken < imported.size() && !date.empty() && imported[taken].date <= date)
      entries.push_back(std::move(imported[taken++]));
    entries.push_back({date, date.empty() ? report.runs[i].record : date, {}, i});
  }
  while (taken < imported.size()) entries.push_back(std::move(imported[taken++]));
  Slots slots;
  slots.of_run.resize(report.runs.size());
  slots.of_earlier.resize(report.earlier.size());
  for (std::size_t k = 0; k < entries.size(); ++k) {
    slots.names.push_back(entries[k].name);
    const int slot = static_cast<int>(k) + 1;
    if (entries[k].run) slots.of_run[*entries[k].run] = slot;
    for (const std::size_t i : entries[k].earlier) slots.of_earlier[i] = slot;
  }
  return slots;
}

struct ByRun {
  const char* title;
  const char* y_title;
  const char* unit;
  std::function<MaybeQuantity(const FlowLaw&)> law;
  PointQuantity of;
  EarlierQuantity earlier;
};

// The value of all points together; without one, each point's own.
std::vector<Quantity> ValuesOf(const Run& run, const ByRun& what) {
  if (run.flow_law)
    if (const MaybeQuantity together = what.law(*run.flow_law)) return {*together};
  std::vector<Quantity> values;
  for (const Point& point : run.points)
    if (const MaybeQuantity quantity = what.of(point)) values.push_back(*quantity);
  return values;
}

// The date below each tells the runs apart, so those that count share a mark.
std::vector<RunGroup> GroupsByRun(const ElementReport& report) {
  RunGroup measured, superseded;
  measured.name = "measured";
  measured.hue = 1;
  superseded.look = Look::kSuperseded;
  for (std::size_t i = 0; i < report.runs.size(); ++i)
    (report.runs[i].superseded_by.empty() ? measured : superseded).runs.push_back(i);
  superseded.name = fmt::format("superseded ({})", superseded.runs.size());
  return {std::move(superseded), std::move(measured)};
}

std::optional<Chart> RunByRunChart(const ElementReport& report, const ByRun& what) {
  const Slots slots = SlotsOf(report);
  ChartData data;
  data.key = "by_run";
  const bool dated = std::any_of(report.runs.begin(), report.runs.end(),
                                 [](const ElementRun& run) { return !run.date.empty(); });
  data.x_title = dated ? "runs in order of date" : "runs in order of record";
  data.y_title = what.y_title;
  std::string words = std::string(what.title) + " over " + std::to_string(slots.names.size()) +
                      " runs and imported tables in order of date. ";
  std::size_t marks = 0;
  const auto take = [&](Series series) {
    if (series.x.empty()) return;
    marks += series.x.size();
    words += InWords(series, what.unit);
    data.series.push_back(std::move(series));
  };
  Series imported;
  imported.name = "imported";
  imported.look = Look::kImported;
  imported.hue = 0;
  for (std::size_t i = 0; i < report.earlier.size(); ++i)
    if (const MaybeQuantity quantity = what.earlier(report.earlier[i]))
      Add(imported, slots.of_earlier[i], {}, *quantity, 1.0);
  take(std::move(imported));
  for (const RunGroup& group : GroupsByRun(report)) {
    Series series;
    series.name = group.name;
    series.look = group.look;
    series.hue = group.hue;
    for (const std::size_t i : group.runs) {
      const std::vector<Quantity> values = ValuesOf(report.runs[i].run, what);
      for (const Quantity& value : values) Add(series, slots.of_run[i], {}, value, 1.0);
      if (values.empty()) data.missing.push_back(slots.of_run[i]);
    }
    take(std::move(series));
  }
  if (marks == 0 || slots.names.size() < 2) return std::nullopt;
  if (!data.missing.empty()) words += fmt::format("{} runs have no number. ", data.missing.size());
  std::sort(data.missing.begin(), data.missing.end());
  const std::size_t step = ThinningStep(slots.names.size(), kMostTicks);
  // Counted from the last: the latest always has its name.
  for (std::size_t k = (slots.names.size() - 1) % step; k < slots.names.size(); k += step)
    data.ticks.emplace_back(static_cast<double>(k + 1), slots.names[k]);
  data.range = std::pair{0.5, static_cast<double>(slots.names.size()) + 0.5};
  return Chart{"by_run", what.title, words, ChartJson(data),
               "Bars: 95 % intervals. Evenly spaced, whatever time lay between."};
}

// Of an element that was flowed to check the stand: the last day's flows against all before.
std::optional<Chart> ControlChartOf(const ElementReport& report) {
  std::vector<CheckFlow> earlier, last;
  for (const ElementRun& run : report.runs) {
    if (run.run.role != kCheckRole || !run.superseded_by.empty() || !run.run.flow_law ||
        !run.run.flow_law->flow_area_mm2)
      continue;
    if (last.empty() || last.front().date != run.date) {
      earlier.insert(earlier.end(), last.begin(), last.end());
      last.clear();
    }
    last.push_back({run.date, *run.run.flow_law->flow_area_mm2});
  }
  return ControlChart(report.element, earlier, last, LimitsOf(earlier));
}

}  // namespace

std::vector<Chart> ElementCharts(const ElementReport& report) {
  const std::vector<RunGroup> groups = GroupsOf(report);
  std::vector<Chart> charts;
  const auto add = [&](std::optional<Chart> chart) {
    if (chart) charts.push_back(std::move(*chart));
    return !charts.empty();
  };
  const ByRun flow_area{"Flow area, run by run",
                        "flow area, mm²",
                        "mm²",
                        [](const FlowLaw& law) { return law.flow_area_mm2; },
                        [](const Point& p) { return p.flow_area_mm2; },
                        [](const EarlierPoint& p) { return p.flow_area_mm2; }};
  const ByRun cd{"Discharge coefficient, run by run",
                 "Cd",
                 "",
                 [](const FlowLaw& law) { return law.cd; },
                 [](const Point& p) { return p.cd ? MaybeQuantity(p.cd->cd) : MaybeQuantity(); },
                 [](const EarlierPoint& p) { return p.cd; }};
  if (!add(RunByRunChart(report, flow_area))) add(RunByRunChart(report, cd));
  for (const AgainstPressure& what :
       {AgainstPressure{"flow", "Mass flow", "mass flow, g/s", "g/s", kGramsPerKilogram, true,
                        [](const Point& p) { return p.flow_kg_s; },
                        [](const EarlierPoint& p) { return p.flow_kg_s; }},
        AgainstPressure{"half_angle", "Half-cone angle", "half angle, degrees", "degrees", 1.0, false,
                        [](const Point& p) {
                          return p.spray.half_angle ? MaybeQuantity(p.spray.half_angle->mean_deg)
                                                    : MaybeQuantity();
                        },
                        [](const EarlierPoint& p) { return p.half_angle_deg; }},
        AgainstPressure{"breakup", "Breakup length", "breakup length, mm", "mm", 1.0, true,
                        [](const Point& p) { return p.spray.breakup_mm; },
                        [](const EarlierPoint&) { return MaybeQuantity(); }}})
    add(PressureChart(report, groups, what));
  add(ControlChartOf(report));
  return charts;
}

}  // namespace conebook::src

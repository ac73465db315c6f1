#include "src/circuits.h"

#include <algorithm>
#include <cmath>
#include <utility>

#include <fmt/core.h>

#include "src/flow_average.h"
#include "src/flow_numbers.h"
#include "src/hysteresis.h"
#include "src/lamp_sync.h"
#include "src/nominal_points.h"
#include "src/rest_zero.h"
#include "src/stand_flags.h"
#include "src/stand_sensors.h"
#include "src/theory.h"

namespace conebook::src {
namespace {

using calib::Contribution;
using calib::Quantity;
using calib::Severity;

constexpr int kShut = -1, kMoving = -2;  // else the number of the circuit's steady stretch

// Mean over half_s to either side: whole pulses flicker from row to row.
std::vector<double> Smoothed(const std::vector<double>& time_s, const std::vector<double>& values,
                             double half_s) {
  std::vector<double> smooth(values.size());
  std::size_t from = 0, to = 0;
  double sum = 0.0;
  for (std::size_t i = 0; i < values.size(); ++i) {
    while (to < values.size() && time_s[to] <= time_s[i] + half_s) sum += values[to++];
    while (time_s[from] < time_s[i] - half_s) sum -= values[from++];
    smooth[i] = sum / static_cast<double>(to - from);
  }
  return smooth;
}

// Row by row: shut, on the move, or in which steady stretch. A valve may shut a circuit while the manifold's
// pressure stands, so that the flow says what is shut.
std::vector<int> StatesOf(const CircuitLog& side, const std::vector<double>& smooth_flow,
                          const SteadyOptions& options) {
  const double most_bar = *std::max_element(side.gauge_bar.begin(), side.gauge_bar.end());
  const double most_flow = *std::max_element(smooth_flow.begin(), smooth_flow.end());
  const double zero_bar = std::max(options.zero_bar, options.zero_share * most_bar);
  const double zero_flow = options.zero_flow_share * most_flow;
  std::vector<int> states(side.log.Rows(), kMoving);
  const auto steady = FindSteadyStretches(side.log.time_s, side.gauge_bar, side.log.flow, options);
  for (std::size_t k = 0; k < steady.size(); ++k) {
    for (std::size_t i = steady[k].first; i <= steady[k].last; ++i) states[i] = static_cast<int>(k);
  }
  for (std::size_t i = 0; i < states.size(); ++i) {
    if (side.gauge_bar[i] < zero_bar || smooth_flow[i] < zero_flow || !(most_flow > 0.0)) states[i] = kShut;
  }
  return states;
}

using Rows = std::pair<std::size_t, std::size_t>;  // first and last

// Without the rows at either end in which the flow still comes or already goes: a valve takes its time, and
// so does a meter.
Rows WithSteadyFlow(const std::vector<double>& smooth_flow, Rows rows, double share) {
  std::vector<double> sorted(smooth_flow.begin() + static_cast<std::ptrdiff_t>(rows.first),
                             smooth_flow.begin() + static_cast<std::ptrdiff_t>(rows.second) + 1);
  const auto middle = sorted.begin() + static_cast<std::ptrdiff_t>(sorted.size() / 2);
  std::nth_element(sorted.begin(), middle, sorted.end());
  const auto off = [&](std::size_t row) { return std::abs(smooth_flow[row] - *middle) > share * *middle; };
  while (rows.first < rows.second && off(rows.first)) ++rows.first;
  while (rows.first < rows.second && off(rows.second)) --rows.second;
  return rows;
}

// Mean, drift and scatter of a part of the log about its straight line.
SteadyStretch StretchOf(const CircuitLog& side, std::size_t first, std::size_t last) {
  SteadyStretch stretch;
  stretch.first = first;
  stretch.last = last;
  stretch.t0_s = side.log.time_s[first];
  stretch.t1_s = side.log.time_s[last];
  const double n = static_cast<double>(last - first + 1);
  const double middle_s = 0.5 * (stretch.t0_s + stretch.t1_s);
  double ty = 0.0, tt = 0.0;
  for (std::size_t i = first; i <= last; ++i) stretch.mean_bar += side.gauge_bar[i] / n;
  for (std::size_t i = first; i <= last; ++i) {
    const double t = side.log.time_s[i] - middle_s;
    ty += t * (side.gauge_bar[i] - stretch.mean_bar);
    tt += t * t;
  }
  const double rate = tt > 0.0 ? ty / tt : 0.0;
  double squares = 0.0;
  for (std::size_t i = first; i <= last; ++i) {
    const double off = side.gauge_bar[i] - stretch.mean_bar - rate * (side.log.time_s[i] - middle_s);
    squares += off * off;
  }
  stretch.drift_share = rate * (stretch.t1_s - stretch.t0_s) / stretch.mean_bar;
  stretch.scatter_share = std::sqrt(squares / std::max(1.0, n - 2.0)) / stretch.mean_bar;
  return stretch;
}

// Rows in which every circuit keeps its state, none moves and one at least flows.
std::vector<Rows> CommonStretches(const std::vector<std::vector<int>>& states,
                                  const std::vector<std::vector<double>>& smooth_flow,
                                  const std::vector<double>& time_s, const SteadyOptions& options) {
  std::vector<Rows> found;
  const auto usable = [&](std::size_t row) {
    bool flows = false;
    for (const std::vector<int>& of : states) {
      if (of[row] == kMoving) return false;
      flows = flows || of[row] >= 0;
    }
    return flows;
  };
  const auto same = [&](std::size_t a, std::size_t b) {
    return std::all_of(states.begin(), states.end(), [&](const auto& of) { return of[a] == of[b]; });
  };
  for (std::size_t row = 0; row < time_s.size(); ++row) {
    if (!usable(row)) continue;
    // A row or two on the move do not end a stretch.
    if (!found.empty() && same(found.back().second, row) &&
        time_s[row] - time_s[found.back().second] <=
            std::max(options.bridge_s, time_s[row] - time_s[row - 1])) {
      found.back().second = row;
    } else {
      found.emplace_back(row, row);
    }
  }
  for (Rows& rows : found) {
    const Rows whole = rows;
    for (std::size_t c = 0; c < states.size(); ++c) {
      if (states[c][whole.first] < 0) continue;
      const Rows steady = WithSteadyFlow(smooth_flow[c], whole, options.max_drift);
      rows = {std::max(rows.first, steady.first), std::min(rows.second, steady.second)};
    }
    rows.second = std::max(rows.first, rows.second);
  }
  std::erase_if(found, [&](const Rows& rows) {
    return time_s[rows.second] - time_s[rows.first] < options.min_duration_s ||
           static_cast<int>(rows.second - rows.first) + 1 < options.min_rows;
  });
  return found;
}

calib::Flag OfCircuit(const std::string& name, calib::Flag flag) {
  flag.message = fmt::format("circuit {}: {}", name, flag.message);
  return flag;
}

Quantity Total(const std::vector<CircuitPoint>& circuits) {
  double value = 0.0;
  std::vector<Contribution> budget;
  for (const CircuitPoint& circuit : circuits) {
    if (!circuit.flow_kg_s) continue;
    value += circuit.flow_kg_s->value;
    for (Contribution part : circuit.flow_kg_s->budget) {
      part.source = circuit.name + ": " + part.source;
      budget.push_back(std::move(part));
    }
  }
  return calib::Combine(value, std::move(budget));
}

// What is said of a circuit's points as of those of an element with this circuit alone. points: of the run,
// in which it flowed. Flags count these.
void AddOfOnePoint(const Rig& rig, std::size_t c, const std::vector<std::size_t>& points, Run& run,
                   CircuitLaw& law, std::vector<calib::Flag>& flags) {
  std::vector<Point> own;
  for (const std::size_t k : points) {
    const CircuitPoint& from = run.points[k].circuits[c];
    Point& point = own.emplace_back();
    point.pressure_bar = from.pressure_bar;
    point.flow_kg_s = from.flow_kg_s;
    point.flow_area_mm2 = from.flow_area_mm2;
    point.cd = from.cd;
    point.temperature_c = from.temperature_c;
    point.direction = from.direction;
    point.numbers = from.numbers;
    point.theory = TheoryBeside(rig, point);
  }
  law.hysteresis = HysteresisOf(rig, own, flags);
  if (rig.nominal) {
    law.nominal_bar = rig.nominal->bar;
    MatchNominal(*rig.nominal, own, flags);
  }
  FlagBackPressure(rig, own, flags);
  for (std::size_t i = 0; i < points.size(); ++i) {
    CircuitPoint& to = run.points[points[i]].circuits[c];
    to.theory = std::move(own[i].theory);
    to.nominal_bar = own[i].nominal_bar;
  }
}

}  // namespace

CircuitsSide ReadCircuits(Rig& rig, const std::string& log_path, const SteadyOptions& options) {
  CircuitsSide side;
  std::vector<std::vector<int>> states;
  std::vector<std::vector<double>> smooth_flow;
  for (Circuit& circuit : rig.circuits) {
    CircuitLog& one = side.logs.emplace_back();
    one.log = ReadStandLog(log_path, circuit.rig.log, LampColumnOf(rig));
    CheckLogFlow(circuit.rig, one.log.flow_kind);
    std::vector<calib::Flag> of_zero;
    FlagZero(circuit.rig, one.log, of_zero);
    for (calib::Flag& flag : of_zero) side.flags.push_back(OfCircuit(circuit.name, std::move(flag)));
    circuit.rig = WithZeroAtRest(circuit.rig, one.log);
    for (const double bar : one.log.pressure_bar) one.gauge_bar.push_back(GaugeBar(circuit.rig, bar));
    for (const calib::Flag& flag : one.log.flags) {
      // What one circuit leaves aside is mostly the other's.
      if (flag.code == "log_columns_ignored") continue;
      if (flag.code == "log_time_from_first_row" && side.logs.size() > 1) continue;
      side.flags.push_back(OfCircuit(circuit.name, flag));
    }
    smooth_flow.push_back(Smoothed(one.log.time_s, one.log.flow, options.bridge_s));
    states.push_back(StatesOf(one, smooth_flow.back(), options));
  }
  const std::vector<double>& time_s = side.logs.front().log.time_s;
  std::size_t earliest = time_s.size();
  for (std::size_t c = 0; c < states.size(); ++c) {
    const auto on = std::find_if(states[c].begin(), states[c].end(), [](int state) { return state >= 0; });
    const auto row = static_cast<std::size_t>(on - states[c].begin());
    if (row < earliest) {
      earliest = row;
      side.lead = c;
    }
  }
  const auto common = CommonStretches(states, smooth_flow, time_s, options);
  side.readings.resize(common.size());
  side.stretches.resize(common.size());
  for (std::size_t c = 0; c < states.size(); ++c) {
    const CircuitLog& one = side.logs[c];
    std::vector<SteadyStretch> own;
    std::vector<std::size_t> points;
    for (std::size_t k = 0; k < common.size(); ++k) {
      if (states[c][common[k].first] < 0) continue;
      own.push_back(StretchOf(one, common[k].first, common[k].second));
      points.push_back(k);
    }
    const FlowSettling flow =
        AverageFlow(one.log.time_s, one.log.flow, one.log.flow_kind == FlowKind::kPulseHz, own);
    std::vector<PointReading> readings = ReadingsFromLog(one.log, own, flow);
    const std::vector<Direction> directions = DirectionsOf(one.gauge_bar, own);
    for (std::size_t i = 0; i < own.size(); ++i) readings[i].direction = directions[i];
    for (std::size_t i = 0; i < own.size(); ++i) {
      PointReading& at = side.readings[points[i]];
      at.circuits.push_back({c, readings[i]});
      SteadyStretch& point = side.stretches[points[i]];
      // The first that flows lends its pressure; the least steady says how steady the point is.
      if (at.circuits.size() == 1) {
        at.pressure_bar = readings[i].pressure_bar;
        point = own[i];
        continue;
      }
      if (std::abs(own[i].drift_share) > std::abs(point.drift_share)) point.drift_share = own[i].drift_share;
      point.scatter_share = std::max(point.scatter_share, own[i].scatter_share);
    }
  }
  return side;
}

void FillCircuits(const Rig& rig, const std::vector<PointReading>& readings, Run& run) {
  for (Point& point : run.points) {
    point.circuits.clear();
    for (const Circuit& circuit : rig.circuits) point.circuits.emplace_back().name = circuit.name;
  }
  for (std::size_t c = 0; c < rig.circuits.size(); ++c) {
    const Circuit& circuit = rig.circuits[c];
    std::vector<PointReading> own;
    std::vector<std::size_t> points;
    for (std::size_t k = 0; k < readings.size(); ++k) {
      for (const CircuitReading& reading : readings[k].circuits) {
        if (reading.circuit != c) continue;
        own.push_back(reading.reading);
        points.push_back(k);
      }
    }
    CircuitLaw law;
    law.name = circuit.name;
    if (own.empty()) {
      run.flags.push_back({"circuit_never_on", Severity::kWarn, std::nullopt, std::string("circuits"),
                           fmt::format("circuit {}: it never flowed at a steady pressure", circuit.name),
                           "check its columns in [[circuit]], and its valve"});
      run.circuits.push_back(std::move(law));
      continue;
    }
    Discharge discharge = ComputeDischarge(circuit.rig, own);
    for (std::size_t i = 0; i < points.size() && points[i] < run.points.size(); ++i) {
      CircuitPoint& at = run.points[points[i]].circuits[c];
      PointDischarge& from = discharge.points[i];
      at.flowing = true;
      at.pressure_bar = std::move(from.pressure_bar);
      at.flow_kg_s = std::move(from.flow_kg_s);
      at.flow_area_mm2 = std::move(from.flow_area_mm2);
      at.cd = std::move(from.cd);
      at.temperature_c = from.temperature_c;
      at.flow_from_s = own[i].flow_from_s;
      at.numbers = std::move(from.numbers);
      at.direction = own[i].direction;
    }
    if (!run.points.empty()) AddOfOnePoint(circuit.rig, c, points, run, law, discharge.flags);
    for (calib::Flag& flag : discharge.flags) {
      if (flag.point) flag.point = static_cast<int>(points[static_cast<std::size_t>(*flag.point)]);
      run.flags.push_back(OfCircuit(circuit.name, std::move(flag)));
    }
    law.law = std::move(discharge.law);
    run.circuits.push_back(std::move(law));
  }
  for (Point& point : run.points) {
    const auto flows = [](const CircuitPoint& circuit) { return circuit.flowing; };
    const auto count = std::count_if(point.circuits.begin(), point.circuits.end(), flows);
    if (count == 0) continue;
    const CircuitPoint& first = *std::find_if(point.circuits.begin(), point.circuits.end(), flows);
    point.temperature_c = first.temperature_c;
    if (count == 1) {
      point.pressure_bar = first.pressure_bar;
      point.flow_kg_s = first.flow_kg_s;
      point.flow_area_mm2 = first.flow_area_mm2;
      point.cd = first.cd;
      point.numbers = first.numbers;
      point.flow_from_s = first.flow_from_s;
      point.theory = first.theory;
      point.direction = first.direction;
      point.nominal_bar = first.nominal_bar;
      continue;
    }
    point.flow_kg_s = Total(point.circuits);
  }
}

std::string CircuitsInWords(const Point& point) {
  std::string text;
  for (const CircuitPoint& circuit : point.circuits) {
    if (circuit.flowing) text += (text.empty() ? "" : " + ") + circuit.name;
  }
  return text;
}

}  // namespace conebook::src

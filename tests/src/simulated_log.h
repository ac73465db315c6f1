// Stand logs with known truth for tests: pressure steps with transients and noise, flow by the square-root
// law seen through a lagging, pulse-counting meter. Independent of the program's own code.
#pragma once

#include <algorithm>
#include <cmath>
#include <random>
#include <vector>

namespace conebook::tests {

struct LogPlan {
  double rate_hz = 50.0;
  std::vector<double> level_bar;   // one a pressure point
  std::vector<double> duration_s;  // from one valve movement to the next
  double idle_before_s = 1.0, idle_after_s = 1.0;
  bool off_between = false;  // back to zero between the points (for 1 s)
  double rise_s = 0.05;      // time constant of the pressure
  double overshoot = 0.0;    // share; then a damped oscillation at ring_hz
  double ring_hz = 5.0;
  double noise_share = 0.003;  // of the highest level, white
  double hum_share = 0.0;      // of the level, at hum_hz
  double hum_hz = 7.0;
  double drift_per_s = 0.0;  // share of the level a second
  double resolution_bar = 0.0;
  double meter_lag_s = 0.0;  // first order
  double flow_noise_share = 0.002;
  double flow_per_root_bar = 0.02;  // flow = this * sqrt(pressure)
  double pulses_per_unit = 0.0;     // > 0: flow column is whole pulses a row interval, as a rate in Hz
  unsigned seed = 1;
};

struct TruePoint {
  double t0_s, t1_s;  // valve movement to valve movement
  double level_bar;   // mean over the settled part, drift included
  double flow;
};

struct SimulatedLog {
  std::vector<double> time_s, pressure_bar, flow;
  std::vector<TruePoint> points;
};

inline SimulatedLog Simulate(const LogPlan& plan) {
  std::mt19937 random(plan.seed);
  std::normal_distribution<double> gauss(0.0, 1.0);
  std::uniform_real_distribution<double> uniform(0.0, 1.0);
  SimulatedLog log;
  struct Step {
    double t_s, target;
  };
  std::vector<Step> steps{{-1e9, 0.0}};
  double t = plan.idle_before_s + uniform(random) / plan.rate_hz;
  double highest = 0.0;
  for (std::size_t i = 0; i < plan.level_bar.size(); ++i) {
    steps.push_back({t, plan.level_bar[i]});
    const double middle_s = 0.5 * plan.duration_s[i];
    const double level = plan.level_bar[i] * (1.0 + plan.drift_per_s * middle_s);
    log.points.push_back({t, t + plan.duration_s[i], level, plan.flow_per_root_bar * std::sqrt(level)});
    highest = std::max(highest, plan.level_bar[i]);
    t += plan.duration_s[i];
    if (plan.off_between && i + 1 < plan.level_bar.size()) {
      steps.push_back({t, 0.0});
      t += 1.0;
    }
  }
  steps.push_back({t, 0.0});
  const double end_s = t + plan.idle_after_s;
  const double fine_s = std::min(0.001, 0.2 / plan.rate_hz);
  double pressure = 0.0, meter = 0.0, pulses = 0.0, counted = 0.0;
  double at_step = 0.0;  // pressure when the valve moved
  std::size_t now = 0;
  double next_row_s = 0.0;
  const double phase = 6.283185307179586 * uniform(random);
  for (double time = 0.0; time < end_s; time += fine_s) {
    while (now + 1 < steps.size() && time >= steps[now + 1].t_s) {
      ++now;
      at_step = pressure;
    }
    const double since = time - steps[now].t_s;
    const double target = steps[now].target * (1.0 + plan.drift_per_s * (now > 0 ? since : 0.0));
    if (now > 0) {
      const double decay = std::exp(-since / plan.rise_s);
      const double ring = plan.overshoot * (target - at_step) * std::exp(-since / (3.0 * plan.rise_s)) *
                          std::sin(6.283185307179586 * plan.ring_hz * since);
      pressure = target + (at_step - target) * decay + (target > 0.0 ? ring : 0.0);
    }
    const double hum = plan.hum_share * target * std::sin(6.283185307179586 * plan.hum_hz * time + phase);
    const double true_pressure = std::max(0.0, pressure + hum);
    const double flow = plan.flow_per_root_bar * std::sqrt(true_pressure);
    meter +=
        plan.meter_lag_s > 0.0 ? (flow - meter) * (1.0 - std::exp(-fine_s / plan.meter_lag_s)) : flow - meter;
    pulses += meter * plan.pulses_per_unit * fine_s;
    if (time >= next_row_s) {
      double read = true_pressure + plan.noise_share * highest * gauss(random);
      if (plan.resolution_bar > 0.0) read = std::round(read / plan.resolution_bar) * plan.resolution_bar;
      log.time_s.push_back(next_row_s);
      log.pressure_bar.push_back(read);
      if (plan.pulses_per_unit > 0.0) {
        const double whole = std::floor(pulses);
        log.flow.push_back((whole - counted) * plan.rate_hz);
        counted = whole;
      } else {
        log.flow.push_back(meter * (1.0 + plan.flow_noise_share * gauss(random)));
      }
      next_row_s += 1.0 / plan.rate_hz;
    }
  }
  return log;
}

}  // namespace conebook::tests

// The stand beside the camera: pressure steps with their transients, the flow they drive by the square-root
// law, the meter that lags behind, the log that samples both. Log time, seconds.
#pragma once

#include <cstdint>
#include <string>
#include <vector>

namespace conebook::render {

// Water between 0 and 100 degrees C at 1 atm, kg/m3: G. S. Kell, J. Chem. Eng. Data 20 (1975) 97 (from
// memory).
double WaterDensity(double celsius);

struct StandSetting {
  std::uint64_t seed = 0;
  std::vector<double> drops_bar;           // pressure drop across the element, one a point
  std::vector<double> starts_s;            // log time when each step begins; the first is the valve's opening
  double close_s = 1e9;                    // log time when the valve shuts
  double end_s = 10.0;                     // the log's last row
  double rise_s = 0.05, overshoot = 0.05;  // time constant; part of the step
  double wander = 0.001;                   // slow wander of the pressure, relative
  double head_bar = 0.0;                   // pressure at the exit above that at the tap
  double flow_area_mm2 = 0.5, density_kg_m3 = 998.0;
  double meter_lag_s = 0.1, meter_gain = 1.0, pressure_gain = 1.0;
  double pressure_noise_bar = 0.005, flow_noise = 0.004;
  double rate_hz = 50.0;
  double k_factor_per_l = 20000.0;
  double temperature_c = 18.0;
};

class Stand {
 public:
  explicit Stand(const StandSetting& setting);
  double DropBar(double log_s) const;  // across the element
  double FlowKgS(double log_s) const;  // through it

  struct Steady {
    double t0_s, t1_s, drop_bar, flow_kg_s;
  };
  // The stretch of each point where the drop stays within 0.4 % of its level; means over it.
  std::vector<Steady> Points() const;

  struct Row {
    double time_s, tap_bar, flow_kg_s, pulse_hz, temperature_c;
  };
  std::vector<Row> Log() const;
  StandSetting setting;
};

struct LogFormat {
  std::string flow = "flow_lpm";  // flow_lpm, flow_kg_s, pulse_hz: the default columns
  bool mapped = false;            // own column names and units, given by the rig's [log]
  bool temperature = false;
  char delimiter = ',';
};
std::string LogText(const Stand& stand, const LogFormat& format);
std::string LogMapping(const LogFormat& format);  // the rig's [log] table, empty when not needed

}  // namespace conebook::render

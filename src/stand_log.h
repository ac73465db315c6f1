// The stand's log: time, pressure, flow and, if there, temperature, in the units below, strictly rising in
// time. Columns and units come from the rig's [log] keys or are found by name; what was found is said.
#pragma once

#include <optional>
#include <string>
#include <utility>
#include <vector>

#include <calib/flag.h>

#include "src/iso_date.h"
#include "src/rig.h"

namespace conebook::src {

enum class FlowKind { kNone, kMassKgS, kVolumeLS, kPulseHz };

struct StandLog {
  std::string path;
  std::vector<double> time_s;        // as logged; ISO 8601 times: seconds since the first row
  std::vector<double> pressure_bar;  // gauge or absolute, as logged
  std::vector<double> flow;          // unit by flow_kind; empty without flow
  std::string date;                  // of the first row, where times are clock times; else empty
  std::optional<ClockTime> clock;    // at time_s = 0, where times are clock times
  FlowKind flow_kind = FlowKind::kNone;
  std::vector<double> temperature_c;  // empty without the column
  std::vector<double> lamp;           // of the column that was asked for, as logged; else empty
  std::string found;                  // columns, units, delimiter and decimal sign, in words
  std::vector<calib::Flag> flags;     // info and warn

  std::size_t Rows() const { return time_s.size(); }
  double MedianInterval_s() const;
};

// Bar in one of the contract's pressure units: "bar" "kpa" "mpa" "psi".
double ToBar(const std::string& unit);

// What a flow in one of the contract's units measures, and the factor to the unit of that kind.
std::pair<FlowKind, double> ToFlow(const std::string& unit);

// Throws calib::InputError naming file and line: text in a number, not finite, unsorted or repeated time,
// missing or ambiguous column, empty log. `[log] flow = ""` says that there is no flow.
// lamp_column: one more column of numbers to be read.
StandLog ReadStandLog(const std::string& path, const LogKeys& keys,
                      const std::optional<std::string>& lamp_column = std::nullopt);

}  // namespace conebook::src

// Which column of a stand log is what, and in which unit: from the rig's [log] keys, else from the header's
// names.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "src/csv_table.h"
#include "src/rig.h"

namespace conebook::src {

struct LogColumn {
  std::size_t index = 0;
  std::string unit;           // a word of the contract, or empty where `unit_assumed` says what was taken
  bool unit_assumed = false;  // neither stated nor in the name
};

struct LogColumns {
  LogColumn time, pressure;
  std::optional<LogColumn> flow, temperature;
  std::vector<std::string> ignored;
};

// Whether a line of these names could head a log: one of them may be the time and one the pressure.
bool CouldBeLogHeader(const std::vector<std::string>& names, const LogKeys& keys);

// Throws calib::InputError: a stated or needed column is missing (the nearest named), or two could be meant.
LogColumns FindLogColumns(const CsvTable& table, const LogKeys& keys);

}  // namespace conebook::src

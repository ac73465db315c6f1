// [[circuit]] of the rig file: each circuit's keys and the keys of the rig that they stand for.
#pragma once

#include <string>
#include <vector>

#include "src/toml_document.h"

namespace conebook::src {

// The rig as one circuit has it.
struct CircuitDocument {
  std::string name;
  TomlNode document;  // of a rig without circuits
};

// Empty without [[circuit]]. Throws calib::InputError: unknown keys, one circuit alone, a name that is
// missing or used twice, no flow column, a meter calibration that would have to serve two meters.
std::vector<CircuitDocument> CircuitDocuments(const TomlNode& rig);

// The key of [[circuit]] that stands for a section's key: meter, calibration: "meter_calibration". Empty:
// none does.
std::string CircuitKeyOf(const std::string& section, const std::string& key);

// The rig without its circuits.
TomlNode WithoutCircuits(const TomlNode& rig);

}  // namespace conebook::src

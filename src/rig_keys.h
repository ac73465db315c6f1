// The keys of the rig file: the contract as one table, and the check of a file against it.
#pragma once

#include <limits>
#include <string>
#include <vector>

#include "src/toml_document.h"

namespace conebook::src {

enum class RigValue { kNumber, kInteger, kText, kPair, kNumbers, kTexts };

struct RigKey {
  const char* section;
  const char* key;
  RigValue type;
  double lowest = -std::numeric_limits<double>::infinity();
  bool lowest_allowed = true;  // false: must be above lowest
  double highest = std::numeric_limits<double>::infinity();
  std::vector<std::string> choices;  // kText: empty, any text
};

const std::vector<RigKey>& RigKeys();

// Throws calib::InputError at the first key that is unknown, of the wrong type, or out of range. Any numeric
// key X may have a u_X, not negative.
void CheckRigKeys(const TomlNode& root);

}  // namespace conebook::src

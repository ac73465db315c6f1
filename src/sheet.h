// The test-day sheet: which clips belong to a day, each with its element, log or readings, and rig overrides.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "src/measure.h"
#include "src/toml_document.h"

namespace conebook::src {

struct SheetClip {
  std::string place;                // "DAY.toml, line 7"
  std::optional<std::string> file;  // as the sheet writes it; nothing: flow only
  std::string element, batch;       // empty: the rig's
  std::optional<std::string> log;   // as written, its own or the day's
  TomlNode overrides;               // of the rig, element and batch included
  std::vector<HandReading> readings;
  bool sweep = false;
  std::optional<int> mount;
  std::string error;  // what is wrong with this entry; the others are still measured
};

struct Sheet {
  std::string path, name;
  std::optional<std::string> date;  // ISO 8601
  TomlNode root;
  std::string rig;  // as written
  std::vector<SheetClip> clips;

  std::string PathOf(const std::string& written) const { return root.PathFromHere(written); }
};

// Throws calib::InputError when the sheet as a whole cannot be used.
Sheet ReadSheet(const std::string& path);

// Names for result files, one a clip: the stem of the file, log or element, made unique; never "day".
std::vector<std::string> ResultStems(const Sheet& sheet);

}  // namespace conebook::src

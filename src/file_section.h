// One section of a calibration file that one of our commands wrote: known keys only, each of its kind. Errors
// are calib::InputError with file, line and key.
#pragma once

#include <limits>
#include <optional>
#include <string>
#include <vector>

#include "src/toml_document.h"

namespace conebook::src {

class FileSection {
 public:
  // command: that writes such files, for instance "calibrate meter".
  FileSection(const std::string& path, const std::string& section, std::vector<std::string> keys,
              const std::string& command);

  // Above `above`, or at it where at_it.
  double Number(const std::string& key, double above = -std::numeric_limits<double>::infinity(),
                bool at_it = false) const;
  std::vector<double> Numbers(const std::string& key, std::size_t count) const;
  std::size_t CountOf(const std::string& key) const;  // of an array; 0: no such key, or no array
  std::string Text(const std::string& key, const std::vector<std::string>& choices) const;
  std::string Text(const std::string& key) const;  // empty where the key is not there
  std::string Day(const std::string& key) const;   // empty where the key is not there
  std::string Place(const std::string& key) const;

 private:
  const TomlNode& Required(const std::string& key) const;

  std::string path_, section_;
  TomlNode table_;
};

// "key = value" lines for such a file, each with its end of line.
std::string NumberLine(const std::string& key, double value);
std::string NumbersLine(const std::string& key, const std::vector<double>& values);
std::string TextLine(const std::string& key, const std::string& value);

// date and expires, where they are not empty.
std::string DayLines(const std::string& date, const std::string& expires);

}  // namespace conebook::src

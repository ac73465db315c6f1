// A TOML file as a plain tree that remembers where each value stands, so that an error can name file and
// line. The TOML library stays behind this header.
#pragma once

#include <memory>
#include <string>
#include <utility>
#include <vector>

namespace conebook::src {

struct TomlNode {
  enum class Kind { kTable, kArray, kText, kNumber, kInteger, kBool, kOther };

  Kind kind = Kind::kTable;
  std::string text;                                       // kText
  double number = 0.0;                                    // kNumber, kInteger
  bool boolean = false;                                   // kBool
  std::vector<TomlNode> items;                            // kArray
  std::vector<std::pair<std::string, TomlNode>> entries;  // kTable, sorted by key
  std::shared_ptr<const std::string> file;                // path as the user gave it
  int line = 0;

  const TomlNode* Find(const std::string& key) const;
  bool IsNumber() const { return kind == Kind::kNumber || kind == Kind::kInteger; }
  // "RIG.toml, line 12"
  std::string Place() const;
  // A path written in this file, seen from the current directory.
  std::string PathFromHere(const std::string& relative) const;
};

// "a number", "text", "a table", ...
const char* NameOf(TomlNode::Kind kind);

// Throws calib::InputError: file missing or unreadable, or not TOML (with line and column).
TomlNode ReadToml(const std::string& path);

// Puts the values of `over` in place of those of `base`; tables are merged key by key.
void MergeInto(TomlNode& base, const TomlNode& over);

// Sets one text value, as if `place` had said it.
void SetText(TomlNode& table, const std::string& section, const std::string& key, const TomlNode& value);

}  // namespace conebook::src

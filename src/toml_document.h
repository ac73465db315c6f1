// A TOML file as a plain tree that remembers where each value stands, so that an error can name file and
// line. The TOML library stays behind this header.
#pragma once

#include <memory>
#include <string>
#include <vector>

namespace conebook::src {

struct TomlEntry;

struct TomlNode {
  enum class Kind { kTable, kArray, kText, kNumber, kInteger, kBool, kOther };

  Kind kind = Kind::kTable;
  std::string text;                         // kText
  double number = 0.0;                      // kNumber, kInteger
  bool boolean = false;                     // kBool
  std::vector<TomlNode> items;              // kArray; kTable: the values, in order of their keys
  std::vector<std::string> keys;            // kTable, sorted
  std::shared_ptr<const std::string> file;  // path as the user gave it
  int line = 0;

  const TomlNode* Find(const std::string& key) const;  // kTable
  std::vector<TomlEntry> Entries() const;              // kTable; valid while the node lives unchanged
  bool IsNumber() const { return kind == Kind::kNumber || kind == Kind::kInteger; }
  // "RIG.toml, line 12"
  std::string Place() const;
  // A path written in this file, seen from the current directory.
  std::string PathFromHere(const std::string& relative) const;
};

struct TomlEntry {
  const std::string& key;
  const TomlNode& node;
};

// "a number", "text", "a table", ...
const char* NameOf(TomlNode::Kind kind);

// Throws calib::InputError: file missing or unreadable, or not TOML (with line and column).
TomlNode ReadToml(const std::string& path);

// Puts the values of `over` in place of those of `base`; tables are merged key by key.
void MergeInto(TomlNode& base, const TomlNode& over);

// Puts `value` into a section of the table, as if the value's own file had said so.
void SetValue(TomlNode& table, const std::string& section, const std::string& key, const TomlNode& value);

}  // namespace conebook::src

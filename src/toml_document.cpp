#include "src/toml_document.h"

#include <algorithm>
#include <filesystem>
#include <fstream>
#include <sstream>

#include <fmt/core.h>
#include <toml++/toml.h>

#include <calib/error.h>

namespace conebook::src {
namespace {

namespace fs = std::filesystem;

std::size_t PlaceOf(const TomlNode& table, const std::string& key) {
  return static_cast<std::size_t>(std::lower_bound(table.keys.begin(), table.keys.end(), key) -
                                  table.keys.begin());
}

bool HoldsAt(const TomlNode& table, std::size_t at, const std::string& key) {
  return at < table.keys.size() && table.keys[at] == key;
}

void Put(TomlNode& table, const std::string& key, TomlNode value) {
  const std::size_t at = PlaceOf(table, key);
  if (HoldsAt(table, at, key)) {
    table.items[at] = std::move(value);
    return;
  }
  table.keys.insert(table.keys.begin() + static_cast<std::ptrdiff_t>(at), key);
  table.items.insert(table.items.begin() + static_cast<std::ptrdiff_t>(at), std::move(value));
}

TomlNode Convert(const toml::node& node, const std::shared_ptr<const std::string>& file) {
  TomlNode result;
  result.file = file;
  result.line = static_cast<int>(node.source().begin.line);
  if (const toml::table* table = node.as_table()) {
    for (auto&& [key, value] : *table) Put(result, std::string(key.str()), Convert(value, file));
  } else if (const toml::array* array = node.as_array()) {
    result.kind = TomlNode::Kind::kArray;
    for (const toml::node& item : *array) result.items.push_back(Convert(item, file));
  } else if (const auto* text = node.as_string()) {
    result.kind = TomlNode::Kind::kText;
    result.text = text->get();
  } else if (const auto* integer = node.as_integer()) {
    result.kind = TomlNode::Kind::kInteger;
    result.number = static_cast<double>(integer->get());
  } else if (const auto* real = node.as_floating_point()) {
    result.kind = TomlNode::Kind::kNumber;
    result.number = real->get();
  } else if (const auto* boolean = node.as_boolean()) {
    result.kind = TomlNode::Kind::kBool;
    result.boolean = boolean->get();
  } else {
    result.kind = TomlNode::Kind::kOther;
  }
  return result;
}

}  // namespace

const TomlNode* TomlNode::Find(const std::string& key) const {
  const std::size_t at = PlaceOf(*this, key);
  return HoldsAt(*this, at, key) ? &items[at] : nullptr;
}

std::vector<TomlEntry> TomlNode::Entries() const {
  std::vector<TomlEntry> entries;
  for (std::size_t i = 0; i < keys.size(); ++i) entries.push_back({keys[i], items[i]});
  return entries;
}

std::string TomlNode::Place() const {
  const std::string name = file ? *file : std::string("(no file)");
  return line > 0 ? fmt::format("{}, line {}", name, line) : name;
}

std::string TomlNode::PathFromHere(const std::string& relative) const {
  const fs::path path(relative);
  if (path.is_absolute() || !file) return relative;
  return (fs::path(*file).parent_path() / path).lexically_normal().string();
}

const char* NameOf(TomlNode::Kind kind) {
  switch (kind) {
    case TomlNode::Kind::kTable:
      return "a table";
    case TomlNode::Kind::kArray:
      return "a list";
    case TomlNode::Kind::kText:
      return "text";
    case TomlNode::Kind::kNumber:
      return "a number";
    case TomlNode::Kind::kInteger:
      return "a whole number";
    case TomlNode::Kind::kBool:
      return "true or false";
    case TomlNode::Kind::kOther:
      return "a date or time";
  }
  return "something else";
}

TomlNode ReadToml(const std::string& path) {
  std::error_code error;
  if (fs::is_directory(path, error)) throw calib::InputError(path + ": is a directory; expected a TOML file");
  std::ifstream stream(path, std::ios::binary);
  if (!stream)
    throw calib::InputError(path + ": cannot be opened; does the file exist, and may you read it?");
  std::ostringstream content;
  content << stream.rdbuf();
  std::string text = content.str();
  if (text.rfind("\xEF\xBB\xBF", 0) == 0) text.erase(0, 3);
  try {
    const toml::table table = toml::parse(text, path);
    TomlNode root = Convert(table, std::make_shared<const std::string>(path));
    root.line = 0;
    return root;
  } catch (const toml::parse_error& problem) {
    const auto& where = problem.source().begin;
    throw calib::InputError(fmt::format("{}, line {}, column {}: not valid TOML: {}", path, where.line,
                                        where.column, problem.description()));
  }
}

void MergeInto(TomlNode& base, const TomlNode& over) {
  for (const auto& [key, value] : over.Entries()) {
    const std::size_t at = PlaceOf(base, key);
    const bool tables = HoldsAt(base, at, key) && base.items[at].kind == TomlNode::Kind::kTable &&
                        value.kind == TomlNode::Kind::kTable;
    if (tables) {
      MergeInto(base.items[at], value);
    } else {
      Put(base, key, value);
    }
  }
}

void SetValue(TomlNode& table, const std::string& section, const std::string& key, const TomlNode& value) {
  TomlNode over, inner;
  inner.file = over.file = value.file;
  inner.line = value.line;
  Put(inner, key, value);
  Put(over, section, inner);
  MergeInto(table, over);
}

}  // namespace conebook::src

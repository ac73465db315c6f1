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

TomlNode Convert(const toml::node& node, const std::shared_ptr<const std::string>& file) {
  TomlNode result;
  result.file = file;
  result.line = static_cast<int>(node.source().begin.line);
  if (const toml::table* table = node.as_table()) {
    for (auto&& [key, value] : *table)
      result.entries.emplace_back(std::string(key.str()), Convert(value, file));
    std::sort(result.entries.begin(), result.entries.end(),
              [](const auto& a, const auto& b) { return a.first < b.first; });
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

TomlNode* FindMutable(TomlNode& table, const std::string& key) {
  for (auto& [name, value] : table.entries) {
    if (name == key) return &value;
  }
  return nullptr;
}

void Insert(TomlNode& table, const std::string& key, const TomlNode& value) {
  const auto at =
      std::lower_bound(table.entries.begin(), table.entries.end(), key,
                       [](const auto& entry, const std::string& name) { return entry.first < name; });
  table.entries.insert(at, {key, value});
}

}  // namespace

const TomlNode* TomlNode::Find(const std::string& key) const {
  for (const auto& [name, value] : entries) {
    if (name == key) return &value;
  }
  return nullptr;
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
  for (const auto& [key, value] : over.entries) {
    TomlNode* existing = FindMutable(base, key);
    if (existing == nullptr) {
      Insert(base, key, value);
    } else if (existing->kind == TomlNode::Kind::kTable && value.kind == TomlNode::Kind::kTable) {
      MergeInto(*existing, value);
    } else {
      *existing = value;
    }
  }
}

void SetText(TomlNode& table, const std::string& section, const std::string& key, const TomlNode& value) {
  TomlNode over;
  TomlNode inner;
  inner.file = over.file = value.file;
  inner.line = value.line;
  inner.entries.emplace_back(key, value);
  over.entries.emplace_back(section, inner);
  MergeInto(table, over);
}

}  // namespace conebook::src

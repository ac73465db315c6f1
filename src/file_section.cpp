#include "src/file_section.h"

#include <algorithm>
#include <cmath>

#include <fmt/core.h>

#include <calib/error.h>

#include "src/iso_date.h"
#include "src/nearest_name.h"

namespace conebook::src {

using calib::InputError;

FileSection::FileSection(const std::string& path, const std::string& section, std::vector<std::string> keys,
                         const std::string& command)
    : path_(path), section_(section) {
  const TomlNode root = ReadToml(path);
  const TomlNode* table = root.Find(section);
  if (table == nullptr || table->kind != TomlNode::Kind::kTable)
    throw InputError(
        fmt::format("{}: no section [{}]; expected a file that conebook {} wrote", path, section, command));
  table_ = *table;
  for (const auto& [key, node] : table_.Entries()) {
    if (std::find(keys.begin(), keys.end(), key) != keys.end()) continue;
    const auto nearest = NearestName(key, keys);
    throw InputError(fmt::format("{}: unknown key {} in [{}]{}", node.Place(), key, section,
                                 nearest ? "; did you mean " + *nearest + "?" : std::string()));
  }
}

const TomlNode& FileSection::Required(const std::string& key) const {
  const TomlNode* node = table_.Find(key);
  if (node == nullptr) throw InputError(fmt::format("{}: [{}] {} is missing", path_, section_, key));
  return *node;
}

std::string FileSection::Place(const std::string& key) const {
  return fmt::format("{}: [{}] {}", Required(key).Place(), section_, key);
}

double FileSection::Number(const std::string& key, double above, bool at_it) const {
  const TomlNode& node = Required(key);
  const bool good = node.IsNumber() && std::isfinite(node.number) &&
                    (node.number > above || (at_it && node.number == above));
  if (!good) {
    const std::string range =
        std::isfinite(above) ? fmt::format(" {} {:g}", at_it ? "not below" : "above", above) : std::string();
    throw InputError(fmt::format("{}: expected a number{}", Place(key), range));
  }
  return node.number;
}

std::size_t FileSection::CountOf(const std::string& key) const {
  const TomlNode* node = table_.Find(key);
  return node != nullptr && node->kind == TomlNode::Kind::kArray ? node->items.size() : 0;
}

std::vector<double> FileSection::Numbers(const std::string& key, std::size_t count) const {
  const TomlNode& node = Required(key);
  std::vector<double> values;
  bool good = node.kind == TomlNode::Kind::kArray && node.items.size() == count;
  for (const TomlNode& item : node.items) {
    good = good && item.IsNumber() && std::isfinite(item.number);
    values.push_back(item.number);
  }
  if (!good) throw InputError(fmt::format("{}: expected {} numbers in brackets", Place(key), count));
  return values;
}

std::string FileSection::Text(const std::string& key, const std::vector<std::string>& choices) const {
  const TomlNode& node = Required(key);
  const bool good = node.kind == TomlNode::Kind::kText &&
                    std::find(choices.begin(), choices.end(), node.text) != choices.end();
  if (!good) {
    std::string names;
    for (const std::string& choice : choices) names += (names.empty() ? "\"" : ", \"") + choice + "\"";
    throw InputError(fmt::format("{}: expected one of {}", Place(key), names));
  }
  return node.text;
}

std::string FileSection::Text(const std::string& key) const {
  const TomlNode* node = table_.Find(key);
  if (node == nullptr) return {};
  if (node->kind != TomlNode::Kind::kText)
    throw InputError(fmt::format("{}: expected text in quotes", Place(key)));
  return node->text;
}

std::string FileSection::Day(const std::string& key) const {
  const TomlNode* node = table_.Find(key);
  if (node == nullptr) return {};
  if (node->kind != TomlNode::Kind::kText)
    throw InputError(fmt::format("{}: expected a day such as \"2031-05-04\"", Place(key)));
  return *StatedDay(node->text, Place(key));
}

std::string NumberLine(const std::string& key, double value) {
  return fmt::format("{} = {:.10g}\n", key, value);
}

std::string NumbersLine(const std::string& key, const std::vector<double>& values) {
  std::string list;
  for (const double value : values) list += fmt::format("{}{:.10g}", list.empty() ? "" : ", ", value);
  return fmt::format("{} = [{}]\n", key, list);
}

std::string TextLine(const std::string& key, const std::string& value) {
  return fmt::format("{} = \"{}\"\n", key, value);
}

std::string DayLines(const std::string& date, const std::string& expires) {
  const auto line = [](const char* key, const std::string& day) {
    return day.empty() ? std::string() : TextLine(key, day);
  };
  return line("date", date) + line("expires", expires);
}

}  // namespace conebook::src

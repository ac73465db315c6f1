#include "src/csv_table.h"

#include <algorithm>
#include <charconv>
#include <cmath>
#include <filesystem>
#include <fstream>
#include <regex>

#include <fmt/core.h>

#include <calib/error.h>

namespace conebook::src {
namespace {

std::string Trimmed(const std::string& text) {
  constexpr const char* kBlank = " \t\r\n";
  const std::size_t first = text.find_first_not_of(kBlank);
  if (first == std::string::npos) return {};
  return text.substr(first, text.find_last_not_of(kBlank) - first + 1);
}

std::vector<std::string> Split(const std::string& line, char delimiter) {
  std::vector<std::string> cells;
  std::string cell;
  bool quoted = false;
  for (std::size_t i = 0; i < line.size(); ++i) {
    const char c = line[i];
    if (c == '"') {
      if (quoted && i + 1 < line.size() && line[i + 1] == '"') {
        cell += '"';
        ++i;
      } else {
        quoted = !quoted;
      }
    } else if (c == delimiter && !quoted) {
      cells.push_back(Trimmed(cell));
      cell.clear();
    } else {
      cell += c;
    }
  }
  cells.push_back(Trimmed(cell));
  return cells;
}

char FindDelimiter(const std::string& header) {
  char best = ',';
  std::size_t most = 1;
  for (const char candidate : {';', '\t', ',', '|'}) {
    const std::size_t cells = Split(header, candidate).size();
    if (cells > most) {
      most = cells;
      best = candidate;
    }
  }
  return best;
}

// A comma is the decimal sign when any cell reads as a number only with it.
char FindDecimal(const CsvTable& table) {
  static const std::regex kWithComma(R"([+-]?\d*,\d+([eE][+-]?\d+)?)");
  for (const auto& row : table.rows) {
    for (const std::string& cell : row) {
      if (cell.find(',') != std::string::npos && std::regex_match(cell, kWithComma)) return ',';
    }
  }
  return '.';
}

}  // namespace

std::optional<std::size_t> CsvTable::Column(const std::string& name) const {
  const auto found = std::find(header.begin(), header.end(), name);
  if (found == header.end()) return std::nullopt;
  return static_cast<std::size_t>(found - header.begin());
}

CsvTable ReadCsv(const std::string& path, std::optional<char> delimiter, std::optional<char> decimal) {
  std::error_code error;
  if (std::filesystem::is_directory(path, error))
    throw calib::InputError(path + ": is a directory; expected a CSV log");
  std::ifstream stream(path, std::ios::binary);
  if (!stream)
    throw calib::InputError(path + ": cannot be opened; does the file exist, and may you read it?");
  CsvTable table;
  table.path = path;
  std::string text;
  for (int line = 1; std::getline(stream, text); ++line) {
    if (line == 1 && text.rfind("\xEF\xBB\xBF", 0) == 0) text.erase(0, 3);
    if (text.find('\0') != std::string::npos) {
      throw calib::InputError(fmt::format("{}, line {}: not text; expected a CSV log in UTF-8", path, line));
    }
    const std::string trimmed = Trimmed(text);
    if (trimmed.empty() || trimmed.front() == '#') continue;
    if (table.header.empty()) {
      table.delimiter = delimiter.value_or(FindDelimiter(trimmed));
      table.header = Split(text, table.delimiter);
      table.header_line = line;
    } else {
      table.rows.push_back(Split(text, table.delimiter));
      table.line.push_back(line);
    }
  }
  if (table.header.empty()) {
    throw calib::InputError(path +
                            ": empty; expected a header such as time_s,pressure_bar,flow_lpm and rows");
  }
  if (table.rows.empty()) {
    throw calib::InputError(path + ": the log has a header but no rows; was the logger started?");
  }
  table.decimal = decimal.value_or(table.delimiter == ',' ? '.' : FindDecimal(table));
  return table;
}

double NumberAt(const CsvTable& table, std::size_t row, std::size_t column) {
  const auto refuse = [&](const std::string& problem) {
    throw calib::InputError(fmt::format("{}, line {}: column {}: {}", table.path, table.line[row],
                                        table.header[column], problem));
  };
  if (column >= table.rows[row].size()) {
    refuse(fmt::format("missing; the header has {} columns, this row has {}", table.header.size(),
                       table.rows[row].size()));
  }
  const std::string& cell = table.rows[row][column];
  if (cell.empty()) refuse("expected a number, found an empty cell; take rows without a reading out");
  std::string digits = cell.front() == '+' ? cell.substr(1) : cell;
  if (table.decimal == ',') std::replace(digits.begin(), digits.end(), ',', '.');
  double value = 0.0;
  const auto [end, problem] = std::from_chars(digits.data(), digits.data() + digits.size(), value);
  if (problem != std::errc() || end != digits.data() + digits.size()) {
    refuse(fmt::format("expected a number, found \"{}\"", cell.substr(0, 40)));
  }
  if (!std::isfinite(value)) {
    refuse(fmt::format("expected a finite number, found \"{}\"; take rows without a reading out", cell));
  }
  return value;
}

}  // namespace conebook::src

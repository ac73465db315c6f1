#include "src/csv_table.h"

#include <algorithm>
#include <cctype>
#include <charconv>
#include <cmath>
#include <regex>

#include <fmt/core.h>

#include <calib/error.h>

#include "src/csv_text.h"

namespace conebook::src {
namespace {

std::string Trimmed(const std::string& text) {
  constexpr const char* kBlank = " \t\r\n";
  const std::size_t first = text.find_first_not_of(kBlank);
  if (first == std::string::npos) return {};
  return text.substr(first, text.find_last_not_of(kBlank) - first + 1);
}

// Of blanks as delimiters, any number is one.
std::vector<std::string> Split(const std::string& text, char delimiter) {
  std::vector<std::string> cells;
  std::string cell;
  bool quoted = false;
  const std::string line = delimiter == ' ' ? Trimmed(text) : text;
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
      if (delimiter == ' ' && i > 0 && line[i - 1] == ' ') continue;
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

// A comma is the decimal sign when any cell reads as a number only with it, and none needs a point. Where the
// comma parts the cells, such a cell was quoted.
char FindDecimal(const CsvTable& table) {
  static const std::regex kWithComma(R"([+-]?\d*,\d+([eE][+-]?\d+)?)");
  static const std::regex kWithPoint(R"([+-]?\d*[.]\d+([eE][+-]?\d+)?)");
  char found = '.';
  for (const auto& row : table.rows) {
    for (const std::string& cell : row) {
      if (cell.find(',') != std::string::npos && std::regex_match(cell, kWithComma)) found = ',';
      if (table.delimiter == ',' && std::regex_match(cell, kWithPoint)) return '.';
      if (found == ',' && table.delimiter != ',') return found;
    }
  }
  return found;
}

struct Line {
  int number = 0;
  std::string text;
};

// Which lines are what: elements of the lines that are not blank.
struct Layout {
  char delimiter = ',';
  std::size_t header = 0;
  bool units = false;
};

bool IsNumber(const std::string& cell) {
  if (cell.empty()) return false;
  std::string digits = cell.front() == '+' ? cell.substr(1) : cell;
  std::replace(digits.begin(), digits.end(), ',', '.');
  double value = 0.0;
  const auto [end, problem] = std::from_chars(digits.data(), digits.data() + digits.size(), value);
  return problem == std::errc() && end == digits.data() + digits.size();
}

bool IsTime(const std::string& cell) {
  return cell.find(':') != std::string::npos && std::isdigit(static_cast<unsigned char>(cell.front())) != 0;
}

// Two readings or more, and no more words than readings.
bool IsData(const std::vector<std::string>& cells) {
  std::size_t readings = 0;
  std::size_t words = 0;
  for (const std::string& cell : cells) {
    if (cell.empty()) continue;
    (IsNumber(cell) || IsTime(cell) ? readings : words)++;
  }
  return readings >= 2 && words <= readings;
}

// "[kPa]" -> "kPa"
std::string Bare(const std::string& cell) {
  const std::size_t first = cell.find_first_not_of("[(");
  if (first == std::string::npos) return {};
  return cell.substr(first, cell.find_last_not_of("])") - first + 1);
}

// Short words without digits, one blank cell at most per unit: "s", "[bar]", "l/min", "1/s".
bool IsUnits(const std::vector<std::string>& cells) {
  std::size_t units = 0;
  std::size_t blank = 0;
  constexpr std::size_t kLongest = 8;
  for (const std::string& cell : cells) {
    if (cell.empty() || cell == "-") {
      ++blank;
      continue;
    }
    if (Bare(cell).size() > kLongest || cell.find(' ') != std::string::npos || IsNumber(cell)) return false;
    ++units;
  }
  return units >= 2 && blank <= units;
}

Layout FindLayout(const std::string& path, const std::vector<Line>& lines, const CsvOptions& options) {
  Layout layout;
  std::size_t most = 0;
  std::size_t first = lines.size();  // line of readings
  constexpr std::size_t kLooked = 400;
  const std::string candidates = options.delimiter ? std::string(1, *options.delimiter) : ";\t,| ";
  for (const char candidate : candidates) {
    std::size_t data = 0;
    std::size_t at = lines.size();
    for (std::size_t k = 0; k < std::min(kLooked, lines.size()); ++k) {
      if (!IsData(Split(lines[k].text, candidate))) continue;
      ++data;
      at = std::min(at, k);
    }
    if (data > most) {
      most = data;
      first = at;
      layout.delimiter = candidate;
    }
  }
  // No line of readings: the first line is taken for the header, and what follows is refused by its line.
  if (first == lines.size()) {
    layout.delimiter = options.delimiter.value_or(FindDelimiter(lines[0].text));
    return layout;
  }
  std::optional<std::size_t> header;
  std::optional<std::size_t> alike;
  const std::size_t cells = Split(lines[first].text, layout.delimiter).size();
  for (std::size_t k = first; k-- > 0 && !header;) {
    const std::vector<std::string> here = Split(lines[k].text, layout.delimiter);
    if (options.could_be_header(here)) header = k;
    if (!alike && here.size() + 1 >= cells && here.size() >= 2) alike = k;
  }
  if (!header && alike && IsUnits(Split(lines[*alike].text, layout.delimiter)) && *alike > 0) --*alike;
  if (!header) header = alike;
  if (!header) {
    throw calib::InputError(
        fmt::format("{}, line {}: readings without a header above them; expected a line of names such as "
                    "time_s,pressure_bar,flow_lpm",
                    path, lines[first].number));
  }
  layout.header = *header;
  layout.units =
      layout.header + 2 <= first && IsUnits(Split(lines[layout.header + 1].text, layout.delimiter));
  return layout;
}

}  // namespace

std::optional<std::size_t> CsvTable::Column(const std::string& name) const {
  const auto found = std::find(header.begin(), header.end(), name);
  if (found == header.end()) return std::nullopt;
  return static_cast<std::size_t>(found - header.begin());
}

CsvTable ReadCsv(const std::string& path, const CsvOptions& options) {
  std::vector<Line> lines;
  {
    const std::vector<std::string> all = ReadTextLines(path);
    for (std::size_t k = 0; k < all.size(); ++k) {
      const std::string trimmed = Trimmed(all[k]);
      if (!trimmed.empty() && trimmed.front() != '#') lines.push_back({static_cast<int>(k) + 1, all[k]});
    }
  }
  if (lines.empty()) {
    throw calib::InputError(path +
                            ": empty; expected a header such as time_s,pressure_bar,flow_lpm and rows");
  }
  CsvTable table;
  table.path = path;
  const Layout layout = options.could_be_header
                            ? FindLayout(path, lines, options)
                            : Layout{options.delimiter.value_or(FindDelimiter(lines[0].text))};
  table.delimiter = layout.delimiter;
  table.header = Split(lines[layout.header].text, table.delimiter);
  table.header_line = lines[layout.header].number;
  table.lines_before = static_cast<int>(layout.header);
  if (layout.units) {
    const std::vector<std::string> units = Split(lines[layout.header + 1].text, table.delimiter);
    for (std::size_t i = 0; i < std::min(units.size(), table.header.size()); ++i) {
      const std::string unit = Bare(units[i]);
      if (!unit.empty()) table.header[i] += fmt::format(" [{}]", unit);
    }
  }
  for (std::size_t k = layout.header + (layout.units ? 2 : 1); k < lines.size(); ++k) {
    table.rows.push_back(Split(lines[k].text, table.delimiter));
    table.line.push_back(lines[k].number);
  }
  if (table.rows.empty()) {
    throw calib::InputError(path + ": the log has a header but no rows; was the logger started?");
  }
  table.decimal = options.decimal.value_or(FindDecimal(table));
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

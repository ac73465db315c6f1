// A CSV file as text cells with line numbers. Lines that start with # and blank lines are skipped; byte order
// marks, UTF-16, any line ends and quoted cells are fine. Delimiter and decimal sign are found unless stated.
// A logger's own file may say things before its header and give the units in a row below it.
#pragma once

#include <functional>
#include <optional>
#include <string>
#include <vector>

namespace conebook::src {

struct CsvTable {
  std::string path;
  char delimiter = ',';
  char decimal = '.';
  int header_line = 0;
  int lines_before = 0;             // passed over before the header
  std::vector<std::string> header;  // trimmed
  std::vector<int> line;            // of each row, from 1
  std::vector<std::vector<std::string>> rows;

  std::optional<std::size_t> Column(const std::string& name) const;
};

struct CsvOptions {
  std::optional<char> delimiter, decimal;
  // Of a table of numbers: whether these cells could be its header. With it, lines before the header are
  // passed over and a row of units below is joined to the names ("Pressure" over "kPa": "Pressure [kPa]").
  std::function<bool(const std::vector<std::string>& cells)> could_be_header;
};

// Throws calib::InputError: cannot be opened, no header, no rows.
CsvTable ReadCsv(const std::string& path, const CsvOptions& options);

// The number in a cell; throws calib::InputError naming file, line and column: empty, text, not finite, row
// too short.
double NumberAt(const CsvTable& table, std::size_t row, std::size_t column);

}  // namespace conebook::src

// A CSV file as text cells with line numbers. Lines that start with # and blank lines are skipped; a byte
// order mark, CRLF and quoted cells are fine. Delimiter and decimal sign are found unless stated.
#pragma once

#include <optional>
#include <string>
#include <vector>

namespace conebook::src {

struct CsvTable {
  std::string path;
  char delimiter = ',';
  char decimal = '.';
  int header_line = 0;
  std::vector<std::string> header;  // trimmed
  std::vector<int> line;            // of each row, from 1
  std::vector<std::vector<std::string>> rows;

  std::optional<std::size_t> Column(const std::string& name) const;
};

// Throws calib::InputError: cannot be opened, no header, no rows.
CsvTable ReadCsv(const std::string& path, std::optional<char> delimiter, std::optional<char> decimal);

// The number in a cell; throws calib::InputError naming file, line and column: empty, text, not finite, row
// too short.
double NumberAt(const CsvTable& table, std::size_t row, std::size_t column);

}  // namespace conebook::src

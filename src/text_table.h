// A table for a terminal.
#pragma once

#include <string>
#include <vector>

namespace conebook::src {

// The first row is the header. Columns as wide as their widest cell, in characters, not bytes; two blanks in
// front of each line.
std::string TextTable(const std::vector<std::vector<std::string>>& rows);

// A cell of a CSV file, quoted where it must be (RFC 4180).
std::string CsvCell(const std::string& text);

}  // namespace conebook::src

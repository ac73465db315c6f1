#include "src/text_table.h"

#include <algorithm>

namespace conebook::src {
namespace {

std::size_t WidthOf(const std::string& text) {
  // Bytes that continue a UTF-8 character take no place of their own.
  return static_cast<std::size_t>(std::count_if(
      text.begin(), text.end(), [](char c) { return (static_cast<unsigned char>(c) & 0xC0U) != 0x80U; }));
}

}  // namespace

std::string TextTable(const std::vector<std::vector<std::string>>& rows) {
  std::vector<std::size_t> widths(rows.front().size(), 0);
  for (const auto& row : rows) {
    for (std::size_t k = 0; k < row.size(); ++k) widths[k] = std::max(widths[k], WidthOf(row[k]));
  }
  std::string text;
  for (const auto& row : rows) {
    std::size_t line_end = text.size();
    text += ' ';
    for (std::size_t k = 0; k < row.size(); ++k) {
      text += ' ';
      text += row[k];
      if (!row[k].empty()) line_end = text.size();
      text.append(widths[k] - WidthOf(row[k]) + 1, ' ');
    }
    text.resize(line_end);
    text += '\n';
  }
  return text;
}

std::string CsvCell(const std::string& text) {
  if (text.find_first_of(",\"\r\n") == std::string::npos) return text;
  std::string quoted = "\"";
  for (const char c : text) {
    if (c == '"') quoted += '"';
    quoted += c;
  }
  return quoted + "\"";
}

}  // namespace conebook::src

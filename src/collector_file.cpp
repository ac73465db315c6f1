#include "src/collector_file.h"

#include <cmath>
#include <optional>
#include <utility>
#include <vector>

#include <fmt/core.h>

#include <calib/error.h>

#include "src/csv_table.h"

namespace conebook::src {
namespace {

using calib::InputError;

constexpr double kGramsPerKilogram = 1000.0;

// A column that may be given in either of two units.
struct Column {
  std::size_t at = 0;
  double to_unit = 1.0;
};

std::optional<Column> ColumnOf(const CsvTable& table, const std::string& name, const std::string& other,
                               double other_to_unit) {
  const auto first = table.Column(name);
  const auto second = other.empty() ? std::nullopt : table.Column(other);
  if (first && second)
    throw InputError(fmt::format("{}, line {}: columns {} and {} both give the same; keep one", table.path,
                                 table.header_line, name, other));
  if (first) return Column{*first, 1.0};
  if (second) return Column{*second, other_to_unit};
  return std::nullopt;
}

Column Needed(const CsvTable& table, const std::optional<Column>& column, const char* what) {
  if (column) return *column;
  throw InputError(
      fmt::format("{}, line {}: {} is missing; a collector table has the columns sector or ring, "
                  "mass_g or mass_kg, and time_s",
                  table.path, table.header_line, what));
}

int WholeAt(const CsvTable& table, std::size_t row, std::size_t column) {
  constexpr double kMost = 999.0;
  const double value = NumberAt(table, row, column);
  if (!(value >= 0.0 && value <= kMost) || value != std::floor(value))
    throw InputError(fmt::format("{}, line {}: column {}: expected a whole number from 0 on, found {:g}",
                                 table.path, table.line[row], table.header[column], value));
  return static_cast<int>(value);
}

}  // namespace

calib::Patternation ReadCollectorTable(const std::string& path, const calib::PatternationOptions& options) {
  const CsvTable table = ReadCsv(path, {});
  const auto sector = table.Column("sector");
  const auto ring = table.Column("ring");
  if (!sector && !ring)
    throw InputError(
        fmt::format("{}, line {}: neither column sector nor column ring: which collector a row is "
                    "of must be told",
                    table.path, table.header_line));
  const Column mass =
      Needed(table, ColumnOf(table, "mass_g", "mass_kg", kGramsPerKilogram), "mass_g or mass_kg");
  const Column time = Needed(table, ColumnOf(table, "time_s", "", 1.0), "time_s");
  const auto u_mass = ColumnOf(table, "u_mass_g", "u_mass_kg", kGramsPerKilogram);
  const auto u_time = ColumnOf(table, "u_time_s", "", 1.0);
  std::vector<calib::CollectorRow> rows;
  for (std::size_t k = 0; k < table.rows.size(); ++k) {
    calib::CollectorRow row;
    row.place = fmt::format("{}, line {}", table.path, table.line[k]);
    if (sector) row.sector = WholeAt(table, k, *sector);
    if (ring) row.ring = WholeAt(table, k, *ring);
    row.mass_g = NumberAt(table, k, mass.at) * mass.to_unit;
    row.time_s = NumberAt(table, k, time.at);
    if (u_mass) row.u_mass_g = NumberAt(table, k, u_mass->at) * u_mass->to_unit;
    if (u_time) row.u_time_s = NumberAt(table, k, u_time->at);
    rows.push_back(std::move(row));
  }
  return calib::ReadPattern(rows, options);
}

}  // namespace conebook::src

// A table of elements (CSV, one row an element) as records: statements about geometry, route, material,
// drawing and notes, and moves in the stock. What is on record already is not put there again; what
// contradicts it needs a reason, and then supersedes it.
//
// Columns: element, and any of
//   batch, kind, route, material, drawing, notes, measured_by, inlet_count, inlet_diameter_mm,
//   inlet_edge_radius_mm, chamber_diameter_mm, chamber_length_mm, exit_diameter_mm, exit_length_mm, each
//   diameter, length and radius also as u_...;
//   state (in_stock, reserved, fitted, fired, cleaned, scrapped), date, plate, position, firings, state_note
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "src/archive/record.h"
#include "src/csv_table.h"

namespace conebook::src {

struct StockMove {
  std::string element, state, date, plate, position, note;
  std::optional<int> firings;
};

// Throws calib::InputError: a state that is not known, a date that is none, "fitted" without a plate.
// place: what to name in the error.
void CheckStockMove(const StockMove& move, const std::string& place);

// The move as the next event in the element's history; nothing where it says what is so already.
// archive may not be there yet.
std::optional<Record> StockRecord(const std::string& archive, const StockMove& move);

struct ElementTable {
  std::vector<Record> records;
  std::vector<std::string> ignored;  // columns that say nothing we know
  int elements = 0;                  // rows
};

bool LooksLikeElementTable(const CsvTable& table);

// today: the day of the import, for statements and moves without a date of their own.
// Throws calib::InputError naming file, line and column, also where the table contradicts the record and
// `reason` is empty.
ElementTable ReadElementTable(const std::string& archive, const CsvTable& table, const std::string& reason,
                              const std::string& today);

}  // namespace conebook::src

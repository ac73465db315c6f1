// The stock that a plate is matched from: every element's readings at one pressure drop, with u split into
// what is its own and what it shares with other elements.
//
// An element's reading is the mean over its runs of the latest day that has one: what was flowed before a
// firing or a cleaning is not mixed with what came after. Own parts of these runs are independent, and grow
// by the Birge ratio where the runs differ by more than they say; shared parts stay what they are.
#pragma once

#include <map>
#include <optional>
#include <string>
#include <utility>
#include <vector>

#include <calib/element_lean.h>

#include "src/archive/element_readings.h"

namespace conebook::src {

struct StockReading {
  double value = 0.0, u = 0.0;
  double own_u = 0.0;
  // Errors shared with other readings: name of the error, and its standard deviation in this reading.
  std::vector<std::pair<std::string, double>> shared;
  int runs = 1;
  std::string date;
  std::vector<std::string> records;
};

struct StockElement {
  std::string element, batch, state, plate;    // state, plate: of the stock table; empty: never moved
  std::vector<std::vector<RunReadings>> runs;  // by circuit, of the latest day with a flow area
  std::vector<std::optional<StockReading>> flow_area_mm2;  // by circuit
  std::optional<StockReading> circuit_ratio;               // of the first to the second
  std::map<std::string, StockReading> readings;            // other quantities, by name
  std::optional<calib::ElementLean> lean;
  std::string no_lean;                                 // why not
  std::optional<std::pair<double, double>> range_bar;  // of its flow readings
};

struct StockQuestion {
  RunFilter filter;   // elements, batches, days
  bool all = false;   // also what is not in stock
  std::string plate;  // elements reserved for it count as in stock
  double pressure_bar = 0.0;
  std::vector<std::string> circuits;  // names; empty: one
};

struct Stock {
  std::vector<StockElement> elements;  // by name
  std::vector<std::string> notes;      // what was left out, and why
};

// Throws ArchiveError.
Stock FindStockReadings(const std::string& archive, const StockQuestion& question);

// Mean over the runs of the latest day that have the quantity at this pressure drop. name: of the quantity,
// part of the names of its shared errors.
std::optional<StockReading> ReadingAt(const std::vector<RunReadings>& runs, ReadQuantity quantity,
                                      const std::string& name, double pressure_bar);

}  // namespace conebook::src

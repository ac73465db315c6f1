// `conebook size`: foretell an element from those on record, or a whole plate of them. Returns the exit
// status of the contract and throws calib::InputError (2) or ArchiveError (4).
#pragma once

#include <optional>
#include <string>
#include <vector>

namespace CLI {
class App;
}

namespace conebook::src {

struct SizeOptions {
  std::string archive;
  std::optional<std::string> target;  // else the element below
  std::optional<double> exit_mm, inlet_mm, chamber_mm, exit_length_mm, pressure_bar;
  std::optional<int> inlets;
  std::optional<std::string> liquid;
  std::optional<double> temperature_c, behind_bar;
  int most = 10;
  std::vector<std::string> elements, batches;  // only these; empty: all
  std::optional<std::string> json, report;
  bool quiet = false;
};

void AddSize(CLI::App& app, SizeOptions& options);
int SizeCommand(const SizeOptions& options);

}  // namespace conebook::src

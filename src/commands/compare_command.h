// `conebook compare`: two groups of elements on record held against each other. Returns the exit status of
// the contract and throws calib::InputError (2), ArchiveError (4).
#pragma once

#include <optional>
#include <string>
#include <vector>

namespace CLI {
class App;
}

namespace conebook::src {

struct CompareCommandOptions {
  std::string archive;
  std::vector<std::string> groups, more_groups, margins;
  std::optional<double> at_bar;
  std::optional<std::string> json, report;
  bool quiet = false;
};

void AddCompare(CLI::App& app, CompareCommandOptions& options);
int CompareCommand(const CompareCommandOptions& options);

}  // namespace conebook::src

// `conebook match`: elements of the stock for a plate. Returns the exit status of the contract (3: no plate
// can be made; the result is still written) and throws calib::InputError (2), ArchiveError (4).
#pragma once

#include <optional>
#include <string>
#include <vector>

namespace CLI {
class App;
}

namespace conebook::src {

struct MatchOptions {
  std::string archive, plate;
  std::vector<std::string> elements, batches;
  std::optional<std::string> from, to;
  std::optional<double> at_bar;
  bool all = false, use_undecided = false, quiet = false;
  std::optional<std::string> json, report, svg;
};

void AddMatch(CLI::App& app, MatchOptions& options);
int MatchCommand(const MatchOptions& options);

}  // namespace conebook::src

// `conebook plan`: what to expect of a filming set-up. Returns the exit status of the contract and throws
// calib::InputError (2).
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "src/plan.h"

namespace CLI {
class App;
}

namespace conebook::src {

struct PlanOptions {
  PlanInput input;
  double u_distance_percent = 3.0;
  std::vector<double> exit_px;  // x, y
  std::optional<std::string> json;
  bool quiet = false;
};

void AddPlan(CLI::App& app, PlanOptions& options);
int PlanCommand(const PlanOptions& options);

}  // namespace conebook::src

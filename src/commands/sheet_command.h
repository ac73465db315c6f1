// `conebook sheet`: drafts a test-day sheet. Returns the exit status of the contract and throws
// calib::InputError (2).
#pragma once

#include <optional>
#include <string>

namespace CLI {
class App;
}

namespace conebook::src {

struct SheetOptions {
  std::string folder, log;
  std::optional<std::string> rig, out;
  std::optional<double> camera_offset_s;
  bool file_times = false;
  int threads = 0;
  bool quiet = false;
};

void AddSheet(CLI::App& app, SheetOptions& options);
int SheetCommand(const SheetOptions& options);

}  // namespace conebook::src

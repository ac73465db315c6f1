// The one place that catches, and picks the exit status.
#include <exception>

#include <fmt/core.h>

#include <calib/error.h>
#include <vision/spray_measurement.h>

#include "src/archive/archive.h"
#include "src/commands/command_line.h"
#include "src/version.h"

int main(int argc, char** argv) {
  using namespace conebook;
  try {
    return src::RunCommandLine(argc, argv);
  } catch (const calib::InputError& problem) {
    fmt::print(stderr, "conebook: {}\n", problem.what());
    return 2;
  } catch (const src::ArchiveError& problem) {
    fmt::print(stderr, "conebook: {}\n", problem.what());
    return 4;
  } catch (const vision::Interrupted&) {
    fmt::print(stderr, "conebook: interrupted; nothing was written\n");
    return 130;
  } catch (const std::exception& problem) {
    fmt::print(
        stderr,
        "conebook: this is a bug: {}\n"
        "Please report it with the command line, the rig file, the log, and the clip or a part of it.\n"
        "Version {} ({}).\n",
        problem.what(), src::ProgramVersion(), src::ProgramBuild());
    return 1;
  }
}

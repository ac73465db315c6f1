#include "src/commands/calibrate_words.h"

#include <CLI/CLI.hpp>

namespace conebook::src {

CLI::App* AddCommand(CLI::App& calibrate, const char* name, const char* purpose, const char* footer) {
  CLI::App* command = calibrate.add_subcommand(name, purpose);
  command->fallthrough();
  command->footer(footer);
  return command;
}

}  // namespace conebook::src

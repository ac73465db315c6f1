#include "src/commands/calibrate_words.h"

#include <vector>

#include <CLI/CLI.hpp>

namespace conebook::src {

CLI::App* AddCommand(CLI::App& calibrate, const char* name, const char* purpose, const char* footer) {
  CLI::App* command = calibrate.add_subcommand(name, purpose);
  command->fallthrough();
  command->footer(footer);
  return command;
}

void AddJson(CLI::App* command, std::optional<std::string>& json) {
  command
      ->add_option_function<std::vector<std::string>>(
          "--json",
          [&json](const std::vector<std::string>& values) {
            json = values.empty() || values.front().empty() ? "-" : values.front();
          },
          "As JSON, on standard output or into a file")
      ->expected(0, 1)
      ->type_name("[OUT]");
}

}  // namespace conebook::src

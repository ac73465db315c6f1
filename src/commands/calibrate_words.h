// What the commands under `calibrate` have in common on the command line.
#pragma once

#include <optional>
#include <string>

namespace CLI {
class App;
}

namespace conebook::src {

CLI::App* AddCommand(CLI::App& calibrate, const char* name, const char* purpose, const char* footer);

// --json [OUT]: "-" without a name.
void AddJson(CLI::App* command, std::optional<std::string>& json);

}  // namespace conebook::src

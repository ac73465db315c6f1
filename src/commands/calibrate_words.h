// What the commands under `calibrate` have in common on the command line.
#pragma once

namespace CLI {
class App;
}

namespace conebook::src {

CLI::App* AddCommand(CLI::App& calibrate, const char* name, const char* purpose, const char* footer);

}  // namespace conebook::src

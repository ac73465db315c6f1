// Where a command's results go, and how it is asked: a file, or standard output for "-".
#pragma once

#include <optional>
#include <string>

namespace CLI {
class App;
class Option;
}  // namespace CLI

namespace conebook::src {

// An option that may stand alone, "--json [OUT]": then the result goes to standard output, "-".
CLI::Option* AddOutput(CLI::App* command, const char* name, std::optional<std::string>& path,
                       const char* meaning);
void AddJson(CLI::App* command, std::optional<std::string>& path);

// Nothing on disk is changed. Throws calib::InputError.
void CheckOutput(const std::optional<std::string>& path);

void WriteOutput(const std::string& path, const std::string& bytes);

// At the end of a command. Throws calib::InputError where standard output did not take it all.
void FlushOutput();

}  // namespace conebook::src

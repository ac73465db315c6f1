#include "src/commands/output.h"

#include <cstdio>
#include <vector>

#include <CLI/CLI.hpp>

#include <calib/error.h>

#include "src/output_file.h"

namespace conebook::src {

CLI::Option* AddOutput(CLI::App* command, const char* name, std::optional<std::string>& path,
                       const char* meaning) {
  return command
      ->add_option_function<std::vector<std::string>>(
          name,
          [&path](const std::vector<std::string>& values) {
            path = values.empty() || values.front().empty() ? "-" : values.front();
          },
          meaning)
      ->expected(0, 1)
      ->type_name("[OUT]");
}

void AddJson(CLI::App* command, std::optional<std::string>& path) {
  AddOutput(command, "--json", path, "As JSON, on standard output or into a file");
}

void CheckOutput(const std::optional<std::string>& path) {
  if (path && *path != "-") CheckCanWrite(*path);
}

void WriteOutput(const std::string& path, const std::string& bytes) {
  if (path != "-") return WriteWhole(path, bytes);
  std::fwrite(bytes.data(), 1, bytes.size(), stdout);
}

void FlushOutput() {
  if (std::fflush(stdout) != 0 || std::ferror(stdout) != 0)
    throw calib::InputError("standard output could not be written; is the disk full?");
}

}  // namespace conebook::src

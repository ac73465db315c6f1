#include "src/commands/output.h"

#include <cstdio>

#include <calib/error.h>

#include "src/output_file.h"

namespace conebook::src {

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

// Folders for what a test renders or draws: of this process alone, since tests run side by side, and gone at
// its end.
#pragma once

#include <filesystem>
#include <string>
#include <system_error>

#include <unistd.h>

namespace conebook::tests {

// The path of a folder that is not there yet.
inline std::filesystem::path ScratchFolder(const std::string& name) {
  namespace fs = std::filesystem;
  struct Root {
    fs::path path = fs::temp_directory_path() / ("conebook_vision_" + std::to_string(::getpid()));
    Root() { fs::create_directories(path); }
    ~Root() {
      std::error_code ignored;
      fs::remove_all(path, ignored);
    }
  };
  static const Root kRoot;
  fs::remove_all(kRoot.path / name);
  return kRoot.path / name;
}

}  // namespace conebook::tests

// A folder of a test's own, gone at its end.
#pragma once

#include <filesystem>
#include <fstream>
#include <string>

#include <catch2/catch.hpp>
#include <unistd.h>

namespace conebook::testing {

struct ScratchFolder {
  std::filesystem::path path;
  ScratchFolder() {
    std::string name = (std::filesystem::temp_directory_path() / "conebook-test-XXXXXX").string();
    REQUIRE(::mkdtemp(name.data()) != nullptr);
    path = name;
  }
  ~ScratchFolder() {
    std::error_code ignored;
    std::filesystem::permissions(path, std::filesystem::perms::owner_all, ignored);
    std::filesystem::remove_all(path, ignored);
  }
  ScratchFolder(const ScratchFolder&) = delete;
  ScratchFolder& operator=(const ScratchFolder&) = delete;

  std::string In(const std::string& name) const { return (path / name).string(); }
  std::string Write(const std::string& name, const std::string& text) const {
    std::ofstream(In(name), std::ios::binary) << text;
    return In(name);
  }
};

}  // namespace conebook::testing

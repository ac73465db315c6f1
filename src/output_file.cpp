#include "src/output_file.h"

#include <cerrno>
#include <cstring>
#include <filesystem>
#include <fstream>

#include <fmt/core.h>
#include <unistd.h>

#include <calib/error.h>

namespace conebook::src {
namespace {

namespace fs = std::filesystem;

fs::path FolderOf(const std::string& path) {
  const fs::path folder = fs::path(path).parent_path();
  return folder.empty() ? fs::path(".") : folder;
}

void RequireFolder(const fs::path& folder, const std::string& path) {
  std::error_code error;
  if (!fs::is_directory(folder, error)) {
    throw calib::InputError(
        fmt::format("{}: cannot be written: there is no folder {}; create it first", path, folder.string()));
  }
  if (access(folder.c_str(), W_OK | X_OK) != 0) {
    throw calib::InputError(fmt::format("{}: cannot be written: the folder {} does not allow it ({})", path,
                                        folder.string(), std::strerror(errno)));
  }
}

// Removes the temporary file unless it was renamed.
struct Temporary {
  fs::path path;
  bool kept = false;
  ~Temporary() {
    std::error_code error;
    if (!kept) fs::remove(path, error);
  }
};

}  // namespace

void CheckCanWrite(const std::string& path) {
  std::error_code error;
  if (path.empty()) throw calib::InputError("an output's name is empty");
  if (fs::is_directory(path, error)) throw calib::InputError(path + ": cannot be written: it is a folder");
  RequireFolder(FolderOf(path), path);
  if (fs::exists(path, error) && access(path.c_str(), W_OK) != 0) {
    throw calib::InputError(fmt::format("{}: cannot be written ({})", path, std::strerror(errno)));
  }
}

void CheckCanWriteInto(const std::string& folder) {
  std::error_code error;
  if (folder.empty()) throw calib::InputError("an output folder's name is empty");
  if (fs::is_directory(folder, error)) return RequireFolder(folder, folder);
  if (fs::exists(folder, error)) throw calib::InputError(folder + ": is a file; a folder is needed here");
  const fs::path clean = fs::path(folder).has_filename() ? fs::path(folder) : fs::path(folder).parent_path();
  RequireFolder(FolderOf(clean.string()), folder);
}

void WriteWhole(const std::string& path, const std::string& bytes) {
  Temporary temporary{fmt::format("{}.{}.part", path, getpid())};
  std::ofstream stream(temporary.path, std::ios::binary | std::ios::trunc);
  stream.write(bytes.data(), static_cast<std::streamsize>(bytes.size()));
  stream.close();
  std::error_code error;
  if (stream) fs::rename(temporary.path, path, error);
  if (!stream || error) {
    throw calib::InputError(fmt::format("{}: could not be written ({}); is the disk full?", path,
                                        error ? error.message() : std::strerror(errno)));
  }
  temporary.kept = true;
}

std::string NameForResult(const std::string& path) {
  const fs::path given = fs::path(path).lexically_normal();
  if (!given.is_absolute()) return given.string();
  return given.has_filename() ? given.filename().string() : given.parent_path().filename().string();
}

}  // namespace conebook::src

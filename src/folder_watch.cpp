#include "src/folder_watch.h"

#include <algorithm>
#include <array>
#include <filesystem>
#include <fstream>
#include <optional>

#include <sys/stat.h>

#include <calib/error.h>
#include <vision/frame_folder.h>
#include <vision/video_file.h>

namespace conebook::src {
namespace {

namespace fs = std::filesystem;

class Reader {
 public:
  explicit Reader(const std::string& path) : file_(path, std::ios::binary | std::ios::ate) {
    size_ = file_ ? static_cast<std::uint64_t>(file_.tellg()) : 0;
  }
  std::uint64_t Size() const { return size_; }
  std::string Bytes(std::uint64_t at, std::size_t count) {
    std::string bytes(count, '\0');
    file_.clear();
    file_.seekg(static_cast<std::streamoff>(at));
    if (at + count > size_ || !file_.read(bytes.data(), static_cast<std::streamsize>(count))) return {};
    return bytes;
  }

 private:
  std::ifstream file_;
  std::uint64_t size_ = 0;
};

std::uint64_t Number(const std::string& bytes, bool little) {
  std::uint64_t value = 0;
  for (std::size_t i = 0; i < bytes.size(); ++i) {
    const auto byte = static_cast<unsigned char>(bytes[little ? bytes.size() - 1 - i : i]);
    value = value << 8 | byte;
  }
  return value;
}

// Boxes follow each other to the end of the file exactly; the film's index is one of them.
Wholeness OfBoxes(Reader& file) {
  bool index = false;
  std::uint64_t at = 0;
  while (at < file.Size()) {
    const std::string head = file.Bytes(at, 8);
    if (head.empty()) return Wholeness::kCut;
    const std::string type = head.substr(4);
    std::uint64_t size = Number(head.substr(0, 4), false);
    std::uint64_t least = 8;
    if (size == 1) {
      const std::string large = file.Bytes(at + 8, 8);
      if (large.empty()) return Wholeness::kCut;
      size = Number(large, false);
      least = 16;
    } else if (size == 0) {
      size = file.Size() - at;  // to the end; only sensible with a type
      if (type == std::string(4, '\0')) return Wholeness::kCut;
    }
    if (size < least || size > file.Size() - at) return Wholeness::kCut;
    index = index || type == "moov";
    at += size;
  }
  return index ? Wholeness::kWhole : Wholeness::kCut;
}

Wholeness OfRiff(Reader& file) {
  std::uint64_t at = 0;
  while (at < file.Size()) {
    const std::string head = file.Bytes(at, 8);
    if (head.empty() || head.rfind("RIFF", 0) != 0) return Wholeness::kCut;
    const std::uint64_t size = Number(head.substr(4), true);
    if (size == 0 || size + 8 > file.Size() - at) return Wholeness::kCut;
    at += 8 + size + size % 2;
  }
  return Wholeness::kWhole;
}

bool HoldsImages(const fs::path& folder) {
  std::error_code error;
  for (const auto& entry : fs::directory_iterator(folder, error)) {
    if (vision::IsImageName(entry.path())) return true;
  }
  return false;
}

}  // namespace

Wholeness WholenessOf(const std::string& path) {
  Reader file(path);
  const std::string head = file.Bytes(0, 8);
  if (head.empty()) return Wholeness::kCut;
  static const std::array<const char*, 6> kBoxes{"ftyp", "moov", "mdat", "wide", "free", "skip"};
  const std::string type = head.substr(4);
  if (std::any_of(kBoxes.begin(), kBoxes.end(), [&](const char* box) { return type == box; }))
    return OfBoxes(file);
  if (head.rfind("RIFF", 0) == 0) return OfRiff(file);
  return Wholeness::kDoesNotSay;
}

FolderWatch::FolderWatch(std::string folder, bool existing, const FolderWatchOptions& options)
    : folder_(std::move(folder)), options_(options) {
  std::error_code error;
  if (!fs::is_directory(folder_, error))
    throw calib::InputError(folder_ + ": no such folder; expected the folder that new clips come into");
  if (existing) return;
  for (const std::string& name : Names())
    clips_[name] = Clip{StampOf((fs::path(folder_) / name).string()), 0.0, true};
  left_alone_ = clips_.size();
}

FolderWatch::Stamp FolderWatch::StampOf(const std::string& path) {
  Stamp stamp;
  const auto add = [&](const std::string& file) {
    struct stat status {};
    if (stat(file.c_str(), &status) != 0) return;
    stamp.bytes += static_cast<std::uintmax_t>(status.st_size);
    ++stamp.files;
    constexpr std::int64_t kNsInS = 1'000'000'000;
    stamp.changed_ns = std::max(
        stamp.changed_ns, static_cast<std::int64_t>(status.st_mtim.tv_sec) * kNsInS + status.st_mtim.tv_nsec);
  };
  std::error_code error;
  if (!fs::is_directory(path, error)) {
    add(path);
    return stamp;
  }
  for (const auto& entry : fs::directory_iterator(path, error)) {
    if (vision::IsImageName(entry.path())) add(entry.path().string());
  }
  return stamp;
}

std::vector<std::string> FolderWatch::Names() {
  std::vector<std::string> names;
  std::error_code error;
  fs::directory_iterator entry(folder_, error);
  for (; !error && entry != fs::directory_iterator(); entry.increment(error)) {
    const std::string name = entry->path().filename().string();
    std::error_code gone;  // a file may vanish between listing and asking
    if (name.front() == '.') continue;
    const bool frames = entry->is_directory(gone) && HoldsImages(entry->path());
    if (frames || (entry->is_regular_file(gone) && vision::IsVideoName(entry->path()))) names.push_back(name);
  }
  trouble_ = error ? error.message() : std::string();
  std::sort(names.begin(), names.end());
  return names;
}

std::vector<std::string> FolderWatch::Look(double now_s) {
  std::vector<std::pair<double, std::string>> finished;
  for (const std::string& name : Names()) {
    const std::string path = (fs::path(folder_) / name).string();
    const Stamp stamp = StampOf(path);
    const auto [at, is_new] = clips_.try_emplace(name);
    Clip& clip = at->second;
    if (is_new || !(clip.stamp == stamp)) {
      clip = Clip{stamp, now_s, false};
      continue;
    }
    const double still_s = now_s - clip.still_since_s;
    if (clip.reported || still_s < options_.settle_s) continue;
    std::error_code error;
    const Wholeness wholeness = fs::is_directory(path, error) ? Wholeness::kDoesNotSay : WholenessOf(path);
    const double wanted_s = wholeness == Wholeness::kWhole ? options_.settle_s
                            : wholeness == Wholeness::kCut ? options_.give_up_s
                                                           : options_.long_settle_s;
    if (still_s < wanted_s) continue;
    clip.reported = true;
    finished.emplace_back(clip.still_since_s, name);
  }
  std::stable_sort(finished.begin(), finished.end(),
                   [](const auto& a, const auto& b) { return a.first < b.first; });
  std::vector<std::string> names;
  for (const auto& [since_s, name] : finished) names.push_back(name);
  return names;
}

}  // namespace conebook::src

// Watches a folder for clips that have been written to their end. By looking, not by the system's notices:
// network folders send none. A clip is finished when size and time of last change have stood still for a
// while and its container is whole; one that stands still much longer is taken as it is, damaged or not.
#pragma once

#include <cstdint>
#include <map>
#include <string>
#include <vector>

namespace conebook::src {

struct FolderWatchOptions {
  double settle_s = 2.0;       // of standing still, where the container says itself that it is whole
  double long_settle_s = 5.0;  // where it does not: other containers, folders of frames
  double give_up_s = 10.0;     // of standing still without being whole
};

class FolderWatch {
 public:
  // What is there now is known and not reported, unless it changes; `existing`: it is reported, too.
  // Throws calib::InputError: no such folder.
  FolderWatch(std::string folder, bool existing, const FolderWatchOptions& options = {});

  // Names of the clips finished since the last look, those that changed first first. now_s: of a clock that
  // never goes back. Each is reported once, and again only after its file has changed.
  std::vector<std::string> Look(double now_s);

  std::size_t LeftAlone() const { return left_alone_; }
  // Empty, or why the folder could not be read at the last look.
  const std::string& Trouble() const { return trouble_; }

 private:
  struct Stamp {
    std::uintmax_t bytes = 0, files = 0;
    std::int64_t changed_ns = 0;
    bool operator==(const Stamp&) const = default;
  };
  struct Clip {
    Stamp stamp;
    double still_since_s = 0.0;
    bool reported = false;
  };
  static Stamp StampOf(const std::string& path);
  std::vector<std::string> Names();

  std::string folder_, trouble_;
  FolderWatchOptions options_;
  std::map<std::string, Clip> clips_;
  std::size_t left_alone_ = 0;
};

// Whether a video file is whole, by its own structure: boxes of ISO base media files (ISO/IEC 14496-12; MP4,
// MOV), chunks of RIFF (AVI).
enum class Wholeness { kWhole, kCut, kDoesNotSay };
Wholeness WholenessOf(const std::string& path);

}  // namespace conebook::src

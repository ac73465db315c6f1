// What a folder of camera files holds: clips, pictures and clips of element cards, when each was taken, and
// which cards can be read in it.
#pragma once

#include <functional>
#include <optional>
#include <string>
#include <vector>

#include "src/iso_date.h"

namespace conebook::src {

struct FileTime {
  enum class From { kContainer, kExif, kModified };
  ClockTime clock;
  From from = From::kContainer;
  bool is_start = false;  // else the moment at which recording began, ended, or anything between
};
const char* InWords(FileTime::From from);

struct CameraFile {
  std::string name, path;               // name: in the folder
  bool picture = false;                 // a still; else a video or a folder of frames
  bool card_only = false;               // a clip that shows a card all along, or a still: no clip to measure
  std::optional<double> duration_s;     // of a clip, in true time; nothing: its frame rate is not known
  std::vector<std::string> cards;       // ids in a still, or in a clip's first seconds
  std::vector<std::string> late_cards;  // in the rest of a clip
  std::optional<FileTime> time;
  bool has_modified_time_only = false;  // and that is not to be used
  std::string problem;                  // cannot be read: why

  bool IsClip() const { return !picture && !card_only && problem.empty(); }
};

struct CameraFilesOptions {
  double card_s = 3.0;              // a clip's first seconds, in which its card may be shown
  std::optional<double> fps;        // true capture rate, as the rig states it
  bool use_modified_times = false;  // where a file says nothing itself
  int threads = 0;
  std::function<bool()> should_stop;
  std::function<void(double)> on_progress;
};

// In the order of their names; other files and hidden ones are left out. Throws calib::InputError: no such
// folder, vision::Interrupted.
std::vector<CameraFile> ReadCameraFiles(const std::string& folder, const CameraFilesOptions& options);

}  // namespace conebook::src

#include "src/camera_files.h"

#include <algorithm>
#include <cctype>
#include <filesystem>
#include <iterator>
#include <map>
#include <set>

#include <sys/stat.h>

#include <calib/error.h>
#include <vision/footage.h>
#include <vision/frame_folder.h>
#include <vision/pictures.h>
#include <vision/spray_measurement.h>
#include <vision/still.h>
#include <vision/video_file.h>

#include "src/element_code.h"
#include "src/exif_time.h"

namespace conebook::src {
namespace {

namespace fs = std::filesystem;

constexpr double kSampleS = 0.1;  // how often a card is looked for in the first seconds
constexpr std::size_t kLateSamples = 12;

bool HoldsImages(const fs::path& folder) {
  std::error_code error;
  for (const auto& entry : fs::directory_iterator(folder, error)) {
    if (entry.is_regular_file(error) && vision::IsImageName(entry.path())) return true;
  }
  return false;
}

std::optional<std::string> FirstImage(const fs::path& folder) {
  std::set<std::string> names;
  for (const auto& entry : fs::directory_iterator(folder)) {
    if (vision::IsImageName(entry.path())) names.insert(entry.path().string());
  }
  return names.empty() ? std::nullopt : std::optional<std::string>(*names.begin());
}

// Pictures that cameras write and that cannot be read here: one of them may be a card.
bool IsForeignPicture(const fs::path& path) {
  static const std::set<std::string> kKnown{".heic", ".heif", ".avif", ".dng", ".cr2", ".cr3",
                                            ".nef",  ".arw",  ".raf",  ".orf", ".rw2"};
  std::string extension = path.extension().string();
  std::transform(extension.begin(), extension.end(), extension.begin(),
                 [](unsigned char c) { return static_cast<char>(std::tolower(c)); });
  return kKnown.count(extension) > 0;
}

void SetTime(const std::string& recorded_at, const CameraFilesOptions& options, CameraFile& file) {
  if (const auto clock = ClockTimeIn(recorded_at)) {
    // Only the tag with a zone is known to be the start; the plain one is written at start or end, as the
    // camera likes.
    file.time = FileTime{*clock, FileTime::From::kContainer, clock->zone == ClockTime::Zone::kOffset};
    return;
  }
  std::optional<ClockTime> exif;
  if (file.picture) {
    exif = ExifTime(file.path);
  } else if (fs::is_directory(file.path)) {
    if (const auto first = FirstImage(file.path)) exif = ExifTime(*first);
  }
  if (exif) {
    file.time = FileTime{*exif, FileTime::From::kExif, true};
    return;
  }
  struct stat status {};
  if (stat(file.path.c_str(), &status) != 0) return;
  if (!options.use_modified_times) {
    file.has_modified_time_only = true;
    return;
  }
  const double at_s =
      static_cast<double>(status.st_mtim.tv_sec) + 1e-9 * static_cast<double>(status.st_mtim.tv_nsec);
  file.time =
      FileTime{{at_s, ClockTime::Zone::kUtc, status.st_mtim.tv_nsec == 0}, FileTime::From::kModified, false};
}

// Looks for cards through a clip, and takes its length.
void ReadClip(const CameraFilesOptions& options, CameraFile& file) {
  vision::FootageOptions opening;
  opening.threads = options.threads;
  const auto footage = vision::OpenFootage(file.path, opening);
  const vision::FootageFormat& format = footage->Format();
  const double stamp_s = format.has_stamps ? 1.0 : 1.0 / options.fps.value_or(60.0);
  std::set<std::string> early, late;
  std::size_t samples = 0, hits = 0;
  const auto look = [&](const cv::Mat& still, std::set<std::string>& ids) {
    const std::vector<std::string> found = ReadElementCodes(still);
    ids.insert(found.begin(), found.end());
    ++samples;
    hits += found.empty() ? 0 : 1;
    return !found.empty();
  };
  std::map<std::int64_t, cv::Mat> kept;  // of the rest, evenly: when full, every second one goes
  std::int64_t stride = 1, frames = 0;
  double next_s = 0.0, first_s = 0.0, last_s = 0.0;
  vision::LumaFrame frame, last;
  while (footage->Next(frame)) {
    if (options.should_stop && options.should_stop()) throw vision::Interrupted();
    const double at_s = frame.stamp_s * stamp_s;
    if (frames++ == 0) first_s = at_s;
    last_s = at_s;
    last = frame;
    if (at_s - first_s <= options.card_s) {
      if (at_s + 1e-6 < next_s) continue;
      look(vision::StillOf(format, frame), early);
      next_s = at_s + kSampleS;
    } else if (frame.index % stride == 0) {
      kept[frame.index] = vision::StillOf(format, frame);
      if (kept.size() < 2 * kLateSamples) continue;
      stride *= 2;
      std::erase_if(kept, [&](const auto& one) { return one.first % stride != 0; });
    }
  }
  if (frames == 0) throw calib::InputError(file.path + ": no frame of this clip decodes");
  for (const auto& [index, still] : kept) look(still, late);
  const bool at_end = look(vision::StillOf(format, last), last_s - first_s > options.card_s ? late : early);
  file.card_only = at_end && 2 * hits >= samples;
  file.cards.assign(early.begin(), early.end());
  if (file.card_only && early.empty()) file.cards.assign(late.begin(), late.end());
  std::set_difference(late.begin(), late.end(), early.begin(), early.end(),
                      std::back_inserter(file.late_cards));
  // True time: what a slow-motion clip plays in is not what it took.
  const double count = static_cast<double>(frames);
  if (options.fps) {
    file.duration_s = count / *options.fps;
  } else if (format.capture_fps) {
    file.duration_s = count / *format.capture_fps;
  } else if (format.has_stamps) {
    file.duration_s = frames > 1 ? (last_s - first_s) * count / (count - 1.0) : 0.0;
  }
  SetTime(format.recorded_at, options, file);
}

}  // namespace

const char* InWords(FileTime::From from) {
  switch (from) {
    case FileTime::From::kContainer:
      return "the file's creation time";
    case FileTime::From::kExif:
      return "the EXIF time of its first picture";
    case FileTime::From::kModified:
      return "the file's modification time, a weak source";
  }
  return "";
}

std::vector<CameraFile> ReadCameraFiles(const std::string& folder, const CameraFilesOptions& options) {
  std::error_code error;
  if (!fs::is_directory(folder, error))
    throw calib::InputError(folder + ": no such folder; expected the folder of the day's camera files");
  std::vector<CameraFile> files;
  for (const auto& entry : fs::directory_iterator(folder)) {
    CameraFile file;
    file.name = entry.path().filename().string();
    file.path = entry.path().string();
    if (file.name.front() == '.') continue;
    const bool frames = entry.is_directory(error) && HoldsImages(entry.path());
    file.picture = !frames && entry.is_regular_file(error) && vision::IsImageName(entry.path());
    const bool video = entry.is_regular_file(error) && vision::IsVideoName(entry.path());
    if (IsForeignPicture(entry.path())) {
      file.picture = true;
      file.problem = "a kind of picture that cannot be read here; a card must be JPEG, PNG or TIFF";
    }
    if (frames || file.picture || video) files.push_back(std::move(file));
  }
  std::sort(files.begin(), files.end(),
            [](const CameraFile& a, const CameraFile& b) { return a.name < b.name; });
  for (std::size_t k = 0; k < files.size(); ++k) {
    CameraFile& file = files[k];
    if (!file.problem.empty()) continue;
    try {
      if (file.picture) {
        file.card_only = true;
        file.cards = ReadElementCodes(vision::TakePictures(file.path, 1).front().grey);
        SetTime("", options, file);
      } else {
        ReadClip(options, file);
      }
    } catch (const calib::InputError& problem) {
      file.problem = problem.what();
      const std::string place = file.path + ": ";
      if (file.problem.rfind(place, 0) == 0) file.problem.erase(0, place.size());
      file.problem.erase(std::min(file.problem.find(';'), file.problem.size()));
    }
    if (options.should_stop && options.should_stop()) throw vision::Interrupted();
    if (options.on_progress)
      options.on_progress(static_cast<double>(k + 1) / static_cast<double>(files.size()));
  }
  return files;
}

}  // namespace conebook::src

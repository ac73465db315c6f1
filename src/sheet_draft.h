// A test-day sheet as text, drafted from camera files and a log: for src/sheet.h to read, and for the
// engineer to complete. What could not be read is blank, with the reason beside it.
#pragma once

#include <string>
#include <vector>

#include "src/camera_files.h"
#include "src/card_order.h"
#include "src/clip_times.h"

namespace conebook::src {

struct SheetDraftInput {
  std::string name;                 // of the day
  std::optional<std::string> date;  // ISO 8601
  std::optional<std::string> rig;   // as seen from the sheet
  std::string log, folder;          // as seen from the sheet
  std::vector<CameraFile> files;
  CardOrder cards;
  ClipTimes times;
};

struct SheetDraft {
  std::string toml;
  std::size_t clips = 0;
  std::vector<std::string> blanks;    // "IMG_0004.mov: element: no card was filmed before it"
  std::vector<std::string> left_out;  // files that could not be read, and why
};

// Without a log entry for the whole day: a clip whose pressure is blank must not inherit one.
SheetDraft DraftSheet(const SheetDraftInput& input);

}  // namespace conebook::src

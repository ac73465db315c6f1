// What is read in the drops below the end of the sheet: their sizes, their grain and how evenly they are
// spread. One decoding for all pressure points of a clip.
#pragma once

#include <array>
#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "vision/clip_model.h"
#include "vision/drop_sizing.h"
#include "vision/evenness_reader.h"
#include "vision/grain.h"
#include "vision/view.h"

namespace conebook::vision {

struct BelowSheetRequest {
  const ClipModel* model = nullptr;
  std::array<GuessLine, 2> side;     // of the visible boundary, reading frame
  std::vector<std::int64_t> frames;  // rising numbers of decoded frames
  std::vector<double> time_s;        // of each
  double breakup_px = 0.0;           // along the axis from the exit
  double px_per_mm = 0.0;
  std::optional<double> u_px_per_mm;  // nothing: no scale
};

struct BelowSheetResult {
  GrainResult grain;
  EvennessResult evenness;
  DropSizing drops;
};

// One a request. Throws calib::InputError where the clip cannot be decoded again, Interrupted.
std::vector<BelowSheetResult> ReadBelowSheet(const std::string& path, const View& view,
                                             const std::vector<BelowSheetRequest>& requests, int threads);

}  // namespace conebook::vision

// Reads vision/evenness.h from frames in back light.
//
// Rows of a band below the sheet's end are laid over each other along rays from the exit: place = part of the
// half width, from the middle between the sides. One cell is a part of the width over a quarter of the band's
// height. In each frame the light left in a cell is averaged, then its logarithm taken, then the mean over
// frames: what flickers as a whole (pulsation, clusters of drops) would otherwise be weighted by its
// brightness. Absorbance of the air beside the spray, a straight line from side to side, is taken off.
//
// Radial profile: calib/abel.h over the whole width; linear light only, because a tone curve bends it. In u:
// noise and smoothing, blocks of frames, air beside the spray, the middle, left against right, scale. Not in
// u: rays that are not parallel, light scattered forward into the lens by dense sprays (absorbance well above
// 1). Balance and streaks are ratios, which a power-law tone curve leaves alone: read in display-encoded
// footage too, with a part of u for it. Streaks: the mean profile against its own running median, in units of
// the scatter between blocks of frames; in both halves of the band and in all blocks but one, and not on the
// other side too, where it would be the spray's round shape. Not beyond four fifths of the half width: the
// rim hides them there.
#pragma once

#include <array>
#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "vision/clip_model.h"
#include "vision/evenness.h"
#include "vision/frame_visits.h"

namespace conebook::vision {

struct EvennessOptions {
  double from_of_breakup = 1.3, to_of_breakup = 1.9, least_of_breakup = 0.15;  // the band
  double most_part = 1.7;   // of the half width, how far out is looked at
  double least_part = 1.3;  // less: the air beside the spray is not in view
  double air_from_part = 1.25;
  int most_cells = 120;
  int most_frames = 96, least_frames = 24;
  int blocks = 8;
  double least_absorbance = 0.02;  // of the mean across the spray
  double streak_from_part = 0.8;   // no streak farther out
  double streak_in_u = 5.0, least_streak = 0.06;
  double curve_part = 0.10;  // of a ratio, in display-encoded light: common practice, no source
  double middle_deg = 0.1;   // u of the middle between the sides
};

struct EvennessRequest {
  const ClipModel* model = nullptr;
  std::array<GuessLine, 2> side;     // of the visible boundary, reading frame
  std::vector<std::int64_t> frames;  // rising numbers of decoded frames
  double breakup_px = 0.0;           // along the axis from the exit
  double px_per_mm = 0.0;
  std::optional<double> u_px_per_mm;  // nothing: no scale, no radial profile
};

struct EvennessResult {
  std::optional<Evenness> evenness;
  std::string why;  // where there is none
};

class EvennessReader {
 public:
  EvennessReader(EvennessRequest request, const EvennessOptions& options);
  // Frames it wants; their takers refer to this reader.
  std::vector<FrameVisit> Visits();
  void Take(const LumaFrame& frame);
  EvennessResult Result() const;

 private:
  struct Row {
    int y = 0, x0 = 0;
    std::vector<std::int16_t> cell;  // of pixel x0 and on
  };
  static constexpr std::size_t kStrips = 4;
  struct Cells {
    std::array<std::vector<double>, kStrips> absorbance;  // [strip of the band, downwards][cell]
  };
  void LayOut();

  EvennessRequest request_;
  EvennessOptions options_;
  std::string why_;
  double from_px_ = 0.0, to_px_ = 0.0, at_px_ = 0.0;  // below the exit
  double most_part_ = 0.0;
  int cells_ = 0;
  std::vector<Row> rows_;
  std::vector<Cells> taken_;  // one a frame
};

}  // namespace conebook::vision

// Drop sizes below the end of the sheet, in back light, where a clip of the whole cone shows them large
// enough. As in a close-up (vision/drops.h), but in a window of the picture: all of its width, from
// from_of_breakup breakup lengths below the exit, where ligaments have let go, to the picture's last row. Two
// walls of drops lie behind each other there: where too many shadows are of several drops, which of them can
// be told apart hangs on their size, and nothing is given. Drops fly apart, so travel during the exposure is
// looked for along the rays from the exit; and where it draws small drops out until they are no longer round,
// it would leave the large ones to count: the cut-off lies above the sizes at which many are long. Most clips
// of a whole cone cannot show single drops: then the result says how large a drop would have to be, and no
// more.
#pragma once

#include <cstdint>
#include <memory>
#include <optional>
#include <vector>

#include <calib/flag.h>

#include "vision/clip_model.h"
#include "vision/drops.h"
#include "vision/frame_visits.h"

namespace conebook::vision {

struct DropsBelowOptions {
  DropSizingOptions sizing;
  double from_of_breakup = 1.5;
  int least_height_px = 60;    // of the window
  double most_crowded = 0.25;  // of the shadows and drops, those in crowds
  double most_long = 0.15;     // of the shadows just above the cut-off, by a quarter of it
  // Frames are so far apart that drops of this speed have left the window: a drop counts once. Liquid driven
  // by 1 bar leaves at up to 14 m/s, drops keep most of it this near.
  double slowest_m_s = 5.0;
  int most_frames = 64, first_look = 8;
  double least_a_frame = 0.5;  // drops of least_px: fewer in the first look, and no more frames are read
};

struct DropsBelowRequest {
  const ClipModel* model = nullptr;
  std::vector<std::int64_t> frames;  // rising numbers of decoded frames
  std::vector<double> time_s;        // of each
  double px_per_mm = 0.0;
  double breakup_px = 0.0;  // along the axis from the exit
};

class DropsBelowReader {
 public:
  DropsBelowReader(DropsBelowRequest request, const DropsBelowOptions& options);
  ~DropsBelowReader();
  // Frames it wants; their takers refer to this reader.
  std::vector<FrameVisit> Visits();
  DropSizing Result() const;  // never with a speed; cutoff_px is set in any case

 private:
  struct State;
  std::unique_ptr<State> state_;
};

// Why there are no sizes, or of what part they speak. Nothing: resolved, or in front light, where nobody
// looks for drops. `px_per_mm`: nothing, no scale.
std::optional<calib::Flag> RemarkOnDropsBelow(const DropSizing& sizing, std::optional<double> px_per_mm,
                                              int point);

}  // namespace conebook::vision

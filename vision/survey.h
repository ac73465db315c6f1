// Survey: from a clip to what Read needs for every frame. With spray-free frames it decodes only the clip's
// head; without them it goes through the whole clip once for an even sample.
//
// First spray frame: change in a box below the exit against the first frame, at half its later level.
// Background: mean of the spray-free frames; without them the time median outside the moving cone, continued
// across it. Light: sign of the strongest change below the exit. Reference level and cone guess: from a
// sample of spray frames, refined in turns.
#pragma once

#include <cstdint>
#include <functional>
#include <optional>
#include <string>
#include <vector>

#include <calib/flag.h>

#include "vision/clip_model.h"
#include "vision/frame_record.h"

namespace conebook::vision {

struct SurveyOptions {
  int threads = 0;
  int sample_frames = 24;  // of the spray, at most
  int settle_frames = 36;  // read beyond the first spray frame before the head is left
  int most_background_frames = 80;
  std::function<bool()> should_stop;
};

struct SurveyResult {
  ClipModel model;
  std::optional<std::int64_t> first_spray_frame;  // nothing: on at frame one
  double first_spray_stamp_s = 0.0;
  double u_first_spray_s = 0.0;
  std::vector<double> onset_stamp_s, onset_level;  // change below the exit, of its later level
  std::vector<calib::Flag> flags;                  // any kReject: the model is not usable
};

// Throws calib::InputError: the clip cannot be opened, the exit is outside the image; Interrupted.
SurveyResult Survey(const std::string& path, const View& view, const SurveyOptions& options);

}  // namespace conebook::vision

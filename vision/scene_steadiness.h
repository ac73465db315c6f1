// Whether the static scene kept its size and turn through a clip (digital zoom, electronic stabilisation,
// focus breathing), and the nozzle its place in it (thrust when the valve opens).
//
// Told from the per-frame series of scene_motion.h. A range counts where it is more than the frames' noise
// and than what edges misplaced a little make of it; else the scene is taken to stand. Without spray-
// free frames the nozzle's step cannot be seen.
#pragma once

#include <cstdint>
#include <optional>
#include <vector>

#include <calib/flag.h>

#include "vision/clip_model.h"
#include "vision/record_spool.h"

namespace conebook::vision {

struct SteadinessOptions {
  double edge_place_px = 0.12;  // an edge's place from frame to frame: mist, codec and noise move it
  double least_growth = 0.003;  // less does not matter beside the scale's own u
  double least_turn_deg = 0.1;
  double least_significance = 4.0;  // range against its u
  double most_lost_px = 0.5;        // of edges left unexplained, beyond what the still scene shows: lost
  double most_lost_share = 0.1;     // of the frames
  double least_step_px = 0.5;       // of the nozzle
  double least_nozzle_share = 0.3;  // of the frames
};

struct SceneSteadiness {
  double growth = 0.0, turn_deg = 0.0;      // range over the clip
  double u_growth = 0.0, u_turn_deg = 0.0;  // once taken out of a frame: relative, deg
  bool grows = false, turns = false;
  double still_miss_px = 0.0;  // of edges in the frames that moved least
  double lost_share = 0.0;     // of frames in which the scene was not found again
  bool nozzle_moves = false;
  double nozzle_step_px = 0.0;  // with the spray on, against before: median
  double nozzle_range_px = 0.0;
  bool Moves() const { return grows || turns; }
};

// `first_spray_frame`: index of the frame; nothing: on from the first.
SceneSteadiness JudgeScene(const ClipModel& model, const RecordSpool& spool,
                           std::optional<std::int64_t> first_spray_frame, const SteadinessOptions& options);

// What taking the motion out leaves in the numbers, or leaving it in does to them.
struct MotionEffect {
  bool followed = true;
  double growth = 0.0, turn_deg = 0.0;  // range, as far as it could be followed
  double u_length = 0.0;                // relative
  double u_turn_deg = 0.0;
};

// `seen`: of the frames as they are; `followed`: of the same frames, put back one by one.
MotionEffect EffectOfMotion(const SceneSteadiness& seen, const SceneSteadiness& followed,
                            const SteadinessOptions& options);
void FlagScene(const SceneSteadiness& seen, const MotionEffect& effect, std::vector<calib::Flag>& flags);

}  // namespace conebook::vision

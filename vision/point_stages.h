// The stage of the spray in each stretch of a clip, and, where the clip's one guess at the cone does not fit
// a stretch, a reading of the clip with a guess that does. Pressures far apart make sprays far apart: a clip
// that rises from an onion to a cone cannot be read with one guess.
#pragma once

#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "vision/clip_model.h"
#include "vision/clip_reading.h"
#include "vision/record_spool.h"
#include "vision/spray_stage.h"
#include "vision/view.h"

namespace conebook::vision {

struct OwnReading {
  ClipModel model;
  RecordSpool spool;  // every frame of the clip
};

struct PointStage {
  StageReading reading;
  std::shared_ptr<const OwnReading> own;  // where the clip's own reading does not fit
  bool followed = false;                  // one of the two follows a cone here: an angle may be read
};

// `frames`: of each stretch, indices into the spool; `sheet_end_px`: below the exit, 0 where not known.
std::vector<PointStage> StagesOfPoints(const ClipReading::Kept& kept, const View& view,
                                       const std::vector<std::vector<std::size_t>>& frames,
                                       const std::vector<double>& sheet_end_px);

// A clip whose head shows no cone, looked at in parts from the first spray frame on.
struct SecondLook {
  ClipModel model;
  bool cone = false;  // a cone was found in some part: `model` follows it, in the frames given here
  std::int64_t first = 0, last = 0;
};
// Nothing: neither a cone nor a spray below full development in any part.
std::optional<SecondLook> LookAgain(const std::string& path, const View& view, const ClipModel& model,
                                    std::int64_t first_spray_frame, std::int64_t frames, int threads);

}  // namespace conebook::vision

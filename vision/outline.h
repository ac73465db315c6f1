// The outline of what hangs together below the exit in a stretch of frames, for spray_stage.h. Pixels of the
// reading frame. It ends where a side leaves the picture.
#pragma once

#include <functional>
#include <span>
#include <string>
#include <vector>

#include "vision/clip_model.h"
#include "vision/footage.h"
#include "vision/frame_record.h"
#include "vision/record_spool.h"
#include "vision/spray_stage.h"
#include "vision/view.h"

namespace conebook::vision {

// From frames read with or without a guess.
Outline OutlineOf(const ClipModel& model, const View& view, const std::vector<FrameRecord>& records);

// From records, at most `most_frames` of them, evenly; rows down to far_px below the exit.
Outline OutlineOf(const ClipModel& model, const View& view, const RecordSpool& spool,
                  std::span<const std::size_t> frames, double far_px, std::size_t most_frames);

// Decodes the clip once more; `take` gets the frames of each stretch, in the order in which the stretches are
// complete. `wanted`: rising frame numbers per stretch. A stretch of which no frame decodes is left out.
void TakeFrames(const std::string& path, const View& view,
                const std::vector<std::vector<std::int64_t>>& wanted, int threads,
                const std::function<void(std::size_t stretch, const std::vector<LumaFrame>& frames)>& take);

}  // namespace conebook::vision

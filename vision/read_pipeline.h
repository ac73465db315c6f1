// Decode once, read frames on several threads, keep records in frame order. The result does not depend on the
// number of threads.
#pragma once

#include <cstdint>
#include <string>

#include "vision/clip_model.h"
#include "vision/record_spool.h"
#include "vision/spray_measurement.h"
#include "vision/still.h"

namespace conebook::vision {

struct DecodeOutcome {
  std::int64_t frames = 0;
  int errors = 0;
};

// Some frames, evenly over the clip, are kept as pictures in `stills`. Throws calib::InputError, Interrupted.
DecodeOutcome ReadAllFrames(const std::string& path, const View& view, const ClipModel& model,
                            const ReadOptions& options, RecordSpool& spool, StillKeeper& stills);

// Decodes without reading: counts and stamps of a clip that is not measured.
DecodeOutcome CountFrames(const std::string& path, const View& view, const ReadOptions& options,
                          std::vector<double>& stamps_s);

}  // namespace conebook::vision

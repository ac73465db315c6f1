// The end of the sheet of one stretch: vision/breakup.h with the rig's view of both walls, and its length
// with all that makes it uncertain.
#pragma once

#include <cstddef>
#include <optional>
#include <span>

#include <calib/quantity.h>

#include "vision/breakup.h"
#include "vision/clip_model.h"
#include "vision/cone_fit.h"
#include "vision/record_spool.h"

namespace conebook::vision {

// Distance of a read row below the exit, along the axis.
double RowDistanceMm(const ClipModel& model, const CameraSetup& setup, int row);

// model, spool: those that the stretch was read with. What the model and the camera say is put into the
// options.
BreakupResult EndOfSheet(const ClipModel& model, const RecordSpool& spool,
                         std::span<const std::size_t> frames, const CameraSetup& setup,
                         BreakupOptions options = {});

// mm. px_per_mm: with its u. motion: what growing and shrinking of the picture adds.
calib::Quantity BreakupLength(const BreakupReading& reading, const ClipModel& model, const CameraSetup& setup,
                              const calib::Quantity& px_per_mm, std::optional<calib::Contribution> motion);

}  // namespace conebook::vision

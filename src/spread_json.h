// How the spray is spread, its waves and its drops' speed, as result file and archive write them: JSON text
// of each part, and back. What a page shows comes back exactly.
#pragma once

#include <optional>
#include <string>

#include <calib/patternation.h>
#include <vision/edge_waves.h>
#include <vision/evenness.h>

#include "src/drop_sizes.h"

namespace conebook::src {

// in_mm: without a scale there is no distance to tell.
std::string EvennessJson(const vision::Evenness& evenness, bool in_mm);
vision::Evenness EvennessFromJson(const std::string& json);

std::string WavesJson(const vision::EdgeWaves& waves, const std::optional<calib::Quantity>& speed_part);
// Without the picture, which is evidence of its own.
vision::EdgeWaves WavesFromJson(const std::string& json, std::optional<calib::Quantity>& speed_part);

std::string CollectedJson(const calib::Patternation& collected);
calib::Patternation CollectedFromJson(const std::string& json);

std::string DropSpeedJson(const DropSpeedInSpace& speed);
DropSpeedInSpace DropSpeedFromJson(const std::string& json);

}  // namespace conebook::src

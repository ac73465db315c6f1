// A plate's flow area against the sum of its elements' flow areas on record. Less than the sum points to
// losses in the manifold or to blockage, more to a leak past a seal or to a bore that has opened.
// u: what plate and elements share (the same meter and sensor by the same calibration files, the same day's
// liquid) adds up with its sign before it is squared, so that it cancels as far as it is the same share of
// both; the rest is independent. A plate flows more than an element: where the meter's error changes with the
// rate, only a calibration over both rates lets it cancel truly.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "src/rig.h"
#include "src/run.h"

namespace conebook::src {

// on_record: one for each of the rig's plate elements, in their order; nothing: no archive was given.
// Fills run.plate and adds flags. Runs of another kind than a plate, and rejected ones, are left alone.
void AddPlateCheck(const Rig& rig, const std::optional<std::vector<PlateElement>>& on_record, Run& run);

// "Plate: ..." for people, empty without a check.
std::string PlateInWords(const PlateCheck& check);

// Hashes of the calibration files of meter, pressure sensor and line that a run rests on.
std::vector<std::string> SensorHashes(const Rig& rig);

}  // namespace conebook::src

// The flow areas of a plate's elements, as the archive has them.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "src/rig.h"
#include "src/run.h"

namespace conebook::src {

// One for each name, in the same order: the latest run measured here that counts and has a flow area (by day,
// then by key); none on record leaves it empty. Throws ArchiveError.
std::vector<PlateElement> PlateElementsOnRecord(const std::string& archive,
                                                const std::vector<std::string>& names);

// Of the rig's plate elements; nothing without an archive, or for a rig of no plate.
std::optional<std::vector<PlateElement>> PlateElementsFor(const Rig& rig,
                                                          const std::optional<std::string>& archive);

}  // namespace conebook::src

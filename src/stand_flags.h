// Remarks about the stand that go with a run, and the order in which a reader should meet them.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include <calib/flag.h>

#include "src/pressure_points.h"
#include "src/rig.h"
#include "src/run.h"
#include "src/stand_log.h"

namespace conebook::src {

// highest_bar: highest pressure above ambient seen anywhere in the log or the readings.
void FlagRatedPressure(const Rig& rig, double highest_bar, std::vector<calib::Flag>& flags);

// A sensor at rest that shows the atmosphere.
void FlagAbsoluteSensor(const Rig& rig, const StandLog& log, std::vector<calib::Flag>& flags);

// That the sensor's zero was taken from the log, or that nothing tells it.
void FlagZero(const Rig& rig, const StandLog& log, std::vector<calib::Flag>& flags);

// Calibrations of meter, sensor and line that had expired on the day of the test; without a day none can be
// said to have.
void FlagExpired(const Rig& rig, const std::optional<std::string>& day, std::vector<calib::Flag>& flags);

void FlagUnsteady(const std::vector<SteadyStretch>& stretches, std::vector<calib::Flag>& flags);

// Every quantity that is absent gets a reason, if no other flag gives one.
void ExplainWhatIsMissing(const Rig& rig, Run& run);

// Above the rated pressure first; then rejections, warnings, remarks, each in the order they came.
void OrderFlags(std::vector<calib::Flag>& flags);

}  // namespace conebook::src

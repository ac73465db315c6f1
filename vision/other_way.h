// A spray that does not go down the picture, in a clip whose rig does not say which way it goes. It is looked
// for along the other three edges of the picture; the way is named for the engineer to state, never taken.
#pragma once

#include <string>
#include <vector>

#include <calib/flag.h>

#include "vision/survey.h"
#include "vision/view.h"

namespace conebook::vision {

// Of a rejected clip: where a cone lies along exactly one other way, the advice of the rejection says so.
// Does nothing where axis_deg is stated, or where the reason is not that no cone was seen. Throws as Survey
// does.
void NameOtherWay(const std::string& path, const View& view, const SurveyOptions& options,
                  std::vector<calib::Flag>& flags);

}  // namespace conebook::vision

#include "vision/other_way.h"

#include <algorithm>
#include <array>

#include <fmt/format.h>

namespace conebook::vision {
namespace {

using calib::Flag;
using calib::Severity;

struct Way {
  double axis_deg;
  const char* words;
};

constexpr std::array<Way, 3> kOtherWays{{{180.0, "up"}, {90.0, "to the right"}, {-90.0, "to the left"}}};

// "cut_off": an exit near the picture's lower edge leaves no rows below it.
bool SaysNoCone(const Flag& flag) {
  constexpr std::array<const char*, 5> kCodes{"exit_not_found", "no_spray", "no_cone", "not_a_cone",
                                              "cut_off"};
  return flag.severity == Severity::kReject &&
         std::any_of(kCodes.begin(), kCodes.end(), [&](const char* code) { return flag.code == code; });
}

}  // namespace

void NameOtherWay(const std::string& path, const View& view, const SurveyOptions& options,
                  std::vector<Flag>& flags) {
  if (!view.axis_deg.value_assumed || view.shows == Shows::kDrops) return;
  const auto why = std::find_if(flags.begin(), flags.end(), SaysNoCone);
  if (why == flags.end()) return;
  const Way* found = nullptr;
  for (const Way& way : kOtherWays) {
    View turned = view;
    turned.axis_deg.value = way.axis_deg;
    const SurveyResult survey = Survey(path, turned, options);
    const bool cone = std::none_of(survey.flags.begin(), survey.flags.end(),
                                   [](const Flag& flag) { return flag.severity == Severity::kReject; });
    if (!cone) continue;
    if (found != nullptr) return;  // a cone both ways is none
    found = &way;
  }
  if (found == nullptr) return;
  why->advice = fmt::format(
      "the spray was looked for going down the picture, but what looks like one goes {0}: if so, "
      "state [nozzle] axis_deg = {1:g}; else {2}",
      found->words, found->axis_deg, why->advice);
}

}  // namespace conebook::vision

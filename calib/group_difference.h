// The difference between two groups of elements, each read several times, on several days: the second's mean
// less the first's. Elements are a random draw from their group, mountings from their element, readings from
// their mounting (mixed_model.h). Days are taken out as effects of their own, each as large as it likes: what
// the groups differ by is read within days, and from elements that were read on several days. Check elements,
// of neither group, tie days together that the groups do not share. Where nothing ties them, route and day
// cannot be told apart, and the difference is given as it stands with `days_told` false.
//
// Errors that readings share (meter, rig, method) do not show as scatter. Each is carried through with the
// weights that the readings have in the difference: it cancels as far as both groups share it.
#pragma once

#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "calib/equivalence.h"

namespace conebook::calib {

inline constexpr int kCheckGroup = -1;

struct GroupReading {
  int group = 0;    // 0, 1, or kCheckGroup
  int element = 0;  // distinct over all groups
  int day = 0;
  int mount = 0;  // within element and day
  double value = 0.0;
  double u_own = 0.0;                             // of this reading alone; 0: not known
  std::vector<double> covariates;                 // as many in every reading
  std::vector<std::pair<int, double>> shared;     // who else has this error, and its u here
  std::vector<std::pair<int, double>> day_error;  // likewise, of the day: counts where days are not told
};

struct ElementMean {
  int element = 0, group = 0;
  double value = 0.0;  // days taken out where they are told
  double u = 0.0;      // of its readings alone
  int readings = 0, days = 0, mounts = 0;
  std::optional<double>
      p_outlier;  // among its group, Grubbs, times the number of elements; from 4 elements on
};

struct CovariateSlope {
  double value = 0.0, u = 0.0, dof = 0.0;
};

struct GroupDifference {
  Difference difference;
  double u_scatter = 0.0, u_shared = 0.0;  // the parts of its u
  bool days_told = true;
  bool one_spread = false;      // both groups were given the same spread of elements: fewer than 4 in one
  bool elements_apart = false;  // spread of elements and of their readings were told apart
  std::vector<double> spread_of_elements;  // standard deviation, by group; not below 0; empty: not told apart
  std::optional<double> spread_of_mounts, spread_of_readings;
  std::vector<double> group_mean;  // of the elements' means, by group
  std::vector<ElementMean> elements;
  std::vector<std::optional<CovariateSlope>> slopes;  // nothing: not told apart from other effects
  int elements_in[2] = {0, 0}, readings_in[2] = {0, 0}, days = 0, check_elements = 0;
};

// Nothing where there is too little: `why` then says so, for the user.
std::optional<GroupDifference> CompareGroups(const std::vector<GroupReading>& readings, std::string* why);

}  // namespace conebook::calib

#include "src/archive/point_columns.h"

namespace conebook::src {

const std::vector<PointColumn>& PointColumns() {
  static const std::vector<PointColumn> kColumns{
      {"pressure_bar", "/pressure_bar", "bar", "pressure drop across the element", true},
      {"flow_kg_s", "/flow_kg_s", "kg/s", "mass flow", true},
      {"flow_area_mm2", "/flow_area_mm2", "mm2", "mass flow / sqrt(2 * density * pressure drop)", true},
      {"cd", "/cd", "1", "discharge coefficient: flow area / reference area", true},
      {"temperature_c", "/temperature_c", "C", "of the liquid, as logged or stated", false},
      {"half_angle_mean_deg", "/half_angle_deg/mean", "deg",
       "half-cone angle in space: half the angle between the two sides of the visible boundary", true},
      {"half_angle_left_deg", "/half_angle_deg/left", "deg",
       "left side of the visible boundary against the nozzle axis", true},
      {"half_angle_right_deg", "/half_angle_deg/right", "deg",
       "right side of the visible boundary against the nozzle axis", true},
      {"lean_deg", "/half_angle_deg/lean", "deg",
       "(right - left) / 2; positive: to the right when the spray points down", true},
      {"apparent_half_angle_deg", "/apparent_half_angle_deg", "deg", "half-cone angle as the image shows it",
       true},
      {"sheet_half_angle_deg", "/sheet_half_angle_deg", "deg",
       "the same straight line through the mean sheet surface instead of its crests", true},
      {"cone_half_angle_deg", "/cone_half_angle_deg", "deg",
       "asymptote of the fitted hyperboloid, free of exit radius and stations", true},
      {"breakup_mm", "/breakup_mm", "mm", "distance from the exit at which the continuous sheet ends", true},
      {"breakup_lower_bound_mm", "/breakup_mm/lower_bound", "mm",
       "the sheet was still whole here, where the view ends", false},
      {"d32_um", "/d32_um", "um", "surface-weighted mean drop diameter", true},
      {"pulsation_hz", "/pulsation/hz", "Hz", "frequency at which the half angle pulsates", false},
      {"pulsation_amplitude_deg", "/pulsation/amplitude_deg", "deg",
       "half peak to peak of the mean half angle at that frequency", false},
      {"nominal_bar", "/nominal_bar", "bar", "the nominal pressure drop that was held, if one is stated",
       false, false},
      {"reynolds_exit", "/reynolds_exit", "1", "4 mass flow / (pi * exit diameter * viscosity)", true, false},
      {"reynolds_inlets", "/reynolds_inlets", "1",
       "the same of one inlet: 4 mass flow / inlet count / (pi * inlet diameter * viscosity)", true, false},
      {"weber", "/weber", "1",
       "density * speed^2 * exit diameter / surface tension, with the mean speed over the exit's full bore",
       true, false},
      {"cavitation_number", "/cavitation_number", "1",
       "(p1 - pv) / (p1 - p2), absolute: ahead of the element, vapour, behind it", true, false},
  };
  return kColumns;
}

std::string NameOfU(const PointColumn& column) {
  return std::string("u_") + column.name;
}

}  // namespace conebook::src

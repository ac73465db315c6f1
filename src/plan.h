// What to expect of a filming set-up before the stand is run: what the picture shows, how fast things move in
// it, how sharp it can be, and how well the half angle will be known. Nothing here has seen a picture.
//
// Formulas. Sheet speed: Bernoulli, U = sqrt(2 dp / rho), the most it can be. Scale and depth of field: thin
// lens (geometrical optics, from memory): v = f s / (s - f), m = v / s - so m = f / (s - f); near and far
// limits s f^2 / (f^2 +- N c (s - f)). Diffraction: Airy's first dark ring, 2.44 lambda N (1 + m) / m on the
// object side. Drops: a disc of radius r px counted by pixels has a root-mean-square area error of 0.676
// sqrt(r) px^2 (M. G. Kendall 1948, Quart. J. Math. 19:1-26, from memory). Tilt, distance and lens: by the
// same projection that measures (calib/cone_projection.h).
#pragma once

#include <optional>
#include <string>

#include <calib/quantity.h>

namespace conebook::src {

struct PlanInput {
  double pressure_drop_bar = 0.0, half_angle_deg = 0.0, exit_diameter_mm = 0.0;
  double density_kg_m3 = 998.2;  // water at 20 C
  int width_px = 0, height_px = 0;
  double focal_mm = 0.0, pixel_um = 0.0;  // of the lens; from pixel to pixel on the sensor
  double distance_mm = 0.0;               // lens to exit
  double f_number = 0.0;
  std::optional<double> fps, exposure_us;
  double wanted_u_deg = 0.1;     // of the half angle, by scatter from frame to frame alone
  double pulsation_deg = 0.0;    // half peak to peak of the half angle, where the spray is known to pulsate
  std::optional<double> clip_s;  // of steady spray; nothing: as long as wanted_u_deg asks for
  std::optional<double> near_mm, far_mm;  // stations; nothing: the measurement's own near one, and 0.7 of
                                          // what the picture shows
  std::optional<double> exit_x_px, exit_y_px;  // in the picture turned so that the spray points down;
                                               // nothing: the middle, a tenth of the height down
  double tilt_deg = 0.0, u_tilt_deg = 2.0, u_distance_part = 0.03;
  bool distance_stated = true;  // in the rig; else the measurement takes the rays for parallel
  bool lens_calibrated = false;
  bool compressed = true;
  double wavelength_nm = 550.0;  // green, in the middle of what a camera sees
};

struct Plan {
  double px_per_mm = 0.0, focal_px = 0.0, magnification = 0.0;
  double view_width_mm = 0.0, view_height_mm = 0.0;
  double spray_in_view_mm = 0.0;  // axial distance until a side leaves the picture, exit at the top
  double far_mm = 0.0;
  double speed_m_s = 0.0;
  double longest_exposure_us = 0.0;     // for one pixel of movement
  std::optional<double> smear_px;       // with the stated exposure
  double independent_fps = 0.0;         // the sheet is renewed from exit to far station between two frames
  double near_limit_mm = 0.0;           // from the lens
  std::optional<double> far_limit_mm;   // nothing: to infinity
  double depth_of_field_mm = 0.0;       // within the far limit; 0 where there is none
  double airy_um = 0.0, airy_px = 0.0;  // at the exit; in pixels of the picture
  double drop_4_percent_um =
      0.0;  // smallest drop whose diameter pixels tell to 4 %, or as large as the Airy disc
  double frames_wanted = 0.0, clip_s = 0.0;  // for wanted_u_deg, 30 or more frames; with fps, or at
                                             // independent_fps
  double frames = 0.0;                       // independent ones that u is worked out for
  calib::Quantity half_angle_deg;            // expected, with the u to expect by cause
};

// Throws calib::InputError: a number that makes no sense, named.
Plan MakePlan(const PlanInput& input);

}  // namespace conebook::src

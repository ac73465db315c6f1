// What the measurement is told about a view: the rig's camera, scale, nozzle and stations, in the words of
// the rig file. Pixels of the upright image, (0, 0) the centre of the top-left pixel, x right, y down.
// Nothing here is about the stand.
#pragma once

#include <optional>
#include <string>

#include <calib/lens.h>
#include <calib/stated.h>

namespace conebook::vision {

enum class Illumination { kBacklit, kFrontlit };
enum class Shows { kCone, kDrops };

// What the rig was last checked with: solids of known half angle in the exit's place.
struct KnownCones {
  std::string date;
  int checks = 0;
  double difference_deg = 0.0, u_deg = 0.0;  // measured less known, root mean square; and its u
  double worst_in_u = 0.0;                   // of a single check
};

struct View {
  // Camera.
  std::optional<double> fps;                 // true capture rate; nothing: the container's stamps
  std::optional<calib::Stated> distance_mm;  // lens to exit, along the optical axis; u in mm
  std::optional<calib::Stated> focal_px;
  calib::Stated tilt_deg{0.0, 2.0, true, true};  // positive: the spray's far end leans towards the camera
  std::optional<calib::Lens> lens;
  std::optional<KnownCones> known_cones;
  std::optional<double> white_level;  // of frames that use fewer bits than their file
  // Scale at the exit.
  std::optional<calib::Stated> px_per_mm;       // u in px/mm
  int scale_width_px = 0, scale_height_px = 0;  // of the picture that the scale was read from; 0: not told
  // Nozzle.
  std::optional<calib::Stated> exit_x_px, exit_y_px;  // both or none; none: found in the footage
  calib::Stated exit_diameter_mm;
  calib::Stated axis_deg{0.0, 0.5, true, true};  // 0 down, positive turns to image right, 180 up
  // Spray.
  std::optional<Illumination> illumination;
  Shows shows = Shows::kCone;
  // Stations, mm (exit diameters where there is no scale).
  std::optional<double> near_mm, far_mm;
};

}  // namespace conebook::vision

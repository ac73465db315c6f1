// What cameras, editors and stands do to a clip besides noise: each off unless set. Kept apart from the
// drawn scene, so that none of them moves a random number.
#pragma once

#include <vector>

namespace conebook::render {

struct FaultSetting {
  // Digital zoom, stabilisation, focus breathing: the recorded picture about its middle.
  double zoom = 0.0;  // relative growth, from zoom_from to zoom_to (parts of the clip)
  double zoom_from = 0.0, zoom_to = 1.0;
  double breathing = 0.0, breathing_hz = 1.5, breathing_blur_px = 0.0;  // half peak to peak
  double roll_deg = 0.0, roll_hz = 0.7;                                 // half peak to peak
  // The nozzle gives way when the valve opens, and with every further e-fold of pressure by a third of it.
  double step_x_px = 0.0, step_y_px = 0.0;
  double lean_swing_deg = 0.0, lean_swing_hz = 1.0;  // draught
  int edge_drops = 0;                                // drops that land on the window over the spray's edge
  double edge_drop_px = 12.0;                        // their radius
  double recess_mm = 0.0;                            // the holder reaches so far below the exit on both sides
  double wet_mm = 0.0;                               // liquid on the tip's face, as far out from the exit
  int repeat_every = 0;                              // every so many-th frame is the one before again
  double ramp = 1.0;  // the middle third of a clip plays so many times slower, by its stamps
};

struct PictureMotion {
  double scale = 1.0, roll_rad = 0.0, blur_px = 0.0;
};
// `part`: of the clip, 0 to 1.
PictureMotion MotionAt(const FaultSetting& faults, double time_s, double part);

// Scales and turns a picture about its middle, the border repeated.
void MovePicture(const PictureMotion& motion, int width, int height, std::vector<float>& image);

}  // namespace conebook::render

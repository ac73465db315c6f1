// The sheet of one exposure splatted into an image of optical depth (float_image.h), patch by patch, each at
// most about a pixel. What flies beyond it: flying_drops.h.
//
// Grey film: depth along the line of sight through both walls, thickness ~ 1/r. Clear water: next to nothing
// where the sheet faces the camera, much where it is grazed, since such rays are turned away.
#pragma once

#include <vector>

#include "render/camera.h"
#include "render/float_image.h"
#include "render/spray.h"

namespace conebook::render {

struct FilmLook {
  Film film = Film::kGrey;
  bool frontlit = false;
  double wall_depth = 0.4;                // grey: optical depth of one wall at the exit
  double limb_depth = 1.2;                // clear: at grazing incidence, of one wall
  double limb_softness = 0.5;             // 0: narrow limb, 1: wide
  double interior_depth = 0.015;          // clear: one wall, face on
  double streak = 0.3;                    // relative depth of thickness streaks
  double light_side = 0.0;                // front: -1 from the left, 1 from the right
  double glint = 0.0;                     // front: strength of mirror-like flashes
  double lost_side = 0.0;                 // front, clear: -1 left, 1 right, 0 no stretch without limb
  double lost_from = 0.0, lost_to = 0.0;  // in breakup lengths
  double drop_depth = 2.0;
  double blur_px = 0.8;
};

// The outermost continuous sheet, per pixel step along the nozzle's axis as it appears, on either side
// (outwards positive, px). `seen` false where the sheet is not.
struct SheetExtent {
  Pixel origin, along, across;  // row k: origin + k along; right: + across
  std::vector<float> right, left;
  std::vector<char> seen;
  void Reset(const Camera& nozzle_camera, Pixel shift, int rows);
};

// The part of the sheet that a picture of its boundary needs: patches within width_px of the limb of an
// untilted far camera, and turn_rad farther around on either side. Width 0: all of it.
struct Limb {
  double width_px = 0.0, turn_rad = 0.0;
};

// Adds one exposure to `depth`; `leaned` is the camera of the spray, not of the nozzle; `shift` moves the
// picture (shake).
void AddSheet(const Spray& spray, const Camera& leaned, const FilmLook& look, const Instant& now,
              double weight, double pitch_px, const Limb& limb, Pixel shift, FloatImage& depth,
              SheetExtent* extent);

}  // namespace conebook::render

// Drops on the straight paths of the liquid they came from, and those of a leaking valve.
#pragma once

#include "render/camera.h"
#include "render/film.h"
#include "render/float_image.h"
#include "render/spray.h"

namespace conebook::render {

// Adds one exposure to `depth`, as AddSheet does.
void AddDrops(const Spray& spray, const Camera& leaned, const FilmLook& look, const Instant& now,
              double exposure_s, Pixel shift, FloatImage& depth);

// A leaking valve: now and then one large drop falls from the exit.
void AddDrip(const Spray& spray, const Camera& camera, const FilmLook& look, double time_s, Pixel shift,
             FloatImage& depth);

}  // namespace conebook::render

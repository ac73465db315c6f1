// One exposure of the whole scene, without noise.
#pragma once

#include "render/film.h"
#include "render/scene.h"

namespace conebook::render {

// The signal of an exposure around `now`. Of the sheet all, or the limb alone, see AddSheet.
void RenderSignal(const Scene& scene, const Spray& spray, const Camera& nozzle, const Instant& now,
                  Pixel shift, bool with_drops, const Limb& limb, FloatImage& signal, SheetExtent* extent);

}  // namespace conebook::render

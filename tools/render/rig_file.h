// The rig and the lens as files say them, each value in error by a draw from its u.
#pragma once

#include <string>

#include "render/camera.h"
#include "render/scene.h"

namespace conebook::render {

std::string RigText(const Scene& scene);
std::string LensText(const Scene& scene);

// The camera as the rig states it, with the defaults of the contract where it is silent.
Camera StatedCamera(const Scene& scene);

}  // namespace conebook::render

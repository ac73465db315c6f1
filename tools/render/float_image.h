// A picture of optical depth, and what is drawn into it.
#pragma once

#include <cstddef>
#include <vector>

#include "render/camera.h"
#include "render/wide.h"

namespace conebook::render {

struct FloatImage {
  int width = 0, height = 0;
  std::vector<float> value;
  void Reset(int w, int h);
  float* Row(int y) { return value.data() + static_cast<std::size_t>(y) * static_cast<std::size_t>(width); }
  const float* Row(int y) const {
    return value.data() + static_cast<std::size_t>(y) * static_cast<std::size_t>(width);
  }
  // Bilinear; 0 outside.
  double At(double x, double y) const;
  // Cubic (R. Keys 1981, a = -1/2; from memory): rounds a bent profile far less; 0 outside.
  double AtCubic(double x, double y) const;
};

// Weight shared out bilinearly over four pixels; none outside.
RENDER_INLINE void Splat(FloatImage& image, float x, float y, float weight) {
  if (!(x >= 0.0F && y >= 0.0F && x < static_cast<float>(image.width - 1) &&
        y < static_cast<float>(image.height - 1)))
    return;
  const int ix = static_cast<int>(x);
  const int iy = static_cast<int>(y);
  const float dx = x - static_cast<float>(ix);
  const float dy = y - static_cast<float>(iy);
  float* top = image.Row(iy) + ix;
  float* bottom = top + image.width;
  const float a = weight * (1.0F - dy);
  const float b = weight * dy;
  top[0] += a * (1.0F - dx);
  top[1] += a * dx;
  bottom[0] += b * (1.0F - dx);
  bottom[1] += b * dx;
}

// A disc with a soft edge; below a pixel or so, its area on four pixels.
void AddDisc(FloatImage& image, double x, double y, double radius_px, double depth);

// A disc of even depth carried from a to b during the exposure: each pixel gets the depth times the part of
// the time for which the disc covers it.
void AddStreak(FloatImage& image, Pixel a, Pixel b, double radius_px, double depth);

// From liquid to light: 1 - exp(-depth), 0 where there is no liquid, towards 1 where it hides (or fills with
// light) all there is, blurred as the camera blurs. Noise-free and linear.
void SignalFromDepth(FloatImage& depth, double blur_px);

}  // namespace conebook::render

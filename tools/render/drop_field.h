// Close-ups of drops in back light with known sizes: opaque discs, each blurred by how far it lies out of
// focus, smeared by its travel, some with the bright spot of a transparent drop, multiplied where they
// overlap.
#pragma once

#include <cstdint>
#include <vector>

#include <opencv2/core.hpp>

namespace conebook::render {

struct DropField {
  int width_px = 1000, height_px = 1000;
  double drops = 60.0;            // mean number whose centres lie in the picture (Poisson)
  double median_px = 12.0;        // of the diameters, by number, log-normal
  double sigma_ln = 0.4;          // 0: all alike
  double second_median_px = 0.0;  // a second population, as many again; 0: none
  double least_px = 2.0;          // none smaller
  double focus_px = 0.6;          // blur in focus, standard deviation
  double most_blur_px = 0.6;      // at either end of the depth; in between linear in depth, hypot with focus
  double smear_px = 0.0;          // travel down the picture during the exposure
  double glare = 0.0;             // diameter of the bright spot, of the drop's; 0: none
  double light = 0.75;            // background, of full scale
  double veil = 0.0;              // light that falls on drops as well
  double shading = 0.15;          // of the background, from middle to corner
  double noise = 0.004;           // of full scale
};

struct TrueDrop {
  double x_px = 0.0, y_px = 0.0, diameter_px = 0.0, blur_px = 0.0;
};

// Picture k of a field: linear light of full scale 1, and its drops. Same field, seed and k: same picture.
cv::Mat1f RenderDrops(const DropField& field, std::uint64_t seed, int k, std::vector<TrueDrop>& drops);

// Pictures of the same drops one interval after another; each goes its own straight way.
struct DropFlight {
  double along_px = 20.0, across_px = 0.0;  // down and to the right, in an interval
  double scatter = 0.05;                    // sd of a drop's way, of the length, along and across
};
std::vector<cv::Mat1f> RenderFlight(const DropField& field, const DropFlight& flight, std::uint64_t seed,
                                    int k, int pictures);

// The background alone.
cv::Mat1f RenderNoDrops(const DropField& field, std::uint64_t seed, int k);

}  // namespace conebook::render

// Silhouette of an opaque round drop, blurred. Light that a disc of radius R takes away, as a share of what
// it takes at its sharp middle, after a blur that is a normal distribution of standard deviation s on each
// axis:
//   F(r) = P(a normal point of spread s about distance r lies within R)
//        = integral 0..R of rho / s^2 exp(-(rho^2 + r^2) / (2 s^2)) I0(r rho / s^2) d rho
// (the non-central chi-square distribution of two degrees of freedom). The contour of one half lies within
// the disc and shrinks to nothing at s / R = 1 / sqrt(2 ln 2) = 0.849. Derived here; check values in the
// tests.
#pragma once

#include <optional>
#include <vector>

namespace conebook::vision {

// F at distance r; both in units of R.
double ShadeOfDisc(double r, double blur);

// What is seen of a blurred disc: from the radii of three contours to its blur and its radius.
class BlurredDiscs {
 public:
  BlurredDiscs();  // tabulates

  // From (r_0.3 - r_0.7) / r_0.5, levels as shares of the sharp middle. Nothing: more blurred than can be
  // told.
  std::optional<double> BlurOfRadius(double edge_part) const;  // s / R
  double ContourPart(double blur) const;                       // r_0.5 / R at s / R

 private:
  struct Row {
    double blur, contour, edge;
  };
  std::vector<Row> rows_;
};

}  // namespace conebook::vision

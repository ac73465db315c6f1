// The free sheet of a swirling liquid without its waves: straight particle paths off a ring of radius r0 make
// the hyperboloid r^2 = r0^2 + z^2 tan^2 a, z from the exit. r0 is the middle of the film at the exit: with
// an air core of 0.7 to 0.95 of the exit's radius (textbook simplex elements, from memory) 0.85 to 0.975 of
// it. Lengths in any one unit.
#pragma once

#include <optional>
#include <span>

#include "vision/statistics.h"

namespace conebook::vision {

// r0 in parts of the exit's radius.
inline constexpr double kFilmOfExit = 0.92;

// How far its side lies outside the asymptote |z tan a|.
double OverAsymptote(double r0, double tan_a, double z);

// Least squares of h on sqrt(r0^2 + z^2 tan^2 a) + c for given r0. Nothing: fewer than 8 points.
struct HyperboloidFit {
  double tan_a = 0.0, c = 0.0, residual = 0.0;
};
std::optional<HyperboloidFit> FitHyperboloid(std::span<const double> z, std::span<const double> h, double r0);

// The straight line through the sides sqrt(r0^2 + z^2 tan^2 a) between two distances from the exit, least
// squares.
Line LineThroughHyperboloid(double r0, double tan_a, double near, double far);

}  // namespace conebook::vision

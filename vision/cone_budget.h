// What the half angles of a pressure point leave open, source by source, all in deg: one list each for left,
// right, their mean and lean. A parameter's share is what a change by its u makes of the angles, fitted anew
// (JCGM 100:2008, 5.1.3, note 2). The sources are named in cone_fit.h.
#pragma once

#include <array>
#include <string>
#include <vector>

#include <calib/quantity.h>

#include "vision/cone_lines.h"

namespace conebook::vision {

struct ConeBudget {
  std::vector<calib::Contribution> left, right, mean, lean;

  void Add(const std::string& source, calib::Shared shared, double u_left, double u_right, double u_mean,
           double u_lean);
  void AddLinear(const std::string& source, calib::Shared shared, const HalfAngles& effect) {
    Add(source, shared, effect.left, effect.right, effect.Mean(), effect.Lean());
  }
};

// A pressure point as fitted with the best values.
struct FittedCone {
  const LineSetting& setting;
  const CameraSetup& setup;
  const BoundarySides& boundary;
  HalfAngles angles;
};

// What of the frames' angles swings at a rate of its own (calib/spectrum.h).
FrameSwing SwingOfFrames(const ConeAngles& frames);

// What a turn of either side in the picture turns left and right by in space: a near camera sees a wide cone
// wider than it is.
struct TurnInSpace {
  std::array<double, 2> left{1.0, 0.0}, right{0.0, 1.0};  // by a turn of [left, right]
  double Mean() const { return 0.5 * (left[0] + left[1] + right[0] + right[1]); }
};
TurnInSpace TurnInSpaceOf(const FittedCone& cone);

// From the frames' own angles, with their correlation. A spray that pulsates comes back to where it was: as
// noise its swing would count three to four times too much. It counts by what its unfinished part moves the
// middle of the frames by. (Not taken off: it runs down the sheet, so each row is left with another part.)
void AddScatter(const ConeAngles& frames, const TurnInSpace& in_space, ConeBudget& budget);

inline constexpr double kLowPart = 0.20, kHighPart = 0.40;  // of the reference level, about kBoundaryPart

// From the boundaries at 0.20 and at 0.40 of the reference level. The level of a clip is known better than
// that: errors of rendered sprays ask for a quarter of the variance of that rectangle.
void AddThreshold(const FittedCone& cone, const BoundarySides& at_low, const BoundarySides& at_high,
                  ConeBudget& budget);

void AddDefinition(const FittedCone& cone, ConeBudget& budget);

// Where no frame is free of spray: what an unknown background does to the lines, see background_effect.h, and
// a floor for an even one. rows: of either side, between the stations; part: 0.30 of the clip's level in
// parts of the model's.
void AddBackground(const FittedCone& cone, const RowRanges& rows, const BoundarySides& at_low,
                   const BoundarySides& at_high, const std::array<double, 2>& part, ConeBudget& budget);

// Tilt, axis, exit, distance, lens, known cones. Returns what is to be added to the angles: tilt's mean
// effect is one-sided and taken out.
HalfAngles AddRig(const FittedCone& cone, ConeBudget& budget);

}  // namespace conebook::vision

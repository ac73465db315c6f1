// Runs of one element at several rotations about its axis ([view] rotation_deg), put together: true lean of
// the spray, the half angle around the cone, and how what hides light goes around it.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include <calib/circumferential.h>
#include <calib/element_lean.h>
#include <calib/flag.h>
#include <calib/quantity.h>

#include "src/run.h"

namespace conebook::src {

// Half angle of one side of one view, the fitted lean and holder taken out.
struct SideAround {
  double azimuth_deg = 0.0;  // from the datum mark, counter-clockwise looking upstream
  double half_angle_deg = 0.0;
  double u_deg = 0.0;  // without what all views share
};

struct ElementViews {
  std::string element;
  std::optional<double> pressure_bar;  // mean of the views' points; nothing without a log
  std::vector<double> rotation_deg;
  std::vector<double> lean_deg;    // of each view as measured
  std::vector<double> u_lean_deg;  // without what all views share
  std::optional<calib::ElementLean> lean;
  std::vector<SideAround> around;    // by azimuth; empty without a lean
  std::optional<double> spread_deg;  // sd of the views' mean half angles beyond their own u; 0: none seen
  std::optional<calib::Circumferential> map;  // where two views or more tell how evenly the drops are spread
  std::string no_map;                         // why there is none; empty where no view tells it
  std::vector<calib::Flag> flags;
};

// Of every element with two runs or more that state a rotation: its pressure points, those of different views
// paired where they lie within 3 % of each other. Elements in order of their first run, pressures rising.
std::vector<ElementViews> ViewsOf(const std::vector<const Run*>& runs);

// For people, a sentence or two each.
std::string InWords(const ElementViews& views);

}  // namespace conebook::src

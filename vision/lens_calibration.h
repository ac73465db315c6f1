// A lens from views of a chessboard: OpenCV's model and fit (calibrateCamera; Z. Zhang 2000, IEEE PAMI 22(11)
// :1330-1334, from memory), with what moves the result.
//
// The corners that are fitted are the mean over several refinement windows, for no window is right: on the
// chessboard pictures that come with OpenCV, half windows of 5 and 11 px differ by 0.6 % in focal length.
// In u of each parameter: the window (largest change when one window alone is used), and the views
// (jackknife, groups of views left out in turn; at least the fit's own standard deviation). Not in u: a board
// that is not flat, squares of another size than stated (that scales nothing but the distances), and a lens
// that refocuses between the views.
#pragma once

#include <string>
#include <utility>
#include <vector>

#include <calib/lens.h>
#include <calib/quantity.h>

#include "vision/chessboard.h"
#include "vision/pictures.h"

namespace conebook::vision {

struct LensCalibrationOptions {
  std::vector<int> half_windows_px{5, 7, 9, 11};
  int least_views = 4;
  int most_groups = 13;        // of views, left out in turn
  double least_covered = 0.6;  // share of the frame's cells in which some view has a corner
  double tilted_deg = 15.0;    // from here on a view counts as tilted
  int least_tilted_views = 3;  // else focal length and distance cannot be told apart
  double odd_view = 3.0;       // times the median view's rms
};

struct LensView {
  std::string name;
  bool found = false;
  double rms_px = 0.0, tilt_deg = 0.0;  // of the board against the image plane; only where found
};

struct LensCalibration {
  calib::Lens lens;  // with covariance
  // fx_px, fy_px, cx_px, cy_px, k1, k2, p1, p2, k3 in this order, with budget.
  std::vector<std::pair<std::string, calib::Quantity>> parameters;
  std::vector<LensView> views;  // one a picture
  int views_used = 0, tilted_views = 0;
  double covered = 0.0;                // share of the frame's cells (8 x 6)
  std::vector<calib::Lens> by_window;  // one a window, in the order of the options
  std::vector<std::string> warnings;   // with what to do
};

// Throws calib::InputError: too few views show the whole board, pictures of different sizes, no fit.
LensCalibration CalibrateLens(const std::vector<Picture>& pictures, const Board& board,
                              const LensCalibrationOptions& options = {});

}  // namespace conebook::vision

// What Survey learns about a clip and Read needs for every frame. Reading-frame pixels throughout.
#pragma once

#include <array>
#include <cstdint>
#include <optional>
#include <vector>

#include <opencv2/core.hpp>

#include "vision/footage.h"
#include "vision/reading_frame.h"
#include "vision/view.h"

namespace conebook::vision {

// Sides are indexed 0 left, 1 right.
enum { kLeftSide = 0, kRightSide = 1 };

// A point of the static scene: a place to read the frame's gain, or the camera's shake, from.
struct ScenePoint {
  int x = 0, y = 0;
  float light = 0.0F;  // background
  float gx = 0.0F, gy = 0.0F;
};

// Straight guess at a side's boundary, x = at_exit + slope * (y - exit_y).
struct GuessLine {
  double at_exit_px = 0.0;
  double slope = 0.0;
  double X(double dy_px) const { return at_exit_px + slope * dy_px; }
};

// For shift, growth and turn of the static scene together, see scene_motion.h.
struct SceneFit {
  cv::Matx<double, 6, 6> inverse;  // of the normal matrix
  double growth_lever_px = 0.0, turn_lever_px = 0.0;
  bool Usable() const { return growth_lever_px > 0.0; }
};

struct ClipModel {
  FootageFormat format;
  ReadingFrame reading;
  std::vector<float> light;  // of a code value
  int clipped_code = 255;

  cv::Mat1f background;  // linear light
  cv::Mat1f field;       // what Read multiplies or subtracts: 1 / background in back light, else background
  bool background_from_spray = false;  // no spray-free frames
  int background_frames = 0;

  Illumination illumination = Illumination::kBacklit;
  bool illumination_stated = false;

  cv::Point2d exit_px;
  bool exit_found = false;
  double u_exit_px = 4.0;  // of a found exit, along the axis
  double exit_diameter_px = 0.0;
  bool exit_diameter_seen = false;  // no scale: taken from the spray's width where it leaves
  double axis_slope = 0.0;          // dx/dy of the nozzle axis

  // Rows that are read: first_row + i * row_step, i < rows.
  int first_row = 0, row_step = 1, rows = 0;
  std::optional<int> splash_row;  // rows from here on are not read, see splash.h
  // Back light: what lies outside is black and never was lit, bars that an edit has put about the picture.
  // Set by SetField; else the whole picture.
  cv::Rect lit;
  // Columns that are read in row i.
  std::vector<int> first_column, last_column;
  std::array<GuessLine, 2> guess;
  std::array<float, 2> level{0.0F, 0.0F};  // first reference level, per side
  float noise = 0.0F;                      // of the filtered signal
  double texture_half_px = 3.0;            // half width of the box that texture is measured against
  bool strong_filter = false;
  bool pair_rows = false;  // neighbouring rows averaged: noise near the threshold

  std::vector<ScenePoint> gain_points, shake_points;
  std::array<double, 4> shake_normal{0, 0, 0, 0};  // inverse of the 2 x 2 normal matrix

  std::vector<ScenePoint> scene_points;
  SceneFit scene_fit;
  std::vector<ScenePoint> body_points;  // of the nozzle's own edges
  std::array<double, 4> body_normal{0, 0, 0, 0};
  std::array<std::vector<char>, 2> covered;  // rows whose edge something still covers, see still_edges.h
  double bands_rms = 0.0;                    // of the lines' light, see light_bands.h; 0: none
  bool level_bands = false;                  // taken out of each frame
  bool follow_scene = false;  // frames are put back to where the scene stood before they are read

  double AxisX(double y) const { return exit_px.x + axis_slope * (y - exit_px.y); }
  int Row(int i) const { return first_row + i * row_step; }
};

}  // namespace conebook::vision

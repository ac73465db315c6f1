// Read: from one frame and the clip's model to a record. A pure function of its arguments: any thread may
// take any frame. The scratch only saves allocations.
//
// Signal: 1 - I / (gain * background) in back light, I / gain - background in front light, linear light; less
// the slow level just outside the spray on each side (haze). The visible boundary of a row and side is the
// outermost crossing, by liquid connected to the exit, of a part of the reference level. Liquid counts as
// connected along touching rows, or where it follows the guessed limb beyond a stretch without a visible one.
#pragma once

#include <array>
#include <cstdint>
#include <vector>

#include <opencv2/core.hpp>

#include "vision/clip_model.h"
#include "vision/frame_record.h"

namespace conebook::vision {

struct Run {
  int row = 0, x0 = 0, x1 = 0;  // x1 inclusive
  int parent = 0;
};

struct ReadScratch {
  cv::Mat turned, turned_again, put_back;
  std::vector<float> signal;  // rows of filtered signal
  std::vector<float> bands;   // light of the sensor's lines
  std::vector<float> line_a, line_b, field_line, texture;
  std::vector<std::uint8_t> mask;
  std::vector<double> prefix, texture_prefix;
  std::vector<float> work;
  std::vector<Run> runs;
  std::vector<int> first_run;  // of each row
  std::vector<char> accepted;
  std::array<std::vector<float>, 2> base;  // slow level outside, per row
  std::vector<std::uint16_t> raw_peaks;
};

struct ReadFrameOptions {
  bool trust_guess = true;  // false while Survey still looks for the cone
  bool rays = true;
};

void ReadFrame(const ClipModel& model, const LumaFrame& frame, const ReadFrameOptions& options,
               ReadScratch& scratch, FrameRecord& record);

// Median ratio of the frame to the background over the model's gain points; 1 where there are too few.
float FrameGain(const ClipModel& model, const RowsView& rows, std::vector<float>& work);

}  // namespace conebook::vision

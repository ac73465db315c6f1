// Absorbance of a frame's pixels, -ln(light / background): it adds up where shadows overlap. Logarithms are
// taken once a clip.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include <opencv2/core.hpp>

#include "vision/clip_model.h"
#include "vision/footage.h"
#include "vision/ray_patches.h"
#include "vision/reading_frame.h"

namespace conebook::vision {

inline constexpr float kMostAbsorbance = 3.9F;  // a fiftieth of the light is left: darker tells no more

// Why this footage's light cannot be turned into absorbance; nothing: it can.
std::optional<std::string> WhyNoAbsorbance(const ClipModel& model);

struct AbsorbanceTables {
  explicit AbsorbanceTables(const ClipModel& model);
  std::vector<float> ln_light;  // by code value
  cv::Mat1f ln_background;
};

// Refers to model and tables, and to the frame's own bytes.
class FrameAbsorbance {
 public:
  FrameAbsorbance(const ClipModel& model, const AbsorbanceTables& tables, const LumaFrame& frame);
  const RowsView& Rows() const { return rows_; }
  float LnGain() const { return ln_gain_; }
  // Over the columns [x0, x1) of a row.
  double Sum(int y, int x0, int x1) const;
  double Mean(const RayPatch& patch) const;

 private:
  template <typename T>
  float SumOf(int y, int x0, int x1) const;

  const ClipModel& model_;
  const AbsorbanceTables& tables_;
  cv::Mat turned_, turned_again_;
  RowsView rows_;
  float ln_gain_ = 0.0F;
};

}  // namespace conebook::vision

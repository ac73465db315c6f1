#include "vision/absorbance.h"

#include <algorithm>
#include <cmath>
#include <cstddef>
#include <cstdint>

#include "vision/read_frame.h"

namespace conebook::vision {

std::optional<std::string> WhyNoAbsorbance(const ClipModel& model) {
  if (model.illumination == Illumination::kFrontlit) return "read in back light only";
  if (model.format.transfer == Transfer::kHdr)
    return "the clip is tone-mapped: how much light is gone cannot be had from it";
  return std::nullopt;
}

AbsorbanceTables::AbsorbanceTables(const ClipModel& model) {
  constexpr float kNoLight = 1e-6F, kDarkest = 1e-3F;
  for (const float light : model.light) ln_light.push_back(std::log(std::max(light, kNoLight)));
  ln_background = cv::max(model.background, kDarkest);
  cv::log(ln_background, ln_background);
}

FrameAbsorbance::FrameAbsorbance(const ClipModel& model, const AbsorbanceTables& tables,
                                 const LumaFrame& frame)
    : model_(model),
      tables_(tables),
      rows_(ViewRows(model.reading, model.format, frame, turned_, turned_again_)) {
  std::vector<float> work;
  ln_gain_ = std::log(FrameGain(model, rows_, work));
}

template <typename T>
float FrameAbsorbance::SumOf(int y, int x0, int x1) const {
  const T* code = rows_.Row<T>(y);
  const float* background = tables_.ln_background[y];
  float sum = 0.0F;
  for (int x = x0; x < x1; ++x)
    sum += std::min(kMostAbsorbance, background[x] + ln_gain_ - tables_.ln_light[code[x]]);
  return sum;
}

double FrameAbsorbance::Sum(int y, int x0, int x1) const {
  const float sum = model_.format.bits > 8 ? SumOf<std::uint16_t>(y, x0, x1) : SumOf<std::uint8_t>(y, x0, x1);
  return static_cast<double>(sum);
}

double FrameAbsorbance::Mean(const RayPatch& patch) const {
  double sum = 0.0;
  for (std::size_t k = 0; k < patch.x.size(); ++k)
    sum += Sum(patch.row0 + static_cast<int>(k), patch.x[k], patch.x[k] + patch.width_px);
  return sum / patch.AreaPx2();
}

}  // namespace conebook::vision

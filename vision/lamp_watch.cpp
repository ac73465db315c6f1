#include "vision/lamp_watch.h"

#include <utility>

#include "vision/statistics.h"

namespace conebook::vision {

LampWatch::LampWatch(const FootageFormat& format, std::vector<float> light, const LampOptions& options)
    : format_(format), light_(std::move(light)), options_(options) {}

std::array<float, LampWatch::kBlocks> LampWatch::BlocksOf(const LumaFrame& frame) {
  for (std::vector<float>& values : work_) values.clear();
  const int w = format_.stored_width_px;
  const int h = format_.stored_height_px;
  for (int y = options_.step_px / 2; y < h; y += options_.step_px) {
    for (int x = options_.step_px / 2; x < w; x += options_.step_px) {
      const std::size_t code =
          format_.bits > 8 ? frame.Row<std::uint16_t>(y)[x] : frame.Row<std::uint8_t>(y)[x];
      const auto block = static_cast<std::size_t>(4 * (4 * y / h) + 4 * x / w);
      work_[block].push_back(light_[code]);
    }
  }
  std::array<float, kBlocks> blocks{};
  for (std::size_t b = 0; b < kBlocks; ++b)
    blocks[b] = work_[b].empty() ? 0.0F : MedianInPlace(std::span<float>(work_[b]));
  return blocks;
}

bool LampWatch::ComesOn(const LumaFrame& frame) {
  const std::array<float, kBlocks> now = BlocksOf(frame);
  int risen = 0;
  for (std::size_t b = 0; begun_ && b < kBlocks; ++b) {
    const double before = static_cast<double>(first_[b]);
    if (static_cast<double>(now[b]) > options_.least_rise * before + options_.least_light) ++risen;
  }
  const bool on = risen >= options_.least_blocks;
  if (on || !begun_) first_ = now;
  begun_ = true;
  return on;
}

}  // namespace conebook::vision

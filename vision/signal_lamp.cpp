#include "vision/signal_lamp.h"

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <optional>

#include "vision/clip_reading.h"
#include "vision/statistics.h"

namespace conebook::vision {
namespace {

constexpr std::size_t kMostBytes = std::size_t{48} << 20U;
constexpr int kBlocksAcross = 120;
constexpr double kScale = 64000.0;    // of a block's light as it is kept
constexpr double kAlike = 0.95;       // of the frames in which two blocks of one lamp agree
constexpr double kBesideSlope = 0.3;  // beyond the cone's own sides: drops

struct Grid {
  int block_px = 8, columns = 0, rows = 0;
  std::size_t Blocks() const { return static_cast<std::size_t>(columns) * static_cast<std::size_t>(rows); }
};

// Mean code value of each block, of full scale.
void AddBlocks(const RowsView& view, const ClipModel& model, const Grid& grid,
               std::vector<std::uint16_t>& into) {
  const double full = static_cast<double>((1 << model.format.bits) - 1);
  const int step = std::max(1, grid.block_px / 8);
  for (int row = 0; row < grid.rows; ++row) {
    for (int column = 0; column < grid.columns; ++column) {
      double sum = 0.0;
      int count = 0;
      for (int y = row * grid.block_px; y < (row + 1) * grid.block_px; y += step) {
        for (int x = column * grid.block_px; x < (column + 1) * grid.block_px; x += step) {
          sum += model.format.bits > 8 ? view.Row<std::uint16_t>(y)[x] : view.Row<std::uint8_t>(y)[x];
          ++count;
        }
      }
      into.push_back(static_cast<std::uint16_t>(kScale * std::min(1.0, sum / count / full)));
    }
  }
}

struct TwoLevel {
  double low = 0.0, high = 0.0, ratio = 0.0;
  std::vector<bool> on;
};

double SpreadAbout(const std::vector<double>& values, double level) {
  std::vector<double> off;
  for (const double value : values) off.push_back(std::abs(value - level));
  return off.empty() ? 0.0 : 1.4826 * MedianInPlace(off);
}

// Two levels, and little else: frames on the way from one to the other are few.
std::optional<TwoLevel> TwoLevels(const std::vector<double>& series, const SignalLampOptions& options) {
  const auto [least, most] = std::minmax_element(series.begin(), series.end());
  if (!(*most - *least > options.least_contrast)) return std::nullopt;
  TwoLevel block;
  const double middle = 0.5 * (*least + *most);
  std::vector<double> low, high;
  for (const double value : series) {
    block.on.push_back(value > middle);
    (value > middle ? high : low).push_back(value);
  }
  int steps = 0;
  for (std::size_t k = 1; k < series.size(); ++k) steps += block.on[k] != block.on[k - 1] ? 1 : 0;
  if (steps == 0 || steps > options.most_steps) return std::nullopt;
  std::vector<double> copy = low;
  block.low = MedianInPlace(copy);
  copy = high;
  block.high = MedianInPlace(copy);
  const double contrast = block.high - block.low;
  if (!(contrast > options.least_contrast)) return std::nullopt;
  // In between lie the frames in which it switches, and no others.
  int between = 0;
  for (const double value : series)
    between += value > block.low + 0.25 * contrast && value < block.high - 0.25 * contrast ? 1 : 0;
  if (between > steps) return std::nullopt;
  constexpr double kLeastSpread = 0.001;  // of full scale: a step of an 8-bit camera over a block
  block.ratio =
      contrast / std::hypot(kLeastSpread, SpreadAbout(low, block.low), SpreadAbout(high, block.high));
  if (block.ratio < options.least_ratio) return std::nullopt;
  return block;
}

bool Alike(const TwoLevel& a, const TwoLevel& b) {
  std::size_t same = 0;
  for (std::size_t k = 0; k < a.on.size(); ++k) same += a.on[k] == b.on[k] ? 1 : 0;
  return static_cast<double>(same) >= kAlike * static_cast<double>(a.on.size());
}

bool InCone(const ClipModel& model, const Grid& grid, int column, int row) {
  const double reach = 0.5 * grid.block_px + 2.0;
  const double x = (column + 0.5) * grid.block_px - 0.5, dy = (row + 0.5) * grid.block_px - model.exit_px.y;
  if (dy + reach < 0.0 || model.guess[kLeftSide].slope >= model.guess[kRightSide].slope) return false;
  const double below = std::max(0.0, dy + reach);
  return x + reach > model.guess[kLeftSide].X(below) - kBesideSlope * below &&
         x - reach < model.guess[kRightSide].X(below) + kBesideSlope * below;
}

// Takes the clearest block and those about it that switch with it.
std::vector<std::size_t> TakeRegion(const Grid& grid, std::vector<std::optional<TwoLevel>>& blocks) {
  std::size_t seed = blocks.size();
  for (std::size_t i = 0; i < blocks.size(); ++i) {
    if (blocks[i] && (seed == blocks.size() || blocks[i]->ratio > blocks[seed]->ratio)) seed = i;
  }
  std::vector<std::size_t> region;
  if (seed == blocks.size()) return region;
  const TwoLevel lamp = *blocks[seed];
  region.push_back(seed);
  blocks[seed].reset();
  for (std::size_t k = 0; k < region.size(); ++k) {
    const int column = static_cast<int>(region[k]) % grid.columns,
              row = static_cast<int>(region[k]) / grid.columns;
    for (int y = std::max(0, row - 1); y <= std::min(grid.rows - 1, row + 1); ++y) {
      for (int x = std::max(0, column - 1); x <= std::min(grid.columns - 1, column + 1); ++x) {
        const auto i = static_cast<std::size_t>(y * grid.columns + x);
        if (!blocks[i] || !Alike(lamp, *blocks[i])) continue;
        region.push_back(i);
        blocks[i].reset();
      }
    }
  }
  return region;
}

}  // namespace

std::vector<SignalLamp> FindSignalLamps(const std::string& path, const View& view, const ClipReading& reading,
                                        const ReadOptions& read, const SignalLampOptions& options) {
  std::vector<SignalLamp> lamps;
  if (!reading.kept) return lamps;
  const ClipReading::Kept& kept = *reading.kept;
  const ClipModel& model = kept.model;
  Grid grid;
  while (model.reading.width_px / grid.block_px > kBlocksAcross) grid.block_px *= 2;
  grid.columns = model.reading.width_px / grid.block_px;
  grid.rows = model.reading.height_px / grid.block_px;
  const std::size_t blocks = grid.Blocks();
  if (blocks == 0) return lamps;
  FootageOptions footage_options;
  footage_options.threads = read.threads;
  footage_options.white_level = view.white_level;
  const std::unique_ptr<Footage> footage = OpenFootage(path, footage_options);
  std::vector<std::uint16_t> light;
  LumaFrame frame;
  cv::Mat turned, turned_again;
  std::size_t frames = 0;
  while (frames < kept.time_s.size() && (frames + 1) * blocks * sizeof(std::uint16_t) <= kMostBytes &&
         footage->Next(frame)) {
    if (read.should_stop && read.should_stop()) throw Interrupted{};
    AddBlocks(ViewRows(model.reading, model.format, frame, turned, turned_again), model, grid, light);
    ++frames;
  }
  if (frames < 3) return lamps;
  const auto series_of = [&](std::size_t block) {
    std::vector<double> series(frames);
    for (std::size_t k = 0; k < frames; ++k) series[k] = light[k * blocks + block] / kScale;
    return series;
  };
  std::vector<std::optional<TwoLevel>> two(blocks);
  for (std::size_t i = 0; i < blocks; ++i) {
    const int column = static_cast<int>(i) % grid.columns, row = static_cast<int>(i) / grid.columns;
    if (!InCone(model, grid, column, row)) two[i] = TwoLevels(series_of(i), options);
  }
  while (static_cast<int>(lamps.size()) < options.most_lamps) {
    const std::vector<std::size_t> region = TakeRegion(grid, two);
    if (region.empty()) break;
    std::vector<double> mean(frames, 0.0);
    cv::Point2d middle(0.0, 0.0);
    double weight = 0.0;  // blocks at its rim hold less of it
    for (const std::size_t i : region) {
      const std::vector<double> series = series_of(i);
      for (std::size_t k = 0; k < frames; ++k) mean[k] += series[k] / static_cast<double>(region.size());
      const auto [least, most] = std::minmax_element(series.begin(), series.end());
      const auto centre = [&](std::size_t k) { return (static_cast<double>(k) + 0.5) * grid.block_px - 0.5; };
      middle += cv::Point2d(centre(i % static_cast<std::size_t>(grid.columns)),
                            centre(i / static_cast<std::size_t>(grid.columns))) *
                (*most - *least);
      weight += *most - *least;
    }
    middle *= 1.0 / weight;
    const std::optional<TwoLevel> levels = TwoLevels(mean, options);
    if (!levels) continue;
    SignalLamp& lamp = lamps.emplace_back();
    const cv::Point2d upright = Apply(model.reading.upright_from_reading, middle);
    lamp.x_px = upright.x;
    lamp.y_px = upright.y;
    lamp.contrast = levels->high - levels->low;
    for (std::size_t k = 0; k < frames; ++k) {
      lamp.t_s.push_back(kept.time_s[k]);
      lamp.level.push_back((mean[k] - levels->low) / lamp.contrast);
    }
  }
  return lamps;
}

}  // namespace conebook::vision

#include "vision/light_bands.h"

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <span>

#include <fmt/format.h>

#include "vision/statistics.h"

namespace conebook::vision {
namespace {

using calib::Severity;

float LightAt(const ClipModel& model, const RowsView& rows, int x, int y) {
  return model.format.bits > 8 ? model.light[rows.Row<std::uint16_t>(y)[x]]
                               : model.light[rows.Row<std::uint8_t>(y)[x]];
}

int LineCount(const ClipModel& model) {
  return LinesOf(model.reading) == LinesRun::kDown ? model.reading.width_px : model.reading.height_px;
}

}  // namespace

LinesRun LinesOf(const ReadingFrame& reading) {
  if (reading.resampled) return LinesRun::kAskew;
  const bool turned =
      reading.turn_from_stored == QuarterTurn::k90 || reading.turn_from_stored == QuarterTurn::k270;
  return turned ? LinesRun::kDown : LinesRun::kAcross;
}

void BandWatch::Add(const RowsView& rows) {
  constexpr std::size_t kMostFrames = 40;
  constexpr int kStep = 4;
  if (halves_[0].size() >= kMostFrames || LinesOf(model_.reading) == LinesRun::kAskew) return;
  const bool across = LinesOf(model_.reading) == LinesRun::kAcross;
  const int lines = LineCount(model_);
  const int along = across ? model_.reading.width_px : model_.reading.height_px;
  const int groups = lines / options_.line_step;
  for (auto& half : halves_) half.emplace_back(static_cast<std::size_t>(groups), 0.0);
  std::vector<double> sums[2] = {halves_[0].back(), halves_[1].back()};
  for (int line = 0; line < groups * options_.line_step; line += 2) {
    for (int k = kStep / 2; k < along; k += kStep) {
      const float light = across ? LightAt(model_, rows, k, line) : LightAt(model_, rows, line, k);
      sums[2 * k < along ? 0 : 1][static_cast<std::size_t>(line / options_.line_step)] +=
          static_cast<double>(light);
    }
  }
  for (int side = 0; side < 2; ++side) {
    double mean = 0.0;
    for (const double v : sums[side]) mean += v / groups;
    for (int g = 0; g < groups; ++g) {
      halves_[side].back()[static_cast<std::size_t>(g)] =
          sums[side][static_cast<std::size_t>(g)] / std::max(1e-9, mean);
    }
  }
}

double BandWatch::Rms() const {
  constexpr std::size_t kFewestFrames = 4;
  const std::size_t n = halves_[0].size();
  if (n < kFewestFrames) return 0.0;
  const std::size_t groups = halves_[0].front().size();
  double both = 0.0;
  double square[2] = {0.0, 0.0};
  for (std::size_t g = 0; g < groups; ++g) {
    double mean[2] = {0.0, 0.0};
    for (std::size_t k = 0; k < n; ++k) {
      for (int side = 0; side < 2; ++side) mean[side] += halves_[side][k][g] / static_cast<double>(n);
    }
    for (std::size_t k = 0; k < n; ++k) {
      // As a share of the line's own light: what is dark varies less.
      const double left = (halves_[0][k][g] - mean[0]) / std::max(0.1, mean[0]);
      const double right = (halves_[1][k][g] - mean[1]) / std::max(0.1, mean[1]);
      both += left * right;
      square[0] += left * left;
      square[1] += right * right;
    }
  }
  if (!(both > options_.least_likeness * std::sqrt(square[0] * square[1]))) return 0.0;
  const double rms = std::sqrt(both / static_cast<double>(n * groups));
  return rms > options_.least_rms ? rms : 0.0;
}

void BandGain(const ClipModel& model, const RowsView& rows, float gain, std::vector<float>& of_line) {
  constexpr int kGroup = 8;
  constexpr std::size_t kFewest = 12;
  const bool across = LinesOf(model.reading) == LinesRun::kAcross;
  const int lines = LineCount(model);
  const int groups = (lines + kGroup - 1) / kGroup;
  of_line.assign(static_cast<std::size_t>(lines), 1.0F);
  std::vector<std::vector<float>> ratio(static_cast<std::size_t>(groups));
  const bool guessed = model.guess[1].slope > model.guess[0].slope;
  const double d = model.exit_diameter_px;
  float top = 0.0F;
  for (int y = 8; y < model.background.rows; y += 16) {
    for (int x = 8; x < model.background.cols; x += 16) top = std::max(top, model.background(y, x));
  }
  for (int y = 1; y < model.reading.height_px; y += 2) {
    const double dy = y - model.exit_px.y;
    double left = 1e9;  // the spray's columns
    double right = -1e9;
    if (dy > -0.3 * d) {
      const double axis = model.AxisX(y);
      const double reach = 0.7 * d + 2.3 * std::max(0.0, dy) + 25.0;
      left = guessed ? axis - 1.12 * (axis - model.guess[0].X(dy)) - 8.0 : axis - reach;
      right = guessed ? axis + 1.12 * (model.guess[1].X(dy) - axis) + 8.0 : axis + reach;
    }
    const float* background = model.background[y];
    for (int x = 2; x < model.reading.width_px; x += 4) {
      if (x > left && x < right) continue;
      if (!(background[x] > 0.25F * top)) continue;
      const int line = across ? y : x;
      ratio[static_cast<std::size_t>(line / kGroup)].push_back(LightAt(model, rows, x, y) /
                                                               (gain * background[x]));
    }
  }
  // Between the groups' middles straight on; where nothing shows, as at the nearest that does.
  std::vector<std::pair<float, float>> known;
  for (int g = 0; g < groups; ++g) {
    auto& values = ratio[static_cast<std::size_t>(g)];
    if (values.size() < kFewest) continue;
    const float light = std::clamp(MedianInPlace(std::span<float>(values)), 0.2F, 5.0F);
    known.emplace_back(static_cast<float>(g * kGroup) + 0.5F * (kGroup - 1), light);
  }
  if (known.empty()) return;
  std::size_t next = 0;
  for (int line = 0; line < lines; ++line) {
    const auto at = static_cast<float>(line);
    while (next < known.size() && known[next].first < at) ++next;
    float& out = of_line[static_cast<std::size_t>(line)];
    if (next == 0 || next == known.size()) {
      out = next == 0 ? known.front().second : known.back().second;
    } else {
      const auto& a = known[next - 1];
      const auto& b = known[next];
      out = a.second + (at - a.first) / (b.first - a.first) * (b.second - a.second);
    }
  }
}

void FlagBands(const ClipModel& model, const LightBandOptions& options, std::vector<calib::Flag>& flags) {
  if (!(model.bands_rms > 0.0)) return;
  const std::string what = fmt::format(
      "the light varies from line to line by {:.1f} % (rms): a lamp on the mains, and a shutter that "
      "rolls",
      100.0 * model.bands_rms);
  const char* advice = "use a lamp on direct current, or an exposure as long as the lamp's period";
  if (model.level_bands) {
    flags.push_back({"light_bands", Severity::kInfo, std::nullopt, std::nullopt,
                     what + "; taken out, line by line, by the light outside the spray", advice});
  } else if (model.bands_rms > options.doubt_rms) {
    flags.push_back({"light_bands", Severity::kWarn, std::nullopt, std::nullopt,
                     what + "; it cannot be taken out in front light, and moves the edge to and fro",
                     advice});
  }
}

}  // namespace conebook::vision

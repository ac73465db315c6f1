#include "vision/boundary.h"

#include <algorithm>
#include <array>

#include "vision/statistics.h"

namespace conebook::vision {

std::optional<double> ReferencePart(const RecordSpool& spool, std::span<const std::size_t> frames, int side,
                                    int row0, int row1) {
  std::array<std::int64_t, 256> counts{};
  std::int64_t total = 0;
  std::vector<std::uint8_t> peaks;
  const std::size_t step = std::max<std::size_t>(1, frames.size() / 400);
  for (std::size_t k = 0; k < frames.size(); k += step) {
    spool.ReadPeaks(frames[k], peaks);
    for (int row = row0; row < row1; ++row) {
      const std::uint8_t peak = peaks[static_cast<std::size_t>(row * 2 + side)];
      if (peak == 0) continue;
      ++counts[peak];
      ++total;
    }
  }
  if (total < 20) return std::nullopt;
  // Median with its place inside the counting step, so that it does not jump by 2 %.
  std::int64_t below = 0;
  for (std::size_t v = 0; v < counts.size(); ++v) {
    if (2 * (below + counts[v]) >= total) {
      const double inside = (0.5 * static_cast<double>(total) - static_cast<double>(below)) /
                            static_cast<double>(std::max<std::int64_t>(1, counts[v]));
      return (static_cast<double>(v) - 0.5 + inside) / static_cast<double>(kPeakUnitsPerLevel);
    }
    below += counts[v];
  }
  return std::nullopt;
}

std::optional<double> EdgeAtPart(const std::int16_t* rungs, double part) {
  const auto px = [&](int rung) { return rungs[rung] / static_cast<double>(kEdgeUnitsPerPx); };
  const double p =
      std::clamp(part, static_cast<double>(kLadderParts[0]), static_cast<double>(kLadderParts[kLadder - 1]));
  for (int rung = 0; rung + 1 < kLadder; ++rung) {
    const double a = static_cast<double>(kLadderParts[static_cast<std::size_t>(rung)]);
    const double b = static_cast<double>(kLadderParts[static_cast<std::size_t>(rung + 1)]);
    if (p > b) continue;
    const bool has_a = rungs[rung] != kNoEdge;
    const bool has_b = rungs[rung + 1] != kNoEdge;
    const double t = (p - a) / (b - a);
    if (has_a && has_b) return px(rung) + t * (px(rung + 1) - px(rung));
    if (has_a && t < 0.05) return px(rung);
    if (has_b && t > 0.95) return px(rung + 1);
    return std::nullopt;
  }
  return std::nullopt;
}

std::vector<BoundaryRow> MedianBoundary(const RecordSpool& spool, std::span<const std::size_t> frames,
                                        int side, double part, const BoundaryOptions& options,
                                        const FrameTurns* turns) {
  std::vector<BoundaryRow> boundary;
  if (frames.empty()) return boundary;
  constexpr int kBlock = 64;
  std::vector<std::int16_t> edges;
  for (int row0 = 0; row0 < spool.Rows(); row0 += kBlock) {
    const int row1 = std::min(row0 + kBlock, spool.Rows());
    std::vector<std::vector<double>> values(static_cast<std::size_t>(row1 - row0));
    for (std::size_t k = 0; k < frames.size(); ++k) {
      spool.ReadEdges(frames[k], row0, row1, edges);
      const double turn = turns != nullptr ? turns->by_frame[k] : 0.0;
      for (int row = row0; row < row1; ++row) {
        const std::int16_t* rungs =
            edges.data() + static_cast<std::size_t>(((row - row0) * 2 + side) * kLadder);
        if (const auto edge = EdgeAtPart(rungs, part)) {
          const double down = turns != nullptr ? turns->down_px[static_cast<std::size_t>(row)] : 0.0;
          values[static_cast<std::size_t>(row - row0)].push_back(*edge - turn * down);
        }
      }
    }
    for (int row = row0; row < row1; ++row) {
      std::vector<double>& v = values[static_cast<std::size_t>(row - row0)];
      const double found = static_cast<double>(v.size()) / static_cast<double>(frames.size());
      if (found < options.least_found || static_cast<int>(v.size()) < options.least_frames) continue;
      boundary.push_back({row, MedianInPlace(v), found});
    }
  }
  return boundary;
}

}  // namespace conebook::vision

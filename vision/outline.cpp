#include "vision/outline.h"

#include <algorithm>
#include <cmath>

#include "vision/statistics.h"

namespace conebook::vision {
namespace {

// Left and right edges of each row over the frames.
class OutlineRows {
 public:
  explicit OutlineRows(const ClipModel& model)
      : model_(model), rows_(static_cast<std::size_t>(std::max(0, model.rows))) {}

  // edge(row, side): kNoEdge where missing.
  template <typename EdgeAt>
  void AddFrame(const EdgeAt& edge) {
    ++frames_;
    for (int row = 0; row < model_.rows; ++row) {
      const std::int16_t left = edge(row, kLeftSide);
      const std::int16_t right = edge(row, kRightSide);
      if (left == kNoEdge || right == kNoEdge) continue;
      Row& at = rows_[static_cast<std::size_t>(row)];
      at.left.push_back(left / kUnits);
      at.right.push_back(right / kUnits);
      if (row < 1 || row + 1 >= model_.rows) continue;
      for (const int side : {kLeftSide, kRightSide}) {
        const std::int16_t above = edge(row - 1, side);
        const std::int16_t below = edge(row + 1, side);
        if (above == kNoEdge || below == kNoEdge) continue;
        const double here = side == kLeftSide ? at.left.back() : at.right.back();
        at.bends += std::abs(above / kUnits + below / kUnits - 2.0 * here);
        ++at.bend_count;
      }
    }
  }

  Outline Finish(const View& view, double far_px) const {
    Outline outline;
    outline.exit_radius = 0.5 * model_.exit_diameter_px;
    const double d_mm = view.exit_diameter_mm.value;
    outline.largest_drop = LargestDropMm(d_mm) * model_.exit_diameter_px / d_mm;
    std::vector<double> work;
    constexpr double kMarginPx = 12.0;
    int leaving = 0;
    for (int row = 0; row < model_.rows; ++row) {
      const double z = model_.Row(row) - model_.exit_px.y;
      if (z > far_px) break;
      const Row& from = rows_[static_cast<std::size_t>(row)];
      OutlineRow out;
      out.z = z;
      out.found = frames_ == 0 ? 0.0 : static_cast<double>(from.left.size()) / static_cast<double>(frames_);
      if (!from.left.empty()) {
        work = from.left;
        out.left = MedianInPlace(work);
        work = from.right;
        out.right = MedianInPlace(work);
        for (std::size_t k = 0; k < work.size(); ++k) work[k] = 0.5 * (from.left[k] + from.right[k]);
        out.scatter = RobustSpread(work);
      }
      // A row's own few bends say little: those of its neighbours count as well.
      double bends = 0.0;
      int count = 0;
      constexpr int kReach = 8;
      for (int near = std::max(0, row - kReach); near <= std::min(model_.rows - 1, row + kReach); ++near) {
        bends += rows_[static_cast<std::size_t>(near)].bends;
        count += rows_[static_cast<std::size_t>(near)].bend_count;
      }
      if (count > 0) out.ragged = bends / count;
      outline.rows.push_back(out);
      // Below where a side has left the picture nothing is known of it.
      const double axis = model_.AxisX(model_.Row(row));
      const bool leaves = out.found > 0.0 && (axis - out.left < kMarginPx ||
                                              axis + out.right > model_.reading.width_px - 1 - kMarginPx);
      leaving = leaves ? leaving + 1 : 0;
      if (leaving < 3) continue;
      outline.rows.resize(outline.rows.size() - 3);
      break;
    }
    return outline;
  }

 private:
  static constexpr double kUnits = static_cast<double>(kEdgeUnitsPerPx);
  struct Row {
    std::vector<double> left, right;
    double bends = 0.0;
    int bend_count = 0;
  };
  const ClipModel& model_;
  std::vector<Row> rows_;
  std::size_t frames_ = 0;
};

}  // namespace

Outline OutlineOf(const ClipModel& model, const View& view, const std::vector<FrameRecord>& records) {
  OutlineRows rows(model);
  for (const FrameRecord& record : records)
    rows.AddFrame([&](int row, int side) { return record.edge[record.EdgeAt(row, side, kLadderFirst)]; });
  return rows.Finish(view, 1e9);
}

Outline OutlineOf(const ClipModel& model, const View& view, const RecordSpool& spool,
                  std::span<const std::size_t> frames, double far_px, std::size_t most_frames) {
  OutlineRows rows(model);
  const std::size_t step =
      std::max<std::size_t>(1, (frames.size() + most_frames - 1) / std::max<std::size_t>(1, most_frames));
  std::vector<std::int16_t> edges;
  for (std::size_t k = 0; k < frames.size(); k += step) {
    spool.ReadEdges(frames[k], 0, spool.Rows(), edges);
    rows.AddFrame([&](int row, int side) {
      return edges[static_cast<std::size_t>((row * 2 + side) * kLadder + kLadderFirst)];
    });
  }
  return rows.Finish(view, far_px);
}

void TakeFrames(const std::string& path, const View& view,
                const std::vector<std::vector<std::int64_t>>& wanted, int threads,
                const std::function<void(std::size_t stretch, const std::vector<LumaFrame>& frames)>& take) {
  std::int64_t last = -1;
  for (const auto& indices : wanted) {
    if (!indices.empty()) last = std::max(last, indices.back());
  }
  FootageOptions options;
  options.threads = threads;
  options.white_level = view.white_level;
  const std::unique_ptr<Footage> footage = OpenFootage(path, options);
  std::vector<std::vector<LumaFrame>> taken(wanted.size());
  const auto hand_over = [&](std::size_t s) {
    if (!taken[s].empty()) take(s, taken[s]);
    taken[s] = {};
  };
  LumaFrame frame;
  while (last >= 0 && footage->Next(frame) && frame.index <= last) {
    for (std::size_t s = 0; s < wanted.size(); ++s) {
      if (!std::binary_search(wanted[s].begin(), wanted[s].end(), frame.index)) continue;
      taken[s].push_back(frame);
      if (frame.index == wanted[s].back()) hand_over(s);
    }
  }
  for (std::size_t s = 0; s < wanted.size(); ++s) hand_over(s);
}

}  // namespace conebook::vision

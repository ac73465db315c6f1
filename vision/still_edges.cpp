#include "vision/still_edges.h"

#include <algorithm>
#include <cmath>
#include <optional>

#include <fmt/format.h>

#include "vision/statistics.h"

namespace conebook::vision {
namespace {

using calib::Severity;

struct RowEdge {
  int row = 0;
  double out_px = 0.0;  // median
  double still = 0.0;   // share of frames about it
};

// What is on a window holds still in the frame, whatever the camera does.
std::vector<RowEdge> EdgesOfSide(const ClipModel& model, const RecordSpool& spool,
                                 const std::vector<std::size_t>& frames, int side, double still_px) {
  constexpr std::size_t kMostFrames = 96;
  constexpr int kBlock = 128;
  const std::size_t step = std::max<std::size_t>(1, frames.size() / kMostFrames);
  std::vector<RowEdge> found;
  std::vector<std::int16_t> edges;
  for (int row0 = 0; row0 < spool.Rows(); row0 += kBlock) {
    const int row1 = std::min(row0 + kBlock, spool.Rows());
    std::vector<std::vector<double>> values(static_cast<std::size_t>(row1 - row0));
    std::vector<std::vector<double>> in_frame(static_cast<std::size_t>(row1 - row0));
    std::size_t looked = 0;
    for (std::size_t k = 0; k < frames.size(); k += step) {
      spool.ReadEdges(frames[k], row0, row1, edges);
      ++looked;
      const FrameRecord& head = spool.Head(frames[k]);
      const double slope = model.guess[static_cast<std::size_t>(side)].slope;
      const double moved = (side == kRightSide ? 1.0 : -1.0) * (static_cast<double>(head.shift_x_px) -
                                                                slope * static_cast<double>(head.shift_y_px));
      for (int row = row0; row < row1; ++row) {
        const std::int16_t e =
            edges[static_cast<std::size_t>(((row - row0) * 2 + side) * kLadder + kLadderFirst)];
        if (e == kNoEdge) continue;
        const double out = e / static_cast<double>(kEdgeUnitsPerPx);
        values[static_cast<std::size_t>(row - row0)].push_back(out);
        in_frame[static_cast<std::size_t>(row - row0)].push_back(out + moved);
      }
    }
    for (int row = row0; row < row1; ++row) {
      auto& v = values[static_cast<std::size_t>(row - row0)];
      if (2 * v.size() < looked || v.size() < 8) continue;
      auto& held = in_frame[static_cast<std::size_t>(row - row0)];
      const double at = MedianInPlace(held);
      const auto about =
          std::count_if(held.begin(), held.end(), [&](double out) { return std::abs(out - at) <= still_px; });
      found.push_back({row, MedianInPlace(v), static_cast<double>(about) / static_cast<double>(v.size())});
    }
  }
  return found;
}

}  // namespace

StillEdges FindStillEdges(const ClipModel& model, const RecordSpool& spool,
                          const std::vector<std::size_t>& frames, const StillEdgeOptions& options) {
  StillEdges still;
  const double step = model.row_step;
  const int around = std::max(4, static_cast<int>(options.around_px / step));
  const int margin = static_cast<int>(std::ceil(options.margin_px / step));
  for (int side = 0; side < 2; ++side) {
    const std::vector<RowEdge> edges = EdgesOfSide(model, spool, frames, side, options.still_px);
    std::vector<double> y;
    std::vector<double> out;
    for (const RowEdge& e : edges) {
      y.push_back(e.row);
      out.push_back(e.out_px);
    }
    RobustLineOptions line_options;
    line_options.floor = 1.0;
    line_options.min_points = 24;
    const std::optional<Line> line = FitRobustLine(y, out, line_options);
    if (!line) continue;
    // Against the rows around, whatever way the side bends as a whole.
    std::vector<char> marked(edges.size(), 0);
    for (std::size_t k = 0; k < edges.size(); ++k) {
      std::vector<double> shares;
      std::vector<double> beyond;
      const auto look = [&](std::size_t j) {
        if (j == k || std::abs(edges[j].row - edges[k].row) > around) return false;
        shares.push_back(edges[j].still);
        beyond.push_back(edges[j].out_px - line->Y(edges[j].row));
        return true;
      };
      for (std::size_t j = k; j-- > 0 && look(j);) {
      }
      const std::size_t above = shares.size();
      for (std::size_t j = k + 1; j < edges.size() && look(j); ++j) {
      }
      constexpr std::size_t kFewest = 8;
      if (above < kFewest || shares.size() - above < kFewest) continue;
      // Close to the exit the sides are curved.
      if (model.Row(edges[k].row) - model.exit_px.y < 1.5 * model.exit_diameter_px) continue;
      const double share = MedianInPlace(shares);
      const double spread = RobustSpread(beyond);
      const double bump = edges[k].out_px - line->Y(edges[k].row) - MedianInPlace(beyond);
      const bool stiller = bump > std::max(options.least_out_px, 3.0 * spread) &&
                           edges[k].still > share + options.least_excess;
      // Where the sheet holds as still, only by a step that no sheet makes.
      const bool steps = bump > std::max(options.least_step_px, 3.0 * spread) &&
                         edges[k].still > std::max(0.5 * share, options.least_excess);
      marked[k] = stiller || steps ? 1 : 0;
    }
    std::vector<char> covered(static_cast<std::size_t>(spool.Rows()), 0);
    int rows = 0;
    constexpr int kGap = 3;
    for (std::size_t k = 0; k < edges.size();) {
      if (!marked[k]) {
        ++k;
        continue;
      }
      std::size_t end = k;
      int count = 0;
      for (std::size_t j = k; j < edges.size() && edges[j].row - edges[end].row <= kGap; ++j) {
        if (!marked[j]) continue;
        end = j;
        ++count;
      }
      const int first = edges[k].row;
      const int last = edges[end].row;
      if ((last - first + 1) * step >= options.least_length_px && 2 * count > last - first) {
        for (int row = std::max(0, first - margin); row <= std::min(spool.Rows() - 1, last + margin); ++row) {
          rows += covered[static_cast<std::size_t>(row)] ? 0 : 1;
          covered[static_cast<std::size_t>(row)] = 1;
        }
      }
      k = end + 1;
    }
    if (rows == 0) continue;
    still.rows[static_cast<std::size_t>(side)] = std::move(covered);
    still.share[static_cast<std::size_t>(side)] =
        static_cast<double>(rows) / static_cast<double>(std::max<std::size_t>(1, edges.size()));
  }
  return still;
}

void FlagStillEdges(const StillEdges& still, const StillEdgeOptions& options,
                    std::vector<calib::Flag>& flags) {
  if (!still.Any()) return;
  const bool many = std::max(still.share[0], still.share[1]) > options.doubt_share;
  flags.push_back(
      {"window_wet", many ? Severity::kWarn : Severity::kInfo, std::nullopt, std::nullopt,
       fmt::format(
           "something that holds still, like drops on a window, covers the spray's edge on {:.0f} % of its "
           "rows on the left and {:.0f} % on the right; these rows are left out",
           100.0 * still.share[0], 100.0 * still.share[1]),
       "wipe the window, or stand the camera where it keeps dry"});
}

}  // namespace conebook::vision

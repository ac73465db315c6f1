#include "vision/read_frame.h"

#include <algorithm>
#include <cmath>
#include <cstring>
#include <span>

#include "vision/edge_crossing.h"
#include "vision/hyperboloid.h"
#include "vision/light_bands.h"
#include "vision/scene_motion.h"
#include "vision/signal.h"
#include "vision/statistics.h"

namespace conebook::vision {
namespace {

template <typename T>
float LightAt(const ClipModel& model, const RowsView& rows, int x, int y) {
  return model.light[rows.Row<T>(y)[x]];
}

float Light(const ClipModel& model, const RowsView& rows, int x, int y) {
  return model.format.bits > 8 ? LightAt<std::uint16_t>(model, rows, x, y)
                               : LightAt<std::uint8_t>(model, rows, x, y);
}

int Find(std::vector<Run>& runs, int i) {
  while (runs[static_cast<std::size_t>(i)].parent != i) {
    Run& r = runs[static_cast<std::size_t>(i)];
    r.parent = runs[static_cast<std::size_t>(r.parent)].parent;
    i = r.parent;
  }
  return i;
}

void Unite(std::vector<Run>& runs, int a, int b) {
  a = Find(runs, a);
  b = Find(runs, b);
  if (a == b) return;
  if (a > b) std::swap(a, b);
  runs[static_cast<std::size_t>(b)].parent = a;
}

class FrameReader {
 public:
  FrameReader(const ClipModel& model, const LumaFrame& frame, const ReadFrameOptions& options,
              ReadScratch& scratch, FrameRecord& record)
      : model_(model), options_(options), s_(scratch), record_(record) {
    record.index = frame.index;
    record.stamp_s = frame.stamp_s;
    record.corrupt = frame.corrupt;
    record.tainted = frame.tainted;
    record.changed = frame.changed;
    rows_ = ViewRows(model.reading, model.format, frame, s_.turned, s_.turned_again);
    const auto n = static_cast<std::size_t>(model.rows);
    record.edge.assign(n * 2 * kLadder, kNoEdge);
    record.peak.assign(n * 2, 0);
    stride_ = static_cast<std::size_t>(model.reading.width_px);
    s_.signal.resize(n * stride_);
  }

  void Read() {
    record_.gain = FrameGain(model_, rows_, s_.work);
    FollowScene();
    if (model_.level_bands) BandGain(model_, rows_, record_.gain, s_.bands);
    for (int i = 0; i < model_.rows; ++i) FillRow(i);
    CoarseBase();
    FindRuns();
    AcceptRuns();
    Edges();
    if (options_.rays) Rays();
  }

 private:
  float* SignalRow(int i) { return s_.signal.data() + static_cast<std::size_t>(i) * stride_; }
  int C0(int i) const { return model_.first_column[static_cast<std::size_t>(i)]; }
  int C1(int i) const { return model_.last_column[static_cast<std::size_t>(i)]; }
  double Dy(int i) const { return model_.Row(i) - model_.exit_px.y; }
  // Distance outward from the axis to the guessed boundary.
  double GuessOut(int i, int side) const {
    const double x = model_.guess[static_cast<std::size_t>(side)].X(Dy(i));
    const double axis = model_.AxisX(model_.Row(i));
    return side == kLeftSide ? axis - x : x - axis;
  }

  void FollowScene() {
    const float gain = record_.gain;
    shift_ = SceneShift(model_, rows_, gain);
    cv::Point2f nozzle = BodyShift(model_, rows_, gain, shift_);
    constexpr int kPasses = 3, kFollowPasses = 16;
    const SceneMotion motion =
        FitSceneMotion(model_, rows_, gain, nozzle, model_.follow_scene ? kFollowPasses : kPasses);
    record_.ln_scale = motion.ln_scale;
    record_.roll_rad = motion.roll_rad;
    record_.miss_px = motion.miss_px;
    record_.plain_miss_px = motion.plain_miss_px;
    if (model_.follow_scene) {
      record_.shift_x_px = motion.shift_px.x;
      record_.shift_y_px = motion.shift_px.y;
      rows_ = PutBack(model_, rows_, motion, s_.put_back);
      shift_ = {0.0F, 0.0F};
      nozzle = BodyShift(model_, rows_, gain, shift_);
    } else {
      record_.shift_x_px = shift_.x;
      record_.shift_y_px = shift_.y;
    }
    const cv::Point2f apart = nozzle - shift_;
    record_.nozzle_x_px = apart.x;
    record_.nozzle_y_px = apart.y;
    // A nozzle that gives way, or drops on a window that hold the scene back: the spray goes with the nozzle.
    // What is hardly to be told from noise is left alone.
    const float part = std::clamp((std::hypot(apart.x, apart.y) - 0.1F) / 0.2F, 0.0F, 1.0F);
    origin_ = shift_ + part * apart;
  }

  void FillRow(int i) {
    const int y = model_.Row(i);
    const int c0 = C0(i);
    const int n = C1(i) - c0 + 1;
    s_.line_a.resize(stride_ + 8);
    s_.line_b.resize(stride_ + 8);
    const auto line = [&](int at, float* out) {
      if (model_.format.bits > 8) {
        SignalLine<std::uint16_t>(model_, rows_, at, c0, C1(i), record_.gain, shift_, s_.field_line, out);
      } else {
        SignalLine<std::uint8_t>(model_, rows_, at, c0, C1(i), record_.gain, shift_, s_.field_line, out);
      }
      if (!model_.level_bands) return;
      // In back light alone, where the signal is what light is gone.
      const bool across = LinesOf(model_.reading) == LinesRun::kAcross;
      const float* of_line = s_.bands.data() + (across ? at : c0);
      for (int k = 0; k < n; ++k) out[k] = 1.0F - (1.0F - out[k]) / of_line[across ? 0 : k];
    };
    line(y, s_.line_a.data());
    if (model_.pair_rows && y + 1 < model_.reading.height_px) {
      line(y + 1, s_.line_b.data());
      for (int k = 0; k < n; ++k) {
        s_.line_a[static_cast<std::size_t>(k)] =
            0.5F * (s_.line_a[static_cast<std::size_t>(k)] + s_.line_b[static_cast<std::size_t>(k)]);
      }
    }
    FilterLine(s_.line_a.data(), n, model_.strong_filter, SignalRow(i));
  }

  // Slow level outside the spray, from some rows, joined by straight lines.
  void CoarseBase() {
    constexpr int kBands = 16;
    for (int side = 0; side < 2; ++side) {
      std::vector<float>& base = s_.base[static_cast<std::size_t>(side)];
      base.assign(static_cast<std::size_t>(model_.rows), 0.0F);
      std::array<float, kBands> level{};
      std::array<int, kBands> row{};
      int count = 0;
      for (int b = 0; b < kBands; ++b) {
        const int centre = (2 * b + 1) * model_.rows / (2 * kBands);
        s_.work.clear();
        for (int i = std::max(0, centre - 2); i <= std::min(model_.rows - 1, centre + 2); ++i) {
          GatherOutside(i, side);
        }
        if (s_.work.size() < 16) continue;
        const std::span<float> values(s_.work);
        if (options_.trust_guess) {
          level[static_cast<std::size_t>(count)] = MedianInPlace(values);
        } else {
          const auto at = values.begin() + static_cast<std::ptrdiff_t>(values.size() / 5);
          std::nth_element(values.begin(), at, values.end());
          level[static_cast<std::size_t>(count)] = *at;
        }
        row[static_cast<std::size_t>(count)] = centre;
        ++count;
      }
      if (count == 0) continue;
      int k = 0;
      for (int i = 0; i < model_.rows; ++i) {
        while (k + 1 < count && row[static_cast<std::size_t>(k + 1)] < i) ++k;
        const int next = std::min(k + 1, count - 1);
        const int r0 = row[static_cast<std::size_t>(k)];
        const int r1 = row[static_cast<std::size_t>(next)];
        const float t =
            r1 > r0 ? std::clamp(static_cast<float>(i - r0) / static_cast<float>(r1 - r0), 0.0F, 1.0F) : 0.0F;
        base[static_cast<std::size_t>(i)] =
            level[static_cast<std::size_t>(k)] +
            t * (level[static_cast<std::size_t>(next)] - level[static_cast<std::size_t>(k)]);
      }
    }
  }

  void GatherOutside(int i, int side) {
    const float* s = SignalRow(i);
    const int c0 = C0(i);
    const int c1 = C1(i);
    int from = c0;
    int to = c1;
    const double axis = model_.AxisX(model_.Row(i));
    double margin = 0.0;
    if (options_.trust_guess) margin = GuessOut(i, side) * 1.12 + 6.0;
    if (side == kLeftSide) {
      to = static_cast<int>(std::floor(axis - margin));
    } else {
      from = static_cast<int>(std::ceil(axis + margin));
    }
    from = std::max(from, c0);
    to = std::min(to, c1);
    // From the picture's end inward on either side, so that a mirrored picture gives the same.
    const int step = std::max(1, (to - from) / 48);
    for (int k = 0; k <= to - from; k += step)
      s_.work.push_back(s[(side == kLeftSide ? from + k : to - k) - c0]);
  }

  float Threshold(int side) const {
    return kLadderParts[kLadderFirst] * model_.level[static_cast<std::size_t>(side)];
  }

  void FindRuns() {
    s_.runs.clear();
    s_.first_run.assign(static_cast<std::size_t>(model_.rows) + 1, 0);
    for (int i = 0; i < model_.rows; ++i) {
      s_.first_run[static_cast<std::size_t>(i)] = static_cast<int>(s_.runs.size());
      const int c0 = C0(i);
      const int c1 = C1(i);
      const float* s = SignalRow(i);
      const int axis = std::clamp(static_cast<int>(std::lround(model_.AxisX(model_.Row(i)))), c0, c1);
      const std::array<float, 2> cut{s_.base[0][static_cast<std::size_t>(i)] + Threshold(kLeftSide),
                                     s_.base[1][static_cast<std::size_t>(i)] + Threshold(kRightSide)};
      const int n = c1 - c0 + 1;
      s_.mask.resize(static_cast<std::size_t>(n) + 8);
      std::uint8_t* mask = s_.mask.data();
      for (int k = 0; k < axis - c0; ++k) mask[k] = s[k] > cut[0] ? 1 : 0;
      for (int k = axis - c0; k < n; ++k) mask[k] = s[k] > cut[1] ? 1 : 0;
      std::fill(mask + n, mask + n + 8, std::uint8_t{0});
      AddRuns(i, c0, n, mask);
    }
    s_.first_run[static_cast<std::size_t>(model_.rows)] = static_cast<int>(s_.runs.size());
    for (int i = 1; i < model_.rows; ++i) Link(i - 1, i);
  }

  // Runs of the mask, gaps of up to two pixels closed.
  void AddRuns(int row, int c0, int n, const std::uint8_t* mask) {
    int start = -1;
    int last = 0;
    const auto close = [&]() {
      if (start >= 0) s_.runs.push_back({row, c0 + start, c0 + last, static_cast<int>(s_.runs.size())});
      start = -1;
    };
    for (int k = 0; k < n;) {
      std::uint64_t eight = 0;
      std::memcpy(&eight, mask + k, sizeof eight);
      if (eight == 0) {
        k += 8;
        continue;
      }
      const int end = std::min(k + 8, n);
      for (; k < end; ++k) {
        if (mask[k] == 0) continue;
        if (start >= 0 && k - last > 2) close();
        if (start < 0) start = k;
        last = k;
      }
    }
    close();
  }

  // Liquid runs along lines through the exit: a run is expected to have moved outward in proportion to where
  // it is.
  void Link(int above, int here) {
    const int a0 = s_.first_run[static_cast<std::size_t>(above)];
    const int a1 = s_.first_run[static_cast<std::size_t>(above) + 1];
    const int b0 = a1;
    const int b1 = s_.first_run[static_cast<std::size_t>(here) + 1];
    const double axis = model_.AxisX(model_.Row(above));
    const double slope_l = model_.guess[0].slope * model_.row_step;
    const double slope_r = model_.guess[1].slope * model_.row_step;
    const double out_l = std::max(1.0, GuessOut(above, kLeftSide));
    const double out_r = std::max(1.0, GuessOut(above, kRightSide));
    const auto moved = [&](int x) {
      const double part = x < axis ? (axis - x) / out_l : (x - axis) / out_r;
      return x + std::clamp(part, 0.0, 1.3) * (x < axis ? slope_l : slope_r);
    };
    int j = b0;
    for (int k = a0; k < a1; ++k) {
      const Run& run = s_.runs[static_cast<std::size_t>(k)];
      const double x0 = std::min<double>(run.x0, moved(run.x0)) - 1.0;
      const double x1 = std::max<double>(run.x1, moved(run.x1)) + 1.0;
      while (j < b1 && s_.runs[static_cast<std::size_t>(j)].x1 < x0) ++j;
      for (int m = j; m < b1 && s_.runs[static_cast<std::size_t>(m)].x0 <= x1; ++m) Unite(s_.runs, k, m);
    }
  }

  void AcceptRuns() {
    const auto n = s_.runs.size();
    s_.accepted.assign(n, 0);
    const double d = model_.exit_diameter_px;
    const double seed_dy = std::max(1.5 * d, 5.0);
    for (std::size_t k = 0; k < n; ++k) {
      const Run& run = s_.runs[k];
      const double dy = Dy(run.row);
      if (dy > seed_dy) break;
      const double reach = 0.6 * d + 3.0 * dy + 3.0;
      const double axis = model_.AxisX(model_.Row(run.row));
      if (run.x1 >= axis - reach && run.x0 <= axis + reach) {
        s_.accepted[static_cast<std::size_t>(Find(s_.runs, static_cast<int>(k)))] = 1;
      }
    }
    if (options_.trust_guess) {
      AcceptAlongLimb();
    } else {
      AcceptLong();
    }
    for (std::size_t k = 0; k < n; ++k) {
      s_.accepted[k] = s_.accepted[static_cast<std::size_t>(Find(s_.runs, static_cast<int>(k)))];
    }
  }

  // Before there is a guess: a thin rim may show only some way below the exit; what then runs on over a good
  // part of the picture, away from the axis, is taken for it.
  void AcceptLong() {
    const int least_rows = std::max(12, model_.rows / 8);
    std::vector<int>& top = rows_along_;
    top.assign(s_.runs.size(), -1);
    std::vector<int>& bottom = rows_below_;
    bottom.assign(s_.runs.size(), -1);
    for (std::size_t k = 0; k < s_.runs.size(); ++k) {
      const auto root = static_cast<std::size_t>(Find(s_.runs, static_cast<int>(k)));
      if (top[root] < 0) top[root] = s_.runs[k].row;
      bottom[root] = s_.runs[k].row;
    }
    for (std::size_t k = 0; k < s_.runs.size(); ++k) {
      if (top[k] >= 0 && top[k] < model_.rows / 3 && bottom[k] - top[k] >= least_rows) s_.accepted[k] = 1;
    }
  }

  // Where the limb fades and comes back, what comes back follows the guess over a length no drop has.
  void AcceptAlongLimb() {
    const double shortest_px = std::max(14.0, 1.0 * model_.exit_diameter_px);
    const int least_rows = std::max(6, static_cast<int>(std::ceil(shortest_px / model_.row_step)));
    std::vector<int>& along = rows_along_;
    along.assign(s_.runs.size(), 0);
    for (std::size_t k = 0; k < s_.runs.size(); ++k) {
      const Run& run = s_.runs[k];
      const int root = Find(s_.runs, static_cast<int>(k));
      if (s_.accepted[static_cast<std::size_t>(root)]) continue;
      const double axis = model_.AxisX(model_.Row(run.row));
      const int side = 0.5 * (run.x0 + run.x1) < axis ? kLeftSide : kRightSide;
      const double out = side == kLeftSide ? axis - run.x0 : run.x1 - axis;
      const double guess = GuessOut(run.row, side);
      if (std::abs(out - guess) < std::max(3.0, 0.08 * guess)) ++along[static_cast<std::size_t>(root)];
    }
    for (std::size_t k = 0; k < s_.runs.size(); ++k) {
      if (along[k] >= least_rows) s_.accepted[k] = 1;
    }
  }

  void Edges() {
    std::array<std::vector<int>, 2>& ends = ends_;
    for (auto& e : ends) e.assign(static_cast<std::size_t>(model_.rows), -1);
    for (std::size_t k = 0; k < s_.runs.size(); ++k) {
      if (!s_.accepted[k]) continue;
      const Run& run = s_.runs[k];
      int& left = ends[0][static_cast<std::size_t>(run.row)];
      int& right = ends[1][static_cast<std::size_t>(run.row)];
      if (left < 0) left = run.x0;
      right = std::max(right, run.x1);
    }
    int found = 0;
    for (int side = 0; side < 2; ++side) {
      FineBase(side);
      for (int i = 0; i < model_.rows; ++i) {
        if (ends[static_cast<std::size_t>(side)][static_cast<std::size_t>(i)] < 0) continue;
        const auto& covered = model_.covered[static_cast<std::size_t>(side)];
        if (!covered.empty() && covered[static_cast<std::size_t>(i)]) continue;
        if (EdgeOfRow(i, side)) ++found;
      }
    }
    record_.found_share = static_cast<float>(found) / static_cast<float>(std::max(1, 2 * model_.rows));
    record_.clipped_share = found > 0 ? static_cast<float>(clipped_) / static_cast<float>(found) : 0.0F;
    record_.clipped_outside_share =
        outside_ > 0 ? static_cast<float>(clipped_outside_) / static_cast<float>(outside_) : 0.0F;
    s_.work.clear();
    for (int i = model_.rows / 32; i < model_.rows * 5 / 8; i += 2) {
      const std::int16_t l = record_.edge[record_.EdgeAt(i, kLeftSide, kLadderFirst)];
      const std::int16_t r = record_.edge[record_.EdgeAt(i, kRightSide, kLadderFirst)];
      if (l == kNoEdge || r == kNoEdge) continue;
      const double guess = std::max(2.0, GuessOut(i, kLeftSide) + GuessOut(i, kRightSide));
      s_.work.push_back(static_cast<float>((l + r) / static_cast<double>(kEdgeUnitsPerPx) / guess));
    }
    record_.width = s_.work.size() < 8 ? 0.0F : MedianInPlace(std::span<float>(s_.work));
  }

  // The slow level just outside the boundary replaces the coarse one; a running median keeps stray drops out.
  void FineBase(int side) {
    constexpr int kBand = 18;
    constexpr int kGap = 5;
    std::vector<float>& base = s_.base[static_cast<std::size_t>(side)];
    fine_.assign(base.begin(), base.end());
    for (int i = 0; i < model_.rows; ++i) {
      const int end = ends_[static_cast<std::size_t>(side)][static_cast<std::size_t>(i)];
      if (end < 0) continue;
      const int c0 = C0(i);
      const int c1 = C1(i);
      const int from = side == kLeftSide ? std::max(c0, end - kGap - kBand) : std::min(c1 + 1, end + kGap);
      const int to = side == kLeftSide ? end - kGap : std::min(c1, end + kGap + kBand);
      if (to - from < 5) continue;
      float sum = 0.0F;
      const float* s = SignalRow(i);
      // In the same order on either side: sums of floats depend on it.
      for (int k = 0; k <= to - from; ++k) sum += s[(side == kLeftSide ? from + k : to - k) - c0];
      fine_[static_cast<std::size_t>(i)] = sum / static_cast<float>(to - from + 1);
      CountClipped(i, from, to);
    }
    constexpr int kHalf = 12;
    for (int i = 0; i < model_.rows; ++i) {
      std::array<float, 2 * kHalf + 1> window{};
      int n = 0;
      for (int j = std::max(0, i - kHalf); j <= std::min(model_.rows - 1, i + kHalf); j += 2) {
        window[static_cast<std::size_t>(n++)] = fine_[static_cast<std::size_t>(j)];
      }
      base[static_cast<std::size_t>(i)] =
          MedianInPlace(std::span<float>(window.data(), static_cast<std::size_t>(n)));
    }
  }

  // The boundary is a share of what the background gives: one at full scale gives it too low.
  void CountClipped(int i, int from, int to) {
    if (i < model_.rows / 32 || i >= model_.rows * 5 / 8) return;
    const int y = model_.Row(i);
    for (int x = from; x <= to; x += 2) {
      const int code =
          model_.format.bits > 8 ? rows_.Row<std::uint16_t>(y)[x] : rows_.Row<std::uint8_t>(y)[x];
      ++outside_;
      if (code >= model_.clipped_code) ++clipped_outside_;
    }
  }

  // Of the side at a row: the hyperboloid's, less steep than the guess where it leaves the exit.
  double SlopeAt(int i, int side) const {
    const double opens = model_.guess[static_cast<std::size_t>(side)].slope - model_.axis_slope;
    const double out = std::abs(opens) * std::max(0.0, Dy(i));
    const double r0 = kFilmOfExit * 0.5 * model_.exit_diameter_px;
    return model_.axis_slope + (out > 0.0 ? opens * out / std::hypot(r0, out) : 0.0);
  }

  // Variance across the picture, px^2, of what a row was averaged over: the filter, and two rows of a rim
  // that runs at a slope.
  double SmoothedOver(int side) const {
    const double slope = model_.guess[static_cast<std::size_t>(side)].slope;
    return FilterVariance(model_.strong_filter) + (model_.pair_rows ? 0.25 * slope * slope : 0.0);
  }

  bool EdgeOfRow(int i, int side) {
    const int c0 = C0(i);
    const int c1 = C1(i);
    const float* s = SignalRow(i);
    const float base = s_.base[static_cast<std::size_t>(side)][static_cast<std::size_t>(i)];
    const float level = model_.level[static_cast<std::size_t>(side)];
    const int end = ends_[static_cast<std::size_t>(side)][static_cast<std::size_t>(i)];
    const int out = side == kLeftSide ? -1 : 1;
    const double axis = model_.AxisX(model_.Row(i));
    const double distance = out * (end - axis);
    if (options_.trust_guess) {
      const double guess = GuessOut(i, side);
      if (distance < 0.6 * guess) return false;
      const double guess_x = axis + out * guess;
      if (guess_x < 2.0 || guess_x > model_.reading.width_px - 3.0) return false;
    }
    if (distance < 0.0) return false;
    if (end <= 1 || end >= model_.reading.width_px - 2) return false;  // cut off by the frame, not an edge
    // Limb band: the rim just inside the boundary.
    const int band = static_cast<int>(std::clamp(0.25 * distance, 4.0, 48.0));
    float peak = -1e9F;
    int peak_x = end;
    for (int k = 0; k <= band; ++k) {
      const int x = end - out * k;
      if (x < c0 || x > c1) break;
      if (s[x - c0] > peak) {
        peak = s[x - c0];
        peak_x = x;
      }
    }
    peak -= base;
    if (!(peak > 0.0F)) return false;
    record_.peak[static_cast<std::size_t>(i * 2 + side)] =
        static_cast<std::uint8_t>(std::clamp(std::lround(kPeakUnitsPerLevel * peak / level), 1L, 255L));
    const int y = model_.Row(i);
    const int code =
        model_.format.bits > 8 ? rows_.Row<std::uint16_t>(y)[peak_x] : rows_.Row<std::uint8_t>(y)[peak_x];
    if (code >= model_.clipped_code) ++clipped_;
    bool any = false;
    const double slope = SlopeAt(i, side);
    const double variance = SmoothedOver(side);
    for (int rung = 0; rung < kLadder; ++rung) {
      const float cut = base + kLadderParts[static_cast<std::size_t>(rung)] * level;
      // Higher rungs lie further in, lower ones further out; both are the outermost crossing seen from
      // outside.
      int x = end;
      if (rung < kLadderFirst) {
        int steps = 0;
        while (x > c0 && x < c1 && s[x - c0] >= cut && ++steps < 200) x += out;
        if (s[x - c0] >= cut) continue;
        x -= out;
      } else {
        const int limit = peak_x - out;
        while (x != limit && s[x - c0] < cut) x -= out;
        if (x == limit) break;
      }
      const int outside = x + out;
      if (outside < c0 || outside > c1) continue;
      const float inner = s[x - c0];
      const float outer = s[outside - c0];
      double crossing = x;
      if (inner > outer && outer < cut) {
        const int inmost = x - out;
        const int outmost = outside + out;
        crossing += std::min(inmost, outmost) < c0 || std::max(inmost, outmost) > c1
                        ? out * static_cast<double>((inner - cut) / (inner - outer))
                        : out * CrossingOf({s[inmost - c0], inner, outer, s[outmost - c0]}, cut, variance);
      }
      // Back to where the nozzle stood without shake.
      const double moved = crossing - origin_.x + slope * origin_.y;
      const double px = out * (moved - axis);
      const long units = std::lround(px * kEdgeUnitsPerPx);
      if (units > -32000 && units < 32000) {
        record_.edge[record_.EdgeAt(i, side, rung)] = static_cast<std::int16_t>(units);
        any = any || rung == kLadderFirst;
      }
    }
    return any;
  }

  void Rays() {
    const int ray_rows = (model_.rows + kRayRowStep - 1) / kRayRowStep;
    record_.ray_signal.assign(static_cast<std::size_t>(ray_rows) * kRays, 0);
    record_.ray_texture.assign(static_cast<std::size_t>(ray_rows) * kRays, 0);
    record_.ray_detail.assign(static_cast<std::size_t>(ray_rows) * kRays, 0);
    const int half = std::clamp(static_cast<int>(std::lround(model_.texture_half_px)), 4, 16);
    const int moved = static_cast<int>(std::lround(origin_.y / static_cast<float>(model_.row_step)));
    for (int r = 0; r < ray_rows; ++r) {
      const int row = r * kRayRowStep;  // below the exit where it stood
      const int i = std::clamp(row + moved, 0, model_.rows - 1);
      const int c0 = C0(i);
      const int n = C1(i) - c0 + 1;
      const float* s = SignalRow(i);
      s_.prefix.resize(static_cast<std::size_t>(n) + 1);
      s_.texture_prefix.resize(static_cast<std::size_t>(n) + 1);
      double* p = s_.prefix.data();
      p[0] = 0.0;
      for (int k = 0; k < n; ++k) p[k + 1] = p[k] + static_cast<double>(s[k]);
      double* t = s_.texture_prefix.data();
      t[0] = 0.0;
      // Ends first and last, the run between with a window of one size.
      const auto ends = [&](int from, int to) {
        for (int k = from; k < to; ++k) {
          const int a = std::max(0, k - half);
          const int b = std::min(n, k + half + 1);
          s_.texture[static_cast<std::size_t>(k)] =
              std::abs(s[k] - static_cast<float>((p[b] - p[a]) / (b - a)));
        }
      };
      s_.texture.resize(static_cast<std::size_t>(n));
      const int inner0 = std::min(half, n);
      const int inner1 = std::max(inner0, n - half - 1);
      ends(0, inner0);
      const double per_window = 1.0 / (2 * half + 1);
      for (int k = inner0; k < inner1; ++k) {
        s_.texture[static_cast<std::size_t>(k)] =
            std::abs(s[k] - static_cast<float>((p[k + half + 1] - p[k - half]) * per_window));
      }
      ends(inner1, n);
      for (int k = 0; k < n; ++k)
        t[k + 1] = t[k] + static_cast<double>(s_.texture[static_cast<std::size_t>(k)]);
      const double axis = model_.AxisX(model_.Row(row)) + static_cast<double>(origin_.x);
      for (int ray = 0; ray < kRays; ++ray) {
        const double part = static_cast<double>(RayPart(ray));
        const double out = part == 0.0 ? 0.5 * (GuessOut(row, kLeftSide) + GuessOut(row, kRightSide))
                                       : GuessOut(row, part < 0.0 ? kLeftSide : kRightSide);
        const double width = std::max(2.0, out);
        const double centre = axis + part * width - c0;
        const double reach = std::max(1.5, 0.05 * width);
        const int a = std::clamp(static_cast<int>(std::lround(centre - reach)), 0, n - 1);
        const int b = std::clamp(static_cast<int>(std::lround(centre + reach)) + 1, a + 1, n);
        const int m0 = std::clamp(static_cast<int>(std::lround(centre)) - 1, 0, n - 1);
        const int m1 = std::min(n, m0 + 3);
        const std::size_t at = static_cast<std::size_t>(r * kRays + ray);
        record_.ray_signal[at] = static_cast<std::int16_t>(std::clamp(
            std::lround((p[m1] - p[m0]) / (m1 - m0) * static_cast<double>(kSignalUnits)), -32000L, 32000L));
        const int d0 = std::max(0, m0 + 1 - half);
        const int d1 = std::min(n, m0 + 2 + half);
        const double detail = (p[m1] - p[m0]) / (m1 - m0) - (p[d1] - p[d0]) / (d1 - d0);
        record_.ray_detail[at] = static_cast<std::int16_t>(
            std::clamp(std::lround(detail * static_cast<double>(kTextureUnits)), -32000L, 32000L));
        record_.ray_texture[at] = static_cast<std::uint16_t>(std::clamp(
            std::lround((t[b] - t[a]) / (b - a) * static_cast<double>(kTextureUnits)), 0L, 65535L));
      }
    }
  }

  const ClipModel& model_;
  const ReadFrameOptions& options_;
  ReadScratch& s_;
  FrameRecord& record_;
  RowsView rows_;
  std::size_t stride_ = 0;
  cv::Point2f shift_{0.0F, 0.0F};   // of the scene, and so of the background
  cv::Point2f origin_{0.0F, 0.0F};  // of what the boundary is taken from
  std::array<std::vector<int>, 2> ends_;
  std::vector<int> rows_along_, rows_below_;
  std::vector<float> fine_;
  int clipped_ = 0;
  int outside_ = 0, clipped_outside_ = 0;
};

}  // namespace

float FrameGain(const ClipModel& model, const RowsView& rows, std::vector<float>& work) {
  if (model.gain_points.size() < 60) return 1.0F;
  work.clear();
  for (const ScenePoint& p : model.gain_points) work.push_back(Light(model, rows, p.x, p.y) / p.light);
  const float gain = MedianInPlace(std::span<float>(work));
  return std::isfinite(gain) ? std::clamp(gain, 0.2F, 5.0F) : 1.0F;
}

void ReadFrame(const ClipModel& model, const LumaFrame& frame, const ReadFrameOptions& options,
               ReadScratch& scratch, FrameRecord& record) {
  FrameReader(model, frame, options, scratch, record).Read();
}

}  // namespace conebook::vision

#include "vision/cone_guess.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <numbers>
#include <span>
#include <utility>

#include "vision/inner_rim.h"
#include "vision/statistics.h"

namespace conebook::vision {

void SetRows(ClipModel& model) {
  const int h = model.reading.height_px;
  const double d = model.exit_diameter_px;
  model.first_row = std::clamp(static_cast<int>(std::ceil(model.exit_px.y + std::max(1.0, 0.15 * d))), 0,
                               std::max(0, h - 2));
  const int end = std::min(model.lit.y + model.lit.height, model.splash_row.value_or(h));
  const int span = std::max(0, end - 1 - model.first_row);
  constexpr int kMostRows = 540;
  model.row_step = std::max(1, (span + kMostRows - 1) / kMostRows);
  model.rows = std::max(0, span / model.row_step);
}

void SetColumns(ClipModel& model, bool around_guess) {
  const int w = model.reading.width_px;
  const int first = model.lit.x;
  const int last = model.lit.x + model.lit.width - 1;
  model.first_column.assign(static_cast<std::size_t>(model.rows), 0);
  model.last_column.assign(static_cast<std::size_t>(model.rows), w - 1);
  for (int i = 0; i < model.rows; ++i) {
    const double dy = model.Row(i) - model.exit_px.y;
    const double axis = model.AxisX(model.Row(i));
    double left = axis - (0.7 * model.exit_diameter_px + 5.0 * dy + 60.0);
    double right = axis + (0.7 * model.exit_diameter_px + 5.0 * dy + 60.0);
    if (around_guess) {
      left = axis - 1.3 * std::max(4.0, axis - model.guess[0].X(dy)) - 32.0;
      right = axis + 1.3 * std::max(4.0, model.guess[1].X(dy) - axis) + 32.0;
    }
    model.first_column[static_cast<std::size_t>(i)] =
        std::clamp(static_cast<int>(std::floor(left)), first, last - 7);
    model.last_column[static_cast<std::size_t>(i)] =
        std::clamp(static_cast<int>(std::ceil(right)), first + 7, last);
  }
}

namespace {

class GuessSearch {
 public:
  // At most a dozen frames of the sample: the guess needs no more.
  GuessSearch(ClipModel& model, const std::vector<LumaFrame>& sample) : model_(model) {
    const std::size_t step = std::max<std::size_t>(1, (sample.size() + 11) / 12);
    for (std::size_t i = 0; i < sample.size(); i += step) frames_.push_back(sample[i]);
  }

  GuessOutcome Run() {
    GuessOutcome outcome;
    Begin();
    bool trust = false;
    for (int pass = 0; pass < 4; ++pass) {
      ReadAll(trust);
      UpdateLevel();
      const bool good = UpdateGuess(outcome);
      if (good) {
        trust = true;
        SetColumns(model_, true);
      } else if (trust) {
        break;
      }
    }
    outcome.found = trust;
    if (trust) LookFartherOut(outcome);
    if (trust) outcome.exit_diameter_px = WidthAtExit();
    return outcome;
  }

  // Twice: what the first pass finds sets the level.
  std::vector<FrameRecord> WithoutGuess() {
    Begin();
    ReadAll(false);
    UpdateLevel();
    ReadAll(false);
    return std::move(records_);
  }

 private:
  // Close to the exit the half width r follows (r - c)^2 = r0^2 + (z tan a)^2, with c what blur and threshold
  // add; down to where the spray is four times as wide as at first, the best c and the line of (r - c)^2 on
  // z^2 give r0.
  std::optional<double> WidthAtExit() const {
    std::vector<double> z2;
    std::vector<double> r;
    double narrowest = 0.0;
    for (int i = 0; i < model_.rows; ++i) {
      std::vector<double> values;
      for (const FrameRecord& record : records_) {
        const std::int16_t a = record.edge[record.EdgeAt(i, kLeftSide, kLadder - 1)];
        const std::int16_t b = record.edge[record.EdgeAt(i, kRightSide, kLadder - 1)];
        if (a != kNoEdge && b != kNoEdge)
          values.push_back(0.5 * (a + b) / static_cast<double>(kEdgeUnitsPerPx));
      }
      if (values.size() * 3 < records_.size() || values.empty()) continue;
      const double half = MedianInPlace(values);
      if (z2.empty()) narrowest = half;
      if (half > 4.0 * narrowest + 4.0) break;
      const double dy = model_.Row(i) - model_.exit_px.y;
      z2.push_back(dy * dy);
      r.push_back(half);
    }
    if (z2.size() < 8) return std::nullopt;
    double least = std::numeric_limits<double>::max();
    double r0_px = 0.0;
    for (int step = 0; step <= 30; ++step) {
      const double c = 0.1 * step;
      std::vector<double> square;
      for (const double half : r) square.push_back((half - c) * (half - c));
      const std::optional<Line> line = FitRobustLine(z2, square, RobustLineOptions{});
      if (!line || !(line->intercept > 1.0)) continue;
      double misfit = 0.0;
      for (std::size_t i = 0; i < r.size(); ++i) {
        misfit += std::abs(r[i] - c - std::sqrt(std::max(0.0, line->Y(z2[i]))));
      }
      if (misfit >= least) continue;
      least = misfit;
      r0_px = std::sqrt(line->intercept);
    }
    const double d = 2.0 * r0_px;
    // A first edge far below the exit tells nothing about it.
    if (!(d > 0.0) || z2.front() > d * d || d > 0.3 * model_.reading.width_px) return std::nullopt;
    return d;
  }

  void Begin() {
    model_.guess[0] = {model_.exit_px.x - 0.5 * model_.exit_diameter_px, -0.8 + model_.axis_slope};
    model_.guess[1] = {model_.exit_px.x + 0.5 * model_.exit_diameter_px, 0.8 + model_.axis_slope};
    SetColumns(model_, false);
    FirstLevel();
  }

  void ReadAll(bool trust) {
    ReadFrameOptions options;
    options.trust_guess = trust;
    options.rays = false;
    records_.resize(frames_.size());
    for (std::size_t k = 0; k < frames_.size(); ++k)
      ReadFrame(model_, frames_[k], options, scratch_, records_[k]);
  }

  // The strongest signal of each half row, median over rows and frames, is near the limb's level or above it.
  void FirstLevel() {
    model_.level = {1e6F, 1e6F};
    ReadFrameOptions options;
    options.trust_guess = false;
    options.rays = false;
    std::array<std::vector<double>, 2> tops;
    std::vector<double> outside;
    for (const LumaFrame& frame : frames_) {
      FrameRecord record;
      ReadFrame(model_, frame, options, scratch_, record);
      const auto stride = static_cast<std::size_t>(model_.reading.width_px);
      for (int i = 0; i < model_.rows; i += 4) {
        const double dy = model_.Row(i) - model_.exit_px.y;
        if (dy < 0.5 * model_.exit_diameter_px || dy > 0.6 * (model_.rows * model_.row_step)) continue;
        const float* s = scratch_.signal.data() + static_cast<std::size_t>(i) * stride;
        const int c0 = model_.first_column[static_cast<std::size_t>(i)];
        const int c1 = model_.last_column[static_cast<std::size_t>(i)];
        const int axis =
            std::clamp(static_cast<int>(std::lround(model_.AxisX(model_.Row(i)))), c0 + 1, c1 - 1);
        for (int side = 0; side < 2; ++side) {
          const float* a = side == 0 ? s : s + (axis - c0);
          const float* b = side == 0 ? s + (axis - c0) : s + (c1 - c0 + 1);
          tops[static_cast<std::size_t>(side)].push_back(static_cast<double>(
              *std::max_element(a, b) -
              scratch_.base[static_cast<std::size_t>(side)][static_cast<std::size_t>(i)]));
          // Differences of neighbours two apart, at the outer end: noise, whatever the slow level does.
          const int step = side == 0 ? 1 : -1;
          const int start = side == 0 ? 0 : c1 - c0;
          for (int k = 0; k + 4 < std::min(24, (c1 - c0) / 3); k += 3) {
            outside.push_back(static_cast<double>(s[start + step * k] - s[start + step * (k + 3)]));
          }
        }
      }
    }
    model_.noise = outside.empty() ? 0.0F : static_cast<float>(RobustSpread(outside) / std::numbers::sqrt2);
    for (int side = 0; side < 2; ++side) {
      auto& t = tops[static_cast<std::size_t>(side)];
      const double top = t.empty() ? 0.0 : MedianInPlace(t);
      model_.level[static_cast<std::size_t>(side)] = LeastLevel(static_cast<float>(0.6 * top));
    }
  }

  float LeastLevel(float level) const {
    return std::max({level, 4.0F * model_.noise / kLadderParts[kLadderFirst], 1e-4F});
  }

  void UpdateLevel() {
    for (int side = 0; side < 2; ++side) {
      std::vector<double> peaks;
      for (const FrameRecord& record : records_) {
        for (int i = 0; i < model_.rows; ++i) {
          const double dy = model_.Row(i) - model_.exit_px.y;
          if (dy < 1.0 * model_.exit_diameter_px || dy > 0.5 * model_.rows * model_.row_step) continue;
          const int peak = record.peak[static_cast<std::size_t>(i * 2 + side)];
          if (peak > 0) peaks.push_back(peak);
        }
      }
      if (peaks.size() < 20) continue;
      const double factor = MedianInPlace(peaks) / static_cast<double>(kPeakUnitsPerLevel);
      float& level = model_.level[static_cast<std::size_t>(side)];
      level = LeastLevel(static_cast<float>(factor) * level);
    }
  }

  // Median over the frames of where a side's edge is, row by row.
  struct Followed {
    std::vector<double> dy, out;
    int rows = 0;  // looked at
  };

  Followed FollowedOn(int side) const {
    Followed followed;
    std::vector<double>& dy = followed.dy;
    std::vector<double>& out = followed.out;
    int leaving = 0;
    for (int i = 0; i < model_.rows; ++i) {
      const double d = model_.Row(i) - model_.exit_px.y;
      if (d < 1.0 * model_.exit_diameter_px || d > 0.7 * model_.rows * model_.row_step) continue;
      ++followed.rows;
      std::vector<double> values;
      for (const FrameRecord& record : records_) {
        const std::int16_t e = record.edge[record.EdgeAt(i, side, kLadderFirst)];
        if (e != kNoEdge) values.push_back(e / static_cast<double>(kEdgeUnitsPerPx));
      }
      if (values.size() * 4 < records_.size() || values.empty()) continue;
      dy.push_back(d);
      out.push_back(MedianInPlace(values));
      if (LeavesPicture(i, side, out.back())) {
        // A side that has left the picture does not come back; what is found below is not its edge.
        if (++leaving >= 3 && static_cast<int>(dy.size()) > 16) {
          dy.resize(dy.size() - 3);
          out.resize(out.size() - 3);
          break;
        }
      } else {
        leaving = 0;
      }
    }
    return followed;
  }

  double Opening(int side) const {
    return side == kLeftSide ? model_.axis_slope - model_.guess[0].slope
                             : model_.guess[1].slope - model_.axis_slope;
  }

  // A side that opens far less than the other may be something inside of a rim that the light misses near the
  // exit, a lamp's mirror image. Whether a rim shows farther down is looked up about the other side's mirror
  // image: the line through it comes from the exit.
  void LookFartherOut(GuessOutcome& outcome) {
    constexpr double kAlike = 0.8, kOffExit = 1.5;
    const int narrow = Opening(kLeftSide) < Opening(kRightSide) ? kLeftSide : kRightSide;
    const double wide = Opening(1 - narrow);
    const double before = Opening(narrow);
    if (before > kAlike * wide) return;
    const std::array<GuessLine, 2> guess = model_.guess;
    const std::vector<FrameRecord> records = records_;
    const GuessOutcome found = outcome;
    const GuessLine& other = guess[static_cast<std::size_t>(1 - narrow)];
    model_.guess[static_cast<std::size_t>(narrow)] = {2.0 * model_.exit_px.x - other.at_exit_px,
                                                      2.0 * model_.axis_slope - other.slope};
    SetColumns(model_, true);
    ReadAll(true);
    if (UpdateGuess(outcome, true) && Opening(narrow) > kAlike * wide && Opening(narrow) > before / kAlike) {
      const GuessLine& found_line = model_.guess[static_cast<std::size_t>(narrow)];
      const double sign = narrow == kRightSide ? 1.0 : -1.0;
      const double rim = 0.5 * model_.exit_diameter_px;
      if (std::abs(sign * (found_line.at_exit_px - model_.exit_px.x) - rim) < kOffExit * rim) {
        model_.guess[static_cast<std::size_t>(1 - narrow)] = other;
        SetColumns(model_, true);
        ReadAll(true);
        outcome.found_share = FoundShare();
        return;
      }
    }
    model_.guess = guess;
    records_ = records;
    outcome = found;
    SetColumns(model_, true);
  }

  // What was followed inside of a rim, where the light misses this.
  void DropInside(std::array<Followed, 2>& sides) const {
    std::array<std::vector<RimPoint>, 2> points;
    for (std::size_t side = 0; side < 2; ++side) {
      for (std::size_t i = 0; i < sides[side].dy.size(); ++i)
        points[side].push_back({sides[side].dy[i], sides[side].out[i]});
    }
    for (std::size_t side = 0; side < 2; ++side) {
      const std::vector<char> inside =
          InsideOfRim(points[side], points[1 - side], 0.5 * model_.exit_diameter_px, InnerRimOptions{});
      if (inside.empty()) continue;
      std::size_t kept = 0;
      for (std::size_t i = 0; i < inside.size(); ++i) {
        if (inside[i] != 0) continue;
        sides[side].dy[kept] = sides[side].dy[i];
        sides[side].out[kept++] = sides[side].out[i];
      }
      sides[side].dy.resize(kept);
      sides[side].out.resize(kept);
    }
  }

  bool UpdateGuess(GuessOutcome& outcome, bool rims_only = false) {
    std::array<std::optional<Line>, 2> lines;
    double spread = 0.0;
    std::array<Followed, 2> sides{FollowedOn(kLeftSide), FollowedOn(kRightSide)};
    if (rims_only) DropInside(sides);
    outcome.followed = {false, false};
    outcome.opening.reset();
    outcome.found_share = FoundShare();
    for (int side = 0; side < 2; ++side) {
      Followed& followed = sides[static_cast<std::size_t>(side)];
      std::vector<double>& dy = followed.dy;
      std::vector<double>& out = followed.out;
      if (followed.rows == 0) return false;
      RobustLineOptions options;
      options.floor = 1.0;
      options.min_points = std::max(8, followed.rows / 8);
      if (const std::size_t leap = InwardLeap(out); static_cast<int>(leap) >= options.min_points) {
        dy.resize(leap);
        out.resize(leap);
      }
      std::optional<Line>& fitted = lines[static_cast<std::size_t>(side)];
      fitted = FitRobustLine(dy, out, options);
      if (fitted && MissesExit(*fitted, dy)) {
        KeepMostAgreed(dy, out);
        options.min_points = 8;
        fitted = FitRobustLine(dy, out, options);
      }
      if (!fitted) return false;
      outcome.followed[static_cast<std::size_t>(side)] = true;
      const Line& line = *fitted;
      std::vector<double> residuals;
      for (std::size_t k = 0; k < dy.size(); ++k) {
        residuals.push_back((out[k] - line.Y(dy[k])) / std::max(8.0, std::abs(line.Y(dy[k]))));
      }
      spread = std::max(spread, RobustSpread(residuals));
    }
    outcome.row_spread = spread;
    const double opening = lines[0]->slope + lines[1]->slope;
    outcome.opening = opening;
    if (!(opening > 0.0) || !(opening < 16.0)) return false;
    model_.guess[0] = {model_.exit_px.x - lines[0]->intercept, model_.axis_slope - lines[0]->slope};
    model_.guess[1] = {model_.exit_px.x + lines[1]->intercept, model_.axis_slope + lines[1]->slope};
    return true;
  }

  // A cone's side does not leap inward: where it does, the rim is lost, and what is followed further down is
  // something within the spray, a lamp's mirror image or clumps.
  static std::size_t InwardLeap(const std::vector<double>& out) {
    constexpr std::size_t kRows = 6;
    constexpr double kLeap = 0.75;
    for (std::size_t k = kRows; k + kRows <= out.size(); ++k) {
      std::array<double, kRows> above{};
      std::array<double, kRows> below{};
      std::copy_n(out.begin() + static_cast<std::ptrdiff_t>(k - kRows), kRows, above.begin());
      std::copy_n(out.begin() + static_cast<std::ptrdiff_t>(k), kRows, below.begin());
      if (MedianInPlace(std::span<double>(below)) < kLeap * MedianInPlace(std::span<double>(above))) return k;
    }
    return 0;
  }

  // A cone's side does not come from beyond the axis.
  bool MissesExit(const Line& line, const std::vector<double>& dy) const {
    return line.intercept < -std::max(8.0, 0.05 * line.slope * dy.back()) - 0.5 * model_.exit_diameter_px;
  }

  // Of all straight sides from the exit's rim, the one that most rows lie on: what moves beside the spray
  // agrees on none.
  void KeepMostAgreed(std::vector<double>& dy, std::vector<double>& out) const {
    const double rim = 0.5 * model_.exit_diameter_px;
    const auto on = [&](std::size_t k, double slope) {
      return std::abs(out[k] - rim - slope * dy[k]) < 2.0 + 0.05 * out[k];
    };
    double best = 0.0;
    std::size_t most = 0;
    for (std::size_t k = 0; k < dy.size(); ++k) {
      const double slope = (out[k] - rim) / dy[k];
      std::size_t agree = 0;
      for (std::size_t j = 0; j < dy.size(); ++j) agree += on(j, slope) ? 1 : 0;
      if (agree <= most) continue;
      most = agree;
      best = slope;
    }
    std::size_t kept = 0;
    for (std::size_t k = 0; k < dy.size(); ++k) {
      if (!on(k, best)) continue;
      dy[kept] = dy[k];
      out[kept++] = out[k];
    }
    dy.resize(kept);
    out.resize(kept);
  }

  bool LeavesPicture(int row, int side, double out_px) const {
    constexpr double kMarginPx = 12.0;
    const double axis = model_.AxisX(model_.Row(row));
    return side == kLeftSide ? axis - out_px < kMarginPx
                             : axis + out_px > model_.reading.width_px - 1 - kMarginPx;
  }

  double FoundShare() const {
    double sum = 0.0;
    for (const FrameRecord& record : records_) sum += static_cast<double>(record.found_share);
    return records_.empty() ? 0.0 : sum / static_cast<double>(records_.size());
  }

  ClipModel& model_;
  std::vector<LumaFrame> frames_;
  std::vector<FrameRecord> records_;
  ReadScratch scratch_;
};

}  // namespace

double FoundShareInPicture(const ClipModel& model, double found_share) {
  constexpr int kLeastRows = 100;  // of fewer a share says little
  int inside = 0;
  for (const GuessLine& side : model.guess) {
    for (int i = 0; i < model.rows; ++i) {
      const double x = side.X(model.Row(i) - model.exit_px.y);
      inside += x >= 0.0 && x <= model.reading.width_px - 1 ? 1 : 0;
    }
  }
  const int counted = std::clamp(inside, std::min(2 * kLeastRows, 2 * model.rows), 2 * model.rows);
  return counted > 0 ? std::min(1.0, found_share * 2.0 * model.rows / counted) : found_share;
}

GuessOutcome SearchCone(ClipModel& model, const std::vector<LumaFrame>& sample) {
  model.strong_filter = model.pair_rows = false;
  GuessSearch search(model, sample);
  GuessOutcome outcome = search.Run();
  const float weakest = std::min(model.level[0], model.level[1]);
  if (outcome.found && kLadderParts[kLadderFirst] * weakest < 6.0F * model.noise) {
    model.strong_filter = true;
    model.pair_rows = true;
    outcome = search.Run();
  }
  return outcome;
}

bool GuessCone(const std::vector<LumaFrame>& frames, ClipModel& model) {
  ClipModel candidate = model;
  const GuessOutcome outcome = SearchCone(candidate, frames);
  if (!outcome.found || FoundShareInPicture(candidate, outcome.found_share) < kLeastFoundShare) return false;
  SetColumns(candidate, true);
  model = std::move(candidate);
  return true;
}

std::vector<FrameRecord> ReadWithoutGuess(const std::vector<LumaFrame>& frames, ClipModel& model) {
  return GuessSearch(model, frames).WithoutGuess();
}

}  // namespace conebook::vision

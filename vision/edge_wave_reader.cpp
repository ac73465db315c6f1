#include "vision/edge_wave_reader.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdint>
#include <span>

#include <fmt/format.h>

#include "vision/frame_record.h"
#include "vision/statistics.h"

namespace conebook::vision {
namespace {

using calib::Contribution;
using calib::Quantity;
using calib::Shared;

// One side: [frame][row], missing where nothing was found.
struct Edge {
  std::vector<std::vector<float>> value;
  std::vector<std::vector<char>> found;
  std::vector<double> rms_px;  // per row
};

// Sums over pairs of rows `lag` apart in frames `step` apart.
struct Correlation {
  std::vector<std::vector<double>> sum, weight;  // [step][lag + most]
  void Add(const Correlation& other) {
    for (std::size_t s = 0; s < sum.size(); ++s) {
      for (std::size_t m = 0; m < sum[s].size(); ++m) {
        sum[s][m] += other.sum[s][m];
        weight[s][m] += other.weight[s][m];
      }
    }
  }
};

struct Place {
  double lag = 0.0, value = 0.0;
};

class Reader {
 public:
  Reader(const EdgeWaveRequest& request, const EdgeWaveOptions& options) : r_(request), o_(options) {}

  EdgeWaveResult Read() {
    if (r_.frames.size() < static_cast<std::size_t>(o_.least_frames)) return {std::nullopt, "too few frames"};
    if (!TakeEdges()) return {std::nullopt, "too few rows of the sheet show both edges"};
    for (Edge& edge : edges_) Flatten(edge);
    most_ = static_cast<int>(rows_) * 2 / 3;
    Correlate();
    const double alike = At(all_, 0, 1);
    if (alike < o_.least_alike)
      return {std::nullopt, "the edges show no waves above their noise from row to row"};
    if (RmsAtEnd() < o_.least_rms_px)
      return {std::nullopt,
              "the edges hardly move: waves, if any, are smaller than what the picture resolves, or smeared"};
    const std::optional<double> half_wave = HalfWave(all_);
    // Longer ones a frame's own straight line would have taken out.
    if (!half_wave || 2.0 * *half_wave * o_.least_waves > static_cast<double>(rows_))
      return {std::nullopt, "no wave fits into the rows between exit and end of the sheet"};
    EdgeWaves waves;
    waves.from_mm = z_first_;
    waves.to_mm = z_first_ + dz_ * static_cast<double>(rows_ - 1);
    waves.interval_s = r_.interval_s;
    waves.rms_mm = RmsAtEnd() / r_.px_per_mm;
    Wavelength(*half_wave, waves);
    Speed(*half_wave, alike, waves);
    Picture(waves);
    return {std::move(waves), ""};
  }

 private:
  bool TakeEdges() {
    std::size_t row0 = r_.z_mm.size(), row1 = 0;
    for (std::size_t row = 0; row < r_.z_mm.size(); ++row) {
      if (r_.z_mm[row] < r_.from_mm || r_.z_mm[row] > r_.to_mm) continue;
      row0 = std::min(row0, row);
      row1 = std::max(row1, row + 1);
    }
    if (row1 < row0 + 24) return false;
    const std::size_t group =
        (row1 - row0 + static_cast<std::size_t>(o_.most_rows) - 1) / static_cast<std::size_t>(o_.most_rows);
    rows_ = (row1 - row0) / group;
    dz_ = (r_.z_mm[row1 - 1] - r_.z_mm[row0]) / static_cast<double>(row1 - row0 - 1) *
          static_cast<double>(group);
    z_first_ = r_.z_mm[row0] + 0.5 * dz_ * static_cast<double>(group - 1) / static_cast<double>(group);
    frames_ = std::min(r_.frames.size(), static_cast<std::size_t>(o_.most_frames));
    for (Edge& edge : edges_) {
      edge.value.assign(frames_, std::vector<float>(rows_, 0.0F));
      edge.found.assign(frames_, std::vector<char>(rows_, 0));
    }
    std::vector<std::int16_t> read;
    for (std::size_t f = 0; f < frames_; ++f) {
      r_.spool->ReadEdges(r_.frames[f], static_cast<int>(row0), static_cast<int>(row1), read);
      for (std::size_t side = 0; side < 2; ++side) {
        for (std::size_t k = 0; k < rows_; ++k) {
          double sum = 0.0;
          int count = 0;
          for (std::size_t j = 0; j < group; ++j) {
            const std::int16_t edge =
                read[((k * group + j) * 2 + side) * kLadder + static_cast<std::size_t>(kLadderFirst)];
            if (edge == kNoEdge) continue;
            sum += static_cast<double>(edge) / static_cast<double>(kEdgeUnitsPerPx);
            ++count;
          }
          if (count == 0) continue;
          edges_[side].value[f][k] = static_cast<float>(sum / count);
          edges_[side].found[f][k] = 1;
        }
      }
    }
    std::size_t good = 0;
    for (std::size_t k = 0; k < rows_; ++k) {
      std::size_t found = 0;
      for (std::size_t f = 0; f < frames_; ++f)
        found += (edges_[0].found[f][k] != 0 ? 1U : 0U) + (edges_[1].found[f][k] != 0 ? 1U : 0U);
      good += static_cast<double>(found) > o_.least_found * 2.0 * static_cast<double>(frames_) ? 1U : 0U;
    }
    return 10 * good >= 8 * rows_;
  }

  // Mean place out of each row, straight line out of each frame, scatter to one.
  void Flatten(Edge& edge) const {
    std::vector<double> mean(rows_, 0.0);
    for (std::size_t k = 0; k < rows_; ++k) {
      double count = 0.0;
      for (std::size_t f = 0; f < frames_; ++f) {
        if (edge.found[f][k] == 0) continue;
        mean[k] += static_cast<double>(edge.value[f][k]);
        count += 1.0;
      }
      mean[k] /= std::max(1.0, count);
    }
    for (std::size_t f = 0; f < frames_; ++f) {
      double n = 0.0, sk = 0.0, skk = 0.0, sv = 0.0, skv = 0.0;
      for (std::size_t k = 0; k < rows_; ++k) {
        if (edge.found[f][k] == 0) continue;
        const double v = static_cast<double>(edge.value[f][k]) - mean[k];
        const auto at = static_cast<double>(k);
        n += 1.0;
        sk += at;
        skk += at * at;
        sv += v;
        skv += at * v;
      }
      const double det = n * skk - sk * sk;
      const double slope = det > 0.0 ? (n * skv - sk * sv) / det : 0.0;
      const double level = n > 0.0 ? (sv - slope * sk) / n : 0.0;
      for (std::size_t k = 0; k < rows_; ++k) {
        edge.value[f][k] = static_cast<float>(static_cast<double>(edge.value[f][k]) - mean[k] - level -
                                              slope * static_cast<double>(k));
      }
    }
    edge.rms_px.assign(rows_, 0.0);
    for (std::size_t k = 0; k < rows_; ++k) {
      std::vector<double> values;
      for (std::size_t f = 0; f < frames_; ++f)
        if (edge.found[f][k] != 0) values.push_back(static_cast<double>(edge.value[f][k]));
      edge.rms_px[k] = std::max(0.02, values.empty() ? 0.0 : RobustSpread(values));
      for (std::size_t f = 0; f < frames_; ++f) {
        // A drop for an edge is no wave: at most three scatters.
        edge.value[f][k] = std::clamp(edge.value[f][k] / static_cast<float>(edge.rms_px[k]), -3.0F, 3.0F);
      }
    }
  }

  bool Neighbours(std::size_t f, std::size_t step) const {
    const std::size_t a = r_.frames[f];
    const std::size_t b = r_.frames[f + step];
    if (b - a != step) return false;
    const double apart = r_.time_s[b] - r_.time_s[a];
    return std::abs(apart - static_cast<double>(step) * r_.interval_s) < 0.1 * r_.interval_s;
  }

  Correlation Empty() const {
    Correlation c;
    c.sum.assign(static_cast<std::size_t>(o_.most_steps) + 1,
                 std::vector<double>(static_cast<std::size_t>(2 * most_ + 1), 0.0));
    c.weight = c.sum;
    return c;
  }

  void Correlate() {
    all_ = Empty();
    for (const Block& block : ContiguousBlocks(frames_, o_.blocks, o_.most_steps + 2)) {
      Correlation part = Empty();
      for (const Edge& edge : edges_) {
        for (std::size_t f = block.first; f < block.last; ++f) {
          for (std::size_t s = 0; s <= static_cast<std::size_t>(o_.most_steps) && f + s < block.last; ++s) {
            if (s == 0 || Neighbours(f, s)) AddPair(edge, f, s, part);
          }
        }
      }
      all_.Add(part);
      blocks_.push_back(std::move(part));
    }
  }

  void AddPair(const Edge& edge, std::size_t f, std::size_t step, Correlation& into) const {
    const std::vector<float>& now = edge.value[f];
    const std::vector<float>& later = edge.value[f + step];
    const std::vector<char>& seen_now = edge.found[f];
    const std::vector<char>& seen_later = edge.found[f + step];
    for (int m = -most_; m <= most_; ++m) {
      float sum = 0.0F;
      float count = 0.0F;
      const auto from = static_cast<std::size_t>(std::max(0, -m));
      const auto to =
          static_cast<std::size_t>(std::min<int>(static_cast<int>(rows_), static_cast<int>(rows_) - m));
      for (std::size_t k = from; k < to; ++k) {
        const auto other = static_cast<std::size_t>(static_cast<int>(k) + m);
        const float both = seen_now[k] != 0 && seen_later[other] != 0 ? 1.0F : 0.0F;
        sum += both * now[k] * later[other];
        count += both;
      }
      into.sum[step][static_cast<std::size_t>(m + most_)] += static_cast<double>(sum);
      into.weight[step][static_cast<std::size_t>(m + most_)] += static_cast<double>(count);
    }
  }

  double At(const Correlation& c, std::size_t step, int lag) const {
    const auto m = static_cast<std::size_t>(lag + most_);
    return c.weight[step][m] > 0.0 ? c.sum[step][m] / c.weight[step][m] : 0.0;
  }

  // The place of an extreme of sign * correlation between two lags, by the parabola through its neighbours;
  // nothing where it lies at an end.
  std::optional<Place> Extreme(const Correlation& c, std::size_t step, int from, int to, double sign) const {
    from = std::max(from, -most_);
    to = std::min(to, most_);
    int best = from;
    for (int m = from; m <= to; ++m)
      if (sign * At(c, step, m) > sign * At(c, step, best)) best = m;
    if (best <= from || best >= to) return std::nullopt;
    const double before = At(c, step, best - 1), here = At(c, step, best), after = At(c, step, best + 1);
    const double bend = before - 2.0 * here + after;
    const double shift = bend != 0.0 ? 0.5 * (before - after) / bend : 0.0;
    return Place{best + std::clamp(shift, -0.5, 0.5), here};
  }

  // Rows to where one frame's edge is most unlike itself: the first such place.
  std::optional<double> HalfWave(const Correlation& c) const {
    int m = 1;
    while (m < most_ && At(c, 0, m) > 0.0) ++m;
    if (m >= most_) return std::nullopt;
    const int zero = m;  // a quarter of a wave
    const auto place = Extreme(c, 0, zero - 1, std::min(most_, 4 * zero), -1.0);
    if (!place || place->value > o_.least_unlike) return std::nullopt;
    return place->lag;
  }

  double RmsAtEnd() const {
    std::vector<double> last;
    for (const Edge& edge : edges_) {
      for (std::size_t k = rows_ - rows_ / 8; k < rows_; ++k) last.push_back(edge.rms_px[k]);
    }
    return MedianInPlace(std::span<double>(last));
  }

  void Wavelength(double half_wave, EdgeWaves& waves) const {
    std::vector<double> blocks;
    for (const Correlation& block : blocks_)
      if (const auto half = HalfWave(block)) blocks.push_back(2.0 * *half * dz_);
    const double value = 2.0 * half_wave * dz_;
    const double scatter = UncertaintyOfMean(std::span<const double>(blocks)).value_or(0.1 * value);
    waves.wavelength_mm =
        calib::Combine(value, {{"scatter between blocks of frames", scatter, Shared::kFrames},
                               {"rows are so far apart", 0.3 * dz_, Shared::kClip},
                               {"scale", value * r_.u_px_per_mm / r_.px_per_mm, Shared::kRig}});
  }

  // Rows a frame, by all steps over which the wave is still the same.
  std::optional<double> RowsAStep(const Correlation& c, double first, double half_wave) const {
    double top = 0.0, bottom = 0.0, best = 0.0;
    for (std::size_t s = 1; s <= static_cast<std::size_t>(o_.most_steps); ++s) {
      const double guess = s == 1 ? first : top / bottom * static_cast<double>(s);
      const int reach = std::max(2, static_cast<int>(std::lround(0.6 * half_wave)));
      if (guess + reach > most_) break;
      const int at = static_cast<int>(std::lround(guess));
      const auto place = Extreme(c, s, at - reach, at + reach, 1.0);
      if (!place) break;
      best = std::max(best, place->value);
      if (place->value < 0.5 * best) break;
      top += place->lag * static_cast<double>(s) * place->value;
      bottom += static_cast<double>(s * s) * place->value;
    }
    if (bottom <= 0.0) return std::nullopt;
    return top / bottom;
  }

  void Speed(double half_wave, double alike, EdgeWaves& waves) const {
    const double wave = 2.0 * half_wave;
    const double to_m_s = 1e-3 * dz_ / r_.interval_s;
    waves.alias_step_m_s = wave * to_m_s;
    // The best place within half a wave either way, and the best one elsewhere.
    const int near = static_cast<int>(std::lround(half_wave));
    const auto first = Extreme(all_, 1, -near - 1, near + 1, 1.0);
    if (!first || first->value < o_.least_kept * alike) {
      waves.no_speed =
          "from one frame to the next the edges change beyond recognition: the frame rate is too low";
      return;
    }
    double elsewhere = 0.0;
    for (int m = -most_ * 3 / 4; m <= most_ * 3 / 4; ++m)
      if (std::abs(m - first->lag) > 0.7 * half_wave) elsewhere = std::max(elsewhere, At(all_, 1, m));
    waves.ambiguous = elsewhere > o_.ambiguous_part * first->value;
    if (elsewhere > o_.better_part * first->value) {
      waves.no_speed =
          "from one frame to the next the waves come more than half a length further: the frame rate "
          "is too low";
      return;
    }
    const char* const backward =
        "the waves seem to stand or to run upstream: the frame rate is too low to follow them";
    if (first->lag <= 0.0) {
      waves.no_speed = backward;
      return;
    }
    const auto rows = RowsAStep(all_, first->lag, half_wave);
    if (!rows) {
      waves.no_speed = "the waves cannot be followed from frame to frame";
      return;
    }
    if (*rows <= 0.0) {
      waves.no_speed = backward;
      return;
    }
    std::vector<double> blocks;
    for (const Correlation& block : blocks_)
      if (const auto of = RowsAStep(block, first->lag, half_wave)) blocks.push_back(*of * to_m_s);
    const double value = *rows * to_m_s;
    std::vector<Contribution> budget{
        {"scatter between blocks of frames",
         UncertaintyOfMean(std::span<const double>(blocks)).value_or(0.1 * value), Shared::kFrames},
        {"waves of several speeds (2 %: rendered sprays)", 0.02 * value, Shared::kModel},
        {"scale", value * r_.u_px_per_mm / r_.px_per_mm, Shared::kRig}};
    if (r_.rows_one_after_another) {
      const double stretched = 1e3 * value * r_.px_per_mm / (r_.picture_height_px / r_.interval_s);
      budget.push_back(
          {"rows read one after another (not known)", stretched / std::sqrt(3.0) * value, Shared::kClip});
    }
    waves.speed_m_s = calib::Combine(value, std::move(budget));
  }

  void Picture(EdgeWaves& waves) const {
    constexpr std::size_t kMostColumns = 360;
    constexpr int kGap = 3;
    const std::size_t columns = std::min(frames_, kMostColumns);
    const auto rows = static_cast<int>(rows_);
    waves.picture = cv::Mat(2 * rows + kGap, static_cast<int>(columns), CV_8U, cv::Scalar(0));
    for (std::size_t side = 0; side < 2; ++side) {
      for (int k = 0; k < rows; ++k) {
        auto* line = waves.picture.ptr<std::uint8_t>(k + (side == 0 ? 0 : rows + kGap));
        for (std::size_t f = 0; f < columns; ++f) {
          const auto row = static_cast<std::size_t>(k);
          const float v = edges_[side].found[f][row] != 0 ? edges_[side].value[f][row] : 0.0F;
          line[f] = static_cast<std::uint8_t>(std::clamp(std::lround(132.0F + 48.0F * v), 8L, 255L));
        }
      }
    }
    waves.picture_s = r_.interval_s * static_cast<double>(columns);
  }

  const EdgeWaveRequest& r_;
  const EdgeWaveOptions& o_;
  std::array<Edge, 2> edges_;
  std::size_t rows_ = 0, frames_ = 0;
  double dz_ = 0.0, z_first_ = 0.0;
  int most_ = 0;  // rows apart
  Correlation all_;
  std::vector<Correlation> blocks_;
};

}  // namespace

EdgeWaveResult ReadEdgeWaves(const EdgeWaveRequest& request, const EdgeWaveOptions& options) {
  return Reader(request, options).Read();
}

}  // namespace conebook::vision

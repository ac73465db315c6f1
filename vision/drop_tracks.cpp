#include "vision/drop_tracks.h"

#include <algorithm>
#include <cmath>
#include <cstddef>
#include <span>

#include "vision/statistics.h"

namespace conebook::vision {
namespace {

struct Way {
  double x = 0.0, y = 0.0;
  double Length() const { return std::hypot(x, y); }
};

// A drop, where it was last seen.
struct Followed {
  double x = 0.0, y = 0.0, ln_diameter = 0.0;
  std::int64_t frame = 0;
  Way sum;
  int times = 0;
  Way Mean() const { return {sum.x / times, sum.y / times}; }
};

class Tracker {
 public:
  Tracker(const std::vector<ThreeFrames>& groups, const std::vector<std::int64_t>& first_frame, int width_px,
          int height_px, const DropTrackOptions& options)
      : groups_(groups), first_frame_(first_frame), o_(options) {
    farthest_ = o_.farthest_part * std::min(width_px, height_px);
    cells_ = 2 * static_cast<int>(std::ceil(farthest_ / o_.cell_px)) + 1;
  }

  DropSpeedResult Track(double interval_s) {
    constexpr std::size_t kFewestGroups = 3;
    if (groups_.size() < kFewestGroups) return {std::nullopt, "too few frames that follow each other"};
    const std::optional<Way> common = CommonWay();
    if (!common) return {std::nullopt, why_};
    std::vector<Followed> drops;
    int tried = 0, several = 0, chance = 0, tracks = 0;
    for (std::size_t g = 0; g < groups_.size(); ++g) {
      const FrameDrops& elsewhere = groups_[(g + groups_.size() / 2) % groups_.size()][2];
      for (const FoundDrop& a : groups_[g][0].drops) {
        if (static_cast<double>(a.diameter_px) < o_.least_px) continue;
        const double reach = o_.search_px + o_.search_part * common->Length();
        int fit = 0;
        const FoundDrop* b = Nearest(groups_[g][1], a, *common, reach, fit);
        if (fit > 0) ++tried;
        if (fit > 1) ++several;
        if (b == nullptr || fit != 1) continue;
        const Way first{static_cast<double>(b->x_px - a.x_px), static_cast<double>(b->y_px - a.y_px)};
        const double close = o_.search_px * 0.5 + 0.25 * o_.search_part * first.Length();
        const FoundDrop* c = Nearest(groups_[g][2], *b, first, close, fit);
        if (c != nullptr && fit == 1) {
          ++tracks;
          Add(a,
              Way{0.5 * static_cast<double>(c->x_px - a.x_px), 0.5 * static_cast<double>(c->y_px - a.y_px)},
              first_frame_[g], drops);
        }
        if (Nearest(elsewhere, *b, first, close, fit) != nullptr && fit == 1) ++chance;
      }
    }
    if (static_cast<int>(drops.size()) < o_.least_tracks)
      return {std::nullopt, "too few drops could be followed over three frames"};
    if (several > o_.most_several * tried)
      return {std::nullopt, "too many drops fit the place where one should be: film at a higher frame rate"};
    const double by_chance = static_cast<double>(chance) / static_cast<double>(tracks);
    if (by_chance > o_.most_by_chance)
      return {std::nullopt,
              "drops fit by chance too often to be told from those that were followed: film at a "
              "higher frame rate"};
    std::vector<double> lengths, xs, ys;
    for (const Followed& drop : drops) {
      const Way way = drop.Mean();
      lengths.push_back(way.Length());
      xs.push_back(way.x);
      ys.push_back(way.y);
    }
    DropSpeed speed;
    speed.tracks = static_cast<int>(drops.size());
    speed.by_chance = by_chance;
    speed.interval_s = interval_s;
    speed.scatter_px = RobustSpread(lengths);
    // Of a median of independent values; drops of one frame share the frame's gusts, so no fewer than groups.
    speed.u_speed_px =
        1.25 * speed.scatter_px /
        std::sqrt(std::min(static_cast<double>(lengths.size()), 4.0 * static_cast<double>(groups_.size())));
    speed.speed_px = MedianInPlace(std::span<double>(lengths));
    speed.across_px = MedianInPlace(std::span<double>(xs));
    speed.along_px = MedianInPlace(std::span<double>(ys));
    return {speed, ""};
  }

 private:
  // A new drop, or one that was followed before.
  void Add(const FoundDrop& at, const Way& way, std::int64_t frame, std::vector<Followed>& drops) const {
    const auto x = static_cast<double>(at.x_px);
    const auto y = static_cast<double>(at.y_px);
    const double ln_diameter = std::log(static_cast<double>(at.diameter_px));
    Followed* same = nullptr;
    double least = 1.0;
    for (Followed& drop : drops) {
      if (drop.frame == frame || std::abs(drop.ln_diameter - ln_diameter) > o_.size_match) continue;
      const auto frames = static_cast<double>(frame - drop.frame);
      const Way mean = drop.Mean();
      const double off = std::hypot(x - drop.x - frames * mean.x, y - drop.y - frames * mean.y) /
                         (o_.again_px + frames * o_.again_px_a_frame);
      if (off > least) continue;
      least = off;
      same = &drop;
    }
    if (same == nullptr) {
      drops.push_back({x, y, ln_diameter, frame, way, 1});
      return;
    }
    same->x = x;
    same->y = y;
    same->frame = frame;
    same->sum.x += way.x;
    same->sum.y += way.y;
    ++same->times;
  }

  bool Alike(const FoundDrop& a, const FoundDrop& b) const {
    return static_cast<double>(b.diameter_px) >= o_.least_px &&
           std::abs(std::log(static_cast<double>(b.diameter_px / a.diameter_px))) < o_.size_match;
  }

  const FoundDrop* Nearest(const FrameDrops& in, const FoundDrop& from, const Way& way, double reach,
                           int& fit) const {
    fit = 0;
    const FoundDrop* best = nullptr;
    double least = reach;
    for (const FoundDrop& drop : in.drops) {
      if (!Alike(from, drop)) continue;
      const double off = std::hypot(static_cast<double>(drop.x_px - from.x_px) - way.x,
                                    static_cast<double>(drop.y_px - from.y_px) - way.y);
      if (off > reach) continue;
      ++fit;
      if (off <= least) {
        least = off;
        best = &drop;
      }
    }
    return best;
  }

  void Count(const FrameDrops& now, const FrameDrops& later, std::vector<double>& counts) const {
    for (const FoundDrop& a : now.drops) {
      if (static_cast<double>(a.diameter_px) < o_.least_px) continue;
      for (const FoundDrop& b : later.drops) {
        const double x = static_cast<double>(b.x_px - a.x_px);
        const double y = static_cast<double>(b.y_px - a.y_px);
        if (std::hypot(x, y) > farthest_ || !Alike(a, b)) continue;
        const int i = static_cast<int>(std::floor(x / o_.cell_px + 0.5 * cells_));
        const int j = static_cast<int>(std::floor(y / o_.cell_px + 0.5 * cells_));
        if (i >= 0 && j >= 0 && i < cells_ && j < cells_)
          counts[static_cast<std::size_t>(j * cells_ + i)] += 1.0;
      }
    }
  }

  // Sums over windows that grow with the way: fast drops differ by more.
  double Window(const std::vector<double>& counts, int i, int j, int reach) const {
    double sum = 0.0;
    for (int y = std::max(0, j - reach); y <= std::min(cells_ - 1, j + reach); ++y) {
      for (int x = std::max(0, i - reach); x <= std::min(cells_ - 1, i + reach); ++x)
        sum += counts[static_cast<std::size_t>(y * cells_ + x)];
    }
    return sum;
  }
  Way At(int i, int j) const {
    return {(i + 0.5 - 0.5 * cells_) * o_.cell_px, (j + 0.5 - 0.5 * cells_) * o_.cell_px};
  }

  std::optional<Way> CommonWay() {
    std::vector<double> counts(static_cast<std::size_t>(cells_) * static_cast<std::size_t>(cells_), 0.0);
    std::vector<double> unrelated = counts;
    for (std::size_t g = 0; g < groups_.size(); ++g) {
      const ThreeFrames& other = groups_[(g + groups_.size() / 2) % groups_.size()];
      for (const std::size_t f : {0U, 1U}) {
        Count(groups_[g][f], groups_[g][f + 1], counts);
        Count(groups_[g][f], other[f + 1], unrelated);
      }
    }
    // Excess over chance, in windows; ways that start anywhere share one expectation, smooth over the cells.
    double best = 0.0;
    int bi = -1, bj = -1, best_reach = 0;
    std::vector<double> excess(counts.size(), 0.0);
    for (int j = 0; j < cells_; ++j) {
      for (int i = 0; i < cells_; ++i) {
        const double length = At(i, j).Length();
        if (length > farthest_) continue;
        const int reach = 1 + static_cast<int>(0.08 * length / o_.cell_px);
        const double chance = Window(unrelated, i, j, reach + 2) *
                              ((2.0 * reach + 1.0) * (2.0 * reach + 1.0)) /
                              ((2.0 * reach + 5.0) * (2.0 * reach + 5.0));
        const double over = (Window(counts, i, j, reach) - chance) / std::sqrt(chance + 4.0);
        excess[static_cast<std::size_t>(j * cells_ + i)] = over;
        if (over > best) {
          best = over;
          bi = i;
          bj = j;
          best_reach = reach;
        }
      }
    }
    constexpr double kStandsOut = 6.0;
    if (best < kStandsOut) {
      why_ =
          "no way from frame to frame stands out: the drops leave the picture between frames, or too many "
          "look "
          "alike";
      return std::nullopt;
    }
    for (int j = 0; j < cells_; ++j) {
      for (int i = 0; i < cells_; ++i) {
        if (std::abs(i - bi) <= 3 * best_reach + 1 && std::abs(j - bj) <= 3 * best_reach + 1) continue;
        if (excess[static_cast<std::size_t>(j * cells_ + i)] > o_.rival_part * best) {
          why_ = "two ways from frame to frame are about as frequent: which one the drops go cannot be told";
          return std::nullopt;
        }
      }
    }
    // Middle of what is counted there.
    double sum = 0.0, x = 0.0, y = 0.0;
    for (int j = std::max(0, bj - best_reach); j <= std::min(cells_ - 1, bj + best_reach); ++j) {
      for (int i = std::max(0, bi - best_reach); i <= std::min(cells_ - 1, bi + best_reach); ++i) {
        const double count = counts[static_cast<std::size_t>(j * cells_ + i)];
        sum += count;
        x += count * At(i, j).x;
        y += count * At(i, j).y;
      }
    }
    return Way{x / sum, y / sum};
  }

  const std::vector<ThreeFrames>& groups_;
  const std::vector<std::int64_t>& first_frame_;
  const DropTrackOptions& o_;
  double farthest_ = 0.0;
  int cells_ = 0;
  std::string why_;
};

}  // namespace

DropSpeedResult TrackDrops(const std::vector<ThreeFrames>& groups,
                           const std::vector<std::int64_t>& first_frame, int width_px, int height_px,
                           double interval_s, const DropTrackOptions& options) {
  return Tracker(groups, first_frame, width_px, height_px, options).Track(interval_s);
}

}  // namespace conebook::vision

#include "vision/onset.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <utility>

#include "vision/mirrored_grid.h"
#include "vision/scene.h"
#include "vision/statistics.h"

namespace conebook::vision {
namespace {

float LightOf(const ClipModel& model, const RowsView& rows, int x, int y) {
  const int code = model.format.bits > 8 ? rows.Row<std::uint16_t>(y)[x] : rows.Row<std::uint8_t>(y)[x];
  return model.light[static_cast<std::size_t>(code)];
}

double MedianOf(std::vector<double> values) {
  return values.empty() ? 0.0 : MedianInPlace(values);
}

}  // namespace

OnsetWatch::OnsetWatch(const ClipModel& model, const OnsetOptions& options)
    : model_(model), options_(options) {
  Place();
}

void OnsetWatch::Place() {
  const int w = model_.reading.width_px;
  const int h = model_.reading.height_px;
  const double d = model_.exit_diameter_px;
  std::vector<Spot> inside;
  std::vector<Spot> outside;
  const bool know_exit = !model_.exit_found;
  const double top = model_.exit_px.y + std::max(1.0, 0.3 * d);
  const double bottom = model_.exit_px.y + NearReachPx(model_);
  for (int y = 0; y < h; ++y) {
    for (int x = 0; x < w; ++x) {
      const double dy = y - model_.exit_px.y;
      const double dx = std::abs(x - model_.AxisX(y));
      if (know_exit) {
        if (y >= top && y <= bottom && dx <= 0.7 * d + 2.0 * dy + 2.0) {
          inside.push_back({x, y});
        } else if (OnMirroredGrid(x, w, 9) && y % 8 == 0 &&
                   (dy < -2.0 * d || dx > 0.7 * d + 3.5 * std::max(0.0, dy) + 20.0)) {
          outside.push_back({x, y});
        }
      } else if (OnMirroredGrid(x, w, 3) && y % 4 == 0) {
        inside.push_back({x, y});
        if (OnMirroredGrid(x, w, 9) && y % 8 == 0) outside.push_back({x, y});
      }
    }
  }
  edge_reach_px_ = std::max(2, static_cast<int>(std::lround(0.15 * d)));
  const auto most = static_cast<std::size_t>(options_.most_points);
  box_ = ThinMirrored(std::move(inside), w, most);
  around_ = ThinMirrored(std::move(outside), w, most);
  std::vector<Spot> grid;
  for (int y = 0; y < h; y += 4) {
    for (int x = FirstOnMirroredGrid(0, w, 3); x < w; x += 3) grid.push_back({x, y});
  }
  all_over_ = ThinMirrored(std::move(grid), w, most);
}

void OnsetWatch::Add(const RowsView& rows) {
  const bool first = first_box_.empty();
  KeepEdges(rows);
  if (first) {
    for (const Spot& p : box_) first_box_.push_back(LightOf(model_, rows, p.x, p.y));
    for (const Spot& p : around_) first_around_.push_back(LightOf(model_, rows, p.x, p.y));
    if (model_.exit_found) {
      for (const Spot& p : box_) shaken_box_.push_back(ChangeByShake(rows, p));
      for (const Spot& p : around_) shaken_around_.push_back(ChangeByShake(rows, p));
    }
    change_.push_back(0.0);
    elsewhere_.push_back(0.0);
    unrest_.push_back(0.0);
    for (const Spot& p : all_over_) last_light_.push_back(LightOf(model_, rows, p.x, p.y));
    for (const Spot& p : all_over_) shaken_all_over_.push_back(ChangeByShake(rows, p));
    return;
  }
  // Gain of the whole picture, from places without spray.
  work_.clear();
  for (std::size_t i = 0; i < around_.size(); ++i) {
    if (first_around_[i] > 0.01F)
      work_.push_back(LightOf(model_, rows, around_[i].x, around_[i].y) / first_around_[i]);
  }
  const float gain =
      work_.size() >= 60 ? std::clamp(MedianInPlace(std::span<float>(work_)), 0.2F, 5.0F) : 1.0F;
  LevelRows(rows, gain);
  change_.push_back(StrongChange(rows, box_, first_box_, shaken_box_, gain));
  elsewhere_.push_back(StrongChange(rows, around_, first_around_, shaken_around_, gain));
  unrest_.push_back(StrongChange(rows, all_over_, last_light_, shaken_all_over_, gain));
  now_light_.clear();
  for (const Spot& p : all_over_) now_light_.push_back(LightOf(model_, rows, p.x, p.y) / gain);
  std::swap(last_light_, now_light_);
}

// What a shift of the picture by some pixels may change here.
float OnsetWatch::ChangeByShake(const RowsView& rows, const Spot& spot) const {
  constexpr float kShakePx = 2.0F;
  const int x0 = std::max(spot.x - 1, 0);
  const int x1 = std::min(spot.x + 1, model_.reading.width_px - 1);
  const int y0 = std::max(spot.y - 1, 0);
  const int y1 = std::min(spot.y + 1, model_.reading.height_px - 1);
  const float gx = 0.5F * (LightOf(model_, rows, x1, spot.y) - LightOf(model_, rows, x0, spot.y));
  const float gy = 0.5F * (LightOf(model_, rows, spot.x, y1) - LightOf(model_, rows, spot.x, y0));
  return kShakePx * std::hypot(gx, gy);
}

void OnsetWatch::LevelRows(const RowsView& rows, float gain) {
  constexpr int kGroup = 16;
  constexpr std::size_t kFewestSpots = 6;
  constexpr std::size_t kFewestGroups = 5;
  constexpr double kLeastRms = 0.02;
  constexpr double kLeastLikeness = 0.8;
  row_light_.clear();
  const int groups = model_.reading.height_px / kGroup + 1;
  std::vector<std::array<std::vector<float>, 2>> ratio(static_cast<std::size_t>(groups));
  for (std::size_t i = 0; i < around_.size(); ++i) {
    if (!(first_around_[i] > 0.05F)) continue;
    const std::size_t side = around_[i].x < model_.AxisX(around_[i].y) ? 0 : 1;
    ratio[static_cast<std::size_t>(around_[i].y / kGroup)][side].push_back(
        LightOf(model_, rows, around_[i].x, around_[i].y) / (gain * first_around_[i]));
  }
  std::vector<std::pair<int, std::array<double, 2>>> known;
  std::array<double, 2> mean{0.0, 0.0};
  for (int g = 0; g < groups; ++g) {
    auto& both = ratio[static_cast<std::size_t>(g)];
    if (both[0].size() < kFewestSpots || both[1].size() < kFewestSpots) continue;
    known.push_back({g,
                     {static_cast<double>(MedianInPlace(std::span<float>(both[0]))),
                      static_cast<double>(MedianInPlace(std::span<float>(both[1])))}});
    for (std::size_t side = 0; side < 2; ++side) mean[side] += known.back().second[side];
  }
  if (known.size() < kFewestGroups) return;
  double ab = 0.0;
  double aa = 0.0;
  double bb = 0.0;
  const auto n = static_cast<double>(known.size());
  for (const auto& [g, light] : known) {
    const double a = light[0] - mean[0] / n;
    const double b = light[1] - mean[1] / n;
    ab += a * b;
    aa += a * a;
    bb += b * b;
  }
  if (!(ab > kLeastLikeness * std::sqrt(aa * bb)) || !(ab / n > kLeastRms * kLeastRms)) return;
  row_light_.assign(static_cast<std::size_t>(model_.reading.height_px), 1.0F);
  std::size_t next = 0;
  for (int y = 0; y < model_.reading.height_px; ++y) {
    const auto middle = [&](std::size_t k) { return kGroup * known[k].first + 0.5 * kGroup; };
    const auto light = [&](std::size_t k) { return 0.5 * (known[k].second[0] + known[k].second[1]); };
    while (next < known.size() && middle(next) < y) ++next;
    double out = next == 0 ? light(0) : light(known.size() - 1);
    if (next > 0 && next < known.size()) {
      const double t = (y - middle(next - 1)) / (middle(next) - middle(next - 1));
      out = light(next - 1) + t * (light(next) - light(next - 1));
    }
    row_light_[static_cast<std::size_t>(y)] = static_cast<float>(std::clamp(out, 0.2, 5.0));
  }
}

// Mean of the strongest 4 % of the changes: a clear-water cone changes little but its thin rim.
double OnsetWatch::StrongChange(const RowsView& rows, const std::vector<Spot>& spots,
                                const std::vector<float>& first, const std::vector<float>& shaken,
                                float gain) {
  work_.clear();
  for (std::size_t i = 0; i < spots.size(); ++i) {
    const float light = LightOf(model_, rows, spots[i].x, spots[i].y) / gain;
    const float row = row_light_.empty() ? 1.0F : row_light_[static_cast<std::size_t>(spots[i].y)];
    const float change = std::abs(light / row - first[i]);
    work_.push_back(shaken.empty() ? change : std::max(0.0F, change - shaken[i]));
  }
  if (work_.empty()) return 0.0;
  const auto keep = std::max<std::size_t>(1, work_.size() / 25);
  std::nth_element(work_.begin(), work_.begin() + static_cast<std::ptrdiff_t>(keep - 1), work_.end(),
                   std::greater<float>());
  double sum = 0.0;
  for (std::size_t i = 0; i < keep; ++i) sum += static_cast<double>(work_[i]);
  return sum / static_cast<double>(keep);
}

void OnsetWatch::KeepEdges(const RowsView& rows) {
  constexpr std::size_t kFirst = 5;
  constexpr std::size_t kLast = 16;
  std::vector<float> edges(box_.size(), 0.0F);
  const int right = model_.reading.width_px - 1;
  for (std::size_t i = 0; i < box_.size(); ++i) {
    const int x = std::min(box_[i].x + edge_reach_px_, right);
    edges[i] = LightOf(model_, rows, x, box_[i].y) - LightOf(model_, rows, box_[i].x, box_[i].y);
  }
  const std::size_t n = change_.size();
  if (n < kFirst) {
    first_edges_.resize(box_.size(), 0.0F);
    for (std::size_t i = 0; i < edges.size(); ++i) first_edges_[i] += edges[i];
  }
  if (last_edges_.size() < kLast) {
    last_edges_.push_back(std::move(edges));
  } else {
    last_edges_[n % kLast] = std::move(edges);
  }
}

double OnsetWatch::Likeness() const {
  std::vector<double> late(box_.size(), 0.0);
  for (const auto& edges : last_edges_) {
    for (std::size_t i = 0; i < edges.size(); ++i) late[i] += static_cast<double>(edges[i]);
  }
  double ab = 0.0;
  double aa = 0.0;
  double bb = 0.0;
  for (std::size_t i = 0; i < late.size(); ++i) {
    const auto early = static_cast<double>(first_edges_[i]);
    ab += early * late[i];
    aa += early * early;
    bb += late[i] * late[i];
  }
  return aa > 0.0 && bb > 0.0 ? ab / std::sqrt(aa * bb) : 0.0;
}

bool OnsetWatch::Calms(std::size_t first) const {
  constexpr std::size_t kFewest = 6;
  if (first < 1 + kFewest || unrest_.size() < first + kFewest) return false;
  const auto at = unrest_.begin() + static_cast<std::ptrdiff_t>(first);
  // Single frames that repeat the one before, or leap, do not count; the step itself is left out.
  const double before = MedianOf({unrest_.begin() + 1, at - 1});
  const double after = MedianOf({at + 2, unrest_.end()});
  return before > options_.most_calming * after;
}

double OnsetWatch::Level() const {
  const std::size_t n = change_.size();
  const std::size_t tail = std::min<std::size_t>(24, n / 2);
  return tail == 0 ? 0.0 : MedianOf({change_.end() - static_cast<std::ptrdiff_t>(tail), change_.end()});
}

bool OnsetWatch::Suspicious() const {
  const std::size_t n = change_.size();
  if (n < 4) return false;
  // Changes between the first frames are noise unless the spray is on already.
  const double before = MedianOf(
      {change_.begin() + 1, change_.begin() + static_cast<std::ptrdiff_t>(std::min<std::size_t>(n, 6))});
  const double now = change_.back();
  return now > 1.5 * before && now > before + options_.least_change;
}

// Grain raises the level of the frames before; what it hides in height shows in how little both levels
// scatter.
bool OnsetWatch::Sharp(std::size_t first, double step) const {
  constexpr std::size_t kLeastFrames = 6;
  const auto spread = [&](std::size_t from, std::size_t to) {
    return RobustSpread({change_.begin() + static_cast<std::ptrdiff_t>(from),
                         change_.begin() + static_cast<std::ptrdiff_t>(to)});
  };
  if (first < 1 + kLeastFrames || change_.size() < first + kLeastFrames) return false;
  return step > options_.sharp_steps * (spread(1, first) + spread(first, change_.size()));
}

std::optional<std::int64_t> OnsetWatch::FirstSprayFrame() const {
  const std::size_t n = change_.size();
  if (n < 6) return std::nullopt;
  const double level = Level();
  // Of all splits, the last frame below half of the later level, seen from the level that went before.
  double before = change_[1];
  for (int pass = 0; pass < 3; ++pass) {
    const double half = 0.5 * (before + level);
    std::size_t first = n;
    while (first > 1 && change_[first - 1] >= half) --first;
    // Single dips in a fluctuating spray are not the beginning.
    while (first > 2 && first < n) {
      std::size_t above = 0;
      const std::size_t look = std::min<std::size_t>(first, 12);
      for (std::size_t k = first - look; k < first; ++k) above += change_[k] >= half ? 1 : 0;
      if (above * 2 < look) break;
      --first;
      while (first > 1 && change_[first - 1] >= half) --first;
    }
    if (first >= n || first < 2) return std::nullopt;
    before = MedianOf({change_.begin() + 1,
                       change_.begin() + static_cast<std::ptrdiff_t>(std::max<std::size_t>(2, first))});
    const bool tall = level > options_.least_ratio * before || Sharp(first, level - before);
    if (!tall || !(level - before > options_.least_change)) {
      if (pass == 2) return std::nullopt;
    } else if (pass == 2) {
      const double still =
          MedianOf({elsewhere_.begin() + 1,
                    elsewhere_.begin() + static_cast<std::ptrdiff_t>(std::max<std::size_t>(2, first))});
      const bool doubtful = !model_.exit_found && level < options_.sure_ratio * before;
      const bool restless = before > options_.most_unrest * still + 0.5 * options_.least_change;
      if (doubtful && (restless || Likeness() > options_.most_likeness)) return std::nullopt;
      if (Calms(first)) return std::nullopt;
      // The half level marks the opening; the first liquid is in view a little earlier.
      while (first > 2 && change_[first - 1] > before + 0.15 * (level - before)) --first;
      return static_cast<std::int64_t>(first);
    }
  }
  return std::nullopt;
}

bool OnsetWatch::Settled(int frames) const {
  const auto n = static_cast<std::int64_t>(change_.size());
  if (n < frames || n % 8 != 0) return false;
  const std::optional<std::int64_t> first = FirstSprayFrame();
  if (!first || n - *first < frames) return false;
  const auto part = [&](std::int64_t a, std::int64_t b) {
    return MedianOf(
        {change_.begin() + static_cast<std::ptrdiff_t>(a), change_.begin() + static_cast<std::ptrdiff_t>(b)});
  };
  const double late = part(n - 12, n);
  const double earlier = part(n - 24, n - 12);
  return std::abs(late - earlier) < 0.1 * late || n - *first > 8L * frames;
}

std::vector<double> OnsetWatch::Change() const {
  const double level = Level();
  std::vector<double> share(change_.size(), 0.0);
  for (std::size_t k = 0; level > 0.0 && k < share.size(); ++k) share[k] = change_[k] / level;
  return share;
}

double OnsetWatch::RiseFrames() const {
  const std::optional<std::int64_t> first = FirstSprayFrame();
  if (!first) return 0.0;
  const double level = Level();
  const auto at = static_cast<std::size_t>(*first);
  const double before = MedianOf(
      {change_.begin() + 1, change_.begin() + static_cast<std::ptrdiff_t>(std::max<std::size_t>(2, at))});
  std::size_t low = at;
  while (low > 1 && change_[low - 1] > before + 0.25 * (level - before)) --low;
  std::size_t high = at;
  while (high + 1 < change_.size() && change_[high] < before + 0.75 * (level - before)) ++high;
  return static_cast<double>(high - low);
}

}  // namespace conebook::vision

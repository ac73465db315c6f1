#include "vision/grain.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdint>
#include <initializer_list>
#include <optional>
#include <utility>

#include <opencv2/core.hpp>

#include "vision/read_frame.h"
#include "vision/reading_frame.h"
#include "vision/statistics.h"

namespace conebook::vision {
namespace {

// A patch: in each of its rows the columns [x0, x1), as prefix sums see them.
struct Patch {
  int row0 = 0;
  std::vector<std::pair<int, int>> columns;
  double area_px2 = 0.0;
};

struct Pair {
  std::size_t a = 0, b = 0;
};

// Patches side by side across the spray in one stretch of rows; pairs of next but one, since a drop may lie
// across the border of neighbours.
struct Patches {
  std::vector<Patch> all;
  std::vector<Pair> pairs;
};

int EvenWidth(double width) {
  return 2 * std::max(1, static_cast<int>(std::lround(0.5 * width)));
}

class Layout {
 public:
  Layout(const ClipModel& model, double breakup_px, const GrainStretch& stretch, const GrainOptions& options)
      : model_(model) {
    const int width =
        EvenWidth(std::max(options.patch_width_px, options.patch_width_of_exit * model.exit_diameter_px));
    const double last = model.reading.height_px - 3.0 - model.exit_px.y;
    const double from = stretch.from_of_breakup * breakup_px;
    const double to = std::min(last, stretch.to_of_breakup * breakup_px);
    const double length = std::min(options.patch_of_breakup * breakup_px, to - from);
    if (length < options.least_patch_of_breakup * breakup_px) return;
    for (double z = from; z + length <= to + 0.5; z += length)
      AddRow(z, z + length, width, options.inner_part, inside_);
    // Wide cones leave the picture: air is looked for all the way down from the exit.
    for (double z = 0.0; z + length <= last; z += length) AddBeside(z, z + length, width);
  }
  const Patches& Inside() const { return inside_; }
  const Patches& Beside() const { return beside_; }

 private:
  double HalfWidth(double dy, std::size_t side) const {
    const double x = model_.guess[side].X(dy);
    const double axis = model_.AxisX(model_.exit_px.y + dy);
    return std::max(2.0, side == 0 ? axis - x : x - axis);
  }
  // Columns about `part` of the half width, the same number in every row.
  std::optional<Patch> Along(double z0, double z1, double part, int width) const {
    Patch patch;
    patch.row0 = static_cast<int>(std::lround(model_.exit_px.y + z0));
    const int row1 = static_cast<int>(std::lround(model_.exit_px.y + z1));
    for (int row = patch.row0; row < row1; ++row) {
      const double dy = row - model_.exit_px.y;
      const double half = HalfWidth(dy, part < 0.0 ? 0 : 1);
      const double centre = model_.AxisX(row) + part * half;
      const int x0 = static_cast<int>(std::lround(centre - 0.5 * width));
      if (x0 < 2 || x0 + width > model_.reading.width_px - 2) return std::nullopt;
      patch.columns.emplace_back(x0, x0 + width);
    }
    patch.area_px2 = static_cast<double>(width) * static_cast<double>(patch.columns.size());
    return patch;
  }
  // `before`: how many patches lie in a row before it.
  void Add(Patches& to, Patch patch, int before) {
    to.all.push_back(std::move(patch));
    const std::size_t n = to.all.size();
    if (before >= 2) to.pairs.push_back({n - 3, n - 1});
  }
  void AddRow(double z0, double z1, int width, double inner, Patches& to) {
    const double half = HalfWidth(z0, 0) + HalfWidth(z0, 1);
    const double step = 2.0 * (width + 1.0) / half;
    int before = 0;
    for (double part = -inner; part <= inner; part += step) {
      std::optional<Patch> patch = Along(z0, z1, part, width);
      if (patch) Add(to, std::move(*patch), before);
      before = patch ? before + 1 : 0;
    }
  }
  // Outside both sides, well beyond the boundary where the stretch is widest.
  void AddBeside(double z0, double z1, int width) {
    constexpr double kBeyond = 1.35, kLeastPx = 20.0;
    constexpr int kMostAStretch = 12;
    for (const double side : {-1.0, 1.0}) {
      const double axis = model_.AxisX(model_.exit_px.y + z1);
      const double from = kBeyond * HalfWidth(z1, side < 0.0 ? 0 : 1) + kLeastPx;
      for (int k = 0; k < kMostAStretch; ++k) {
        const int x0 = static_cast<int>(std::lround(axis + side * (from + k * (width + 1.0)) - 0.5 * width));
        if (x0 < 2 || x0 + width > model_.reading.width_px - 2) break;
        Patch patch;
        patch.row0 = static_cast<int>(std::lround(model_.exit_px.y + z0));
        const int row1 = static_cast<int>(std::lround(model_.exit_px.y + z1));
        patch.columns.assign(static_cast<std::size_t>(row1 - patch.row0), {x0, x0 + width});
        patch.area_px2 = static_cast<double>(width) * static_cast<double>(patch.columns.size());
        Add(beside_, std::move(patch), k);
      }
    }
  }

  const ClipModel& model_;
  Patches inside_, beside_;
};

// Logarithms taken once: of every code value's light and of the background.
struct Logarithms {
  explicit Logarithms(const ClipModel& model) {
    constexpr float kNoLight = 1e-6F, kDarkest = 1e-3F;
    for (const float light : model.light) of_code.push_back(std::log(std::max(light, kNoLight)));
    background = cv::max(model.background, kDarkest);
    cv::log(background, background);
  }
  std::vector<float> of_code;
  cv::Mat1f background;
};

// Means over a patch's quarters: upper left, upper right, lower left, lower right.
using Quarters = std::array<double, 4>;

double WholeOf(const Quarters& of) {
  return 0.25 * (of[0] + of[1] + of[2] + of[3]);
}

// Patch means of one frame's absorbance. Only the patches' own pixels are looked at.
class FrameMeans {
 public:
  FrameMeans(const ClipModel& model, const Logarithms& logarithms, const LumaFrame& frame)
      : model_(model),
        logarithms_(logarithms),
        rows_(ViewRows(model.reading, model.format, frame, turned_, turned_again_)) {
    std::vector<float> work;
    ln_gain_ = std::log(FrameGain(model, rows_, work));
  }
  Quarters Of(const Patch& patch) const {
    Quarters sum{};
    const std::size_t half = patch.columns.size() / 2;
    const int half_width = (patch.columns.front().second - patch.columns.front().first) / 2;
    for (std::size_t k = 0; k < 2 * half; ++k) {
      const int y = patch.row0 + static_cast<int>(k);
      for (const int side : {0, 1}) {
        const int x0 = patch.columns[k].first + side * half_width;
        const float row = model_.format.bits > 8 ? OfRow<std::uint16_t>(y, {x0, x0 + half_width})
                                                 : OfRow<std::uint8_t>(y, {x0, x0 + half_width});
        sum[static_cast<std::size_t>((k < half ? 0 : 2) + side)] += static_cast<double>(row);
      }
    }
    for (double& v : sum) v /= static_cast<double>(half) * half_width;
    return sum;
  }

 private:
  template <typename T>
  float OfRow(int y, const std::pair<int, int>& columns) const {
    constexpr float kMost = 3.9F;  // a fiftieth of the light is left: darker tells no more
    const T* code = rows_.Row<T>(y);
    const float* background = logarithms_.background[y];
    float sum = 0.0F;
    for (int x = columns.first; x < columns.second; ++x)
      sum += std::min(kMost, background[x] + ln_gain_ - logarithms_.of_code[code[x]]);
    return sum;
  }

  const ClipModel& model_;
  const Logarithms& logarithms_;
  cv::Mat turned_, turned_again_;
  RowsView rows_;
  float ln_gain_ = 0.0F;
};

// What a set of patches showed in each frame.
using Means = std::vector<std::vector<Quarters>>;  // [frame][patch]

// Area times variance of a patch, of its upper and lower half, and of its left and right half; and the mean.
struct Moments {
  double whole_px2 = 0.0, along_px2 = 0.0, across_px2 = 0.0;
  double mean = 0.0;
};

// Frames that a reading leaves out.
struct LeftOut {
  std::size_t from = 0, to = 0;
  bool Has(std::size_t k) const { return k >= from && k < to; }
};

// By pair of patches and frame: whether the two are as far apart as drops alone bring them.
using Usual = std::vector<std::vector<char>>;

Usual UsualOf(const Patches& patches, const Means& means, double most_spreads) {
  Usual usual(patches.pairs.size(), std::vector<char>(means.size(), 1));
  if (!(most_spreads > 0.0)) return usual;
  for (std::size_t p = 0; p < patches.pairs.size(); ++p) {
    std::vector<double> apart;
    for (const auto& of : means)
      apart.push_back(WholeOf(of[patches.pairs[p].a]) - WholeOf(of[patches.pairs[p].b]));
    const double spread = RobustSpread(apart);
    std::vector<double> ordered = apart;
    const double middle = QuantileInPlace(ordered, 0.5);
    for (std::size_t k = 0; k < apart.size(); ++k)
      usual[p][k] = std::abs(apart[k] - middle) <= most_spreads * spread ? 1 : 0;
  }
  return usual;
}

// Variance in time of a difference between neighbours; their own steady difference is no fluctuation.
template <typename Value>
double VarianceOf(const Means& means, const std::vector<char>& usual, const LeftOut& left_out,
                  const Value& value) {
  double sum = 0.0;
  double square = 0.0;
  double n = 0.0;
  for (std::size_t k = 0; k < means.size(); ++k) {
    if (left_out.Has(k) || usual[k] == 0) continue;
    const double d = value(means[k]);
    sum += d;
    square += d * d;
    n += 1.0;
  }
  return n > 1.0 ? std::max(0.0, square - sum * sum / n) / (n - 1.0) : 0.0;
}

Moments MomentsOf(const Patches& patches, const Means& means, const Usual& usual, const LeftOut& left_out) {
  Moments m;
  // Half the variance of the difference of some quarters' mean.
  const auto half_variance = [&](std::size_t p, std::initializer_list<std::size_t> quarters) {
    const Pair& pair = patches.pairs[p];
    return 0.5 * VarianceOf(means, usual[p], left_out, [&](const auto& of) {
             double sum = 0.0;
             for (const std::size_t q : quarters) sum += of[pair.a][q] - of[pair.b][q];
             return sum / static_cast<double>(quarters.size());
           });
  };
  for (std::size_t p = 0; p < patches.pairs.size(); ++p) {
    const double area = patches.all[patches.pairs[p].a].area_px2 / static_cast<double>(patches.pairs.size());
    m.whole_px2 += area * half_variance(p, {0, 1, 2, 3});
    m.along_px2 += 0.25 * area * (half_variance(p, {0, 1}) + half_variance(p, {2, 3}));
    m.across_px2 += 0.25 * area * (half_variance(p, {0, 2}) + half_variance(p, {1, 3}));
  }
  double all = 0.0;
  for (std::size_t k = 0; k < means.size(); ++k) {
    if (left_out.Has(k)) continue;
    for (const Quarters& v : means[k]) {
      m.mean += WholeOf(v);
      all += 1.0;
    }
  }
  m.mean /= std::max(1.0, all);
  return m;
}

// Part of their fluctuation that streaks show to patches this many times as long as they are: the mean of
// 1 - |k| / patch over the streak's triangular covariance.
double PartShown(double patch_of_streak) {
  const double x = patch_of_streak;
  return x < 1.0 ? x - x * x / 3.0 : 1.0 - 1.0 / (3.0 * x);
}
constexpr double kShortestPatch = 0.5;  // of a streak

// What whole patches show of what patches without end would, by what halves show of what whole ones do: all
// where streaks are short, half or so where they are long. Nothing for longer ones.
std::optional<double> PartOfWhole(double whole_px2, double halves_px2) {
  const double ratio = halves_px2 / whole_px2;
  const auto of = [](double x) { return PartShown(0.5 * x) / PartShown(x); };
  double low = kShortestPatch;
  double high = 1e4;
  if (!(ratio > of(low))) return std::nullopt;
  if (ratio >= of(high)) return 1.0;
  for (int i = 0; i < 60; ++i) {
    const double middle = std::sqrt(low * high);
    (of(middle) < ratio ? low : high) = middle;
  }
  return PartShown(low);
}

constexpr std::size_t kFewestPairs = 6, kFewestBeside = 4, kFewestFrames = 12;

// Why the index cannot be read before any frame is.
std::optional<std::string> Obstacle(const GrainRequest& request, const Layout& layout) {
  if (request.model->illumination == Illumination::kFrontlit) {
    return "in front light a drop's brightness hangs on the lamp and on the drop's facets: read in back "
           "light "
           "only";
  }
  if (layout.Inside().pairs.size() < kFewestPairs)
    return "too little of the spray is in view below the end of its sheet";
  if (layout.Beside().pairs.size() < kFewestBeside)
    return "too little of the picture lies beside the spray below the end of its sheet";
  if (request.frames.size() < kFewestFrames) return "too few frames";
  return std::nullopt;
}

GrainResult Reduce(const ClipModel& model, const Layout& layout, const Means& inside, const Means& beside,
                   const GrainStretch& stretch, const GrainOptions& options) {
  if (inside.size() < kFewestFrames) return {std::nullopt, "too few frames"};
  const Usual usual = UsualOf(layout.Inside(), inside, options.most_spreads);
  const Moments spray = MomentsOf(layout.Inside(), inside, usual, {});
  const Moments air =
      MomentsOf(layout.Beside(), beside, UsualOf(layout.Beside(), beside, options.most_spreads), {});
  const auto index_of = [&](const Moments& of) -> std::optional<double> {
    const double whole = of.whole_px2 - air.whole_px2;
    const double mean = of.mean - air.mean;
    if (!(whole > 0.0) || !(mean > 0.0)) return std::nullopt;
    const std::optional<double> along = PartOfWhole(whole, of.along_px2 - air.along_px2);
    const std::optional<double> across = PartOfWhole(whole, of.across_px2 - air.across_px2);
    if (!along || !across) return std::nullopt;
    return std::sqrt(whole / (*along * *across) / mean) / model.exit_diameter_px;
  };
  Grain grain;
  grain.frames = static_cast<int>(inside.size());
  grain.patches = static_cast<int>(layout.Inside().all.size());
  grain.mean_signal = spray.mean - air.mean;
  grain.noise_part = spray.whole_px2 > 0.0 ? air.whole_px2 / spray.whole_px2 : 1.0;
  constexpr double kMostNoise = 0.7;
  if (!(grain.noise_part < kMostNoise))
    return {std::nullopt, "what flickers below the end of the sheet is hardly more than the picture's noise"};
  // Of the level beside the spray: what its own patches differ by.
  std::vector<double> levels;
  for (std::size_t p = 0; p < layout.Beside().all.size(); ++p) {
    double sum = 0.0;
    for (const auto& frame : beside) sum += WholeOf(frame[p]) / static_cast<double>(beside.size());
    levels.push_back(sum);
  }
  const double u_level = RobustSpread(levels);
  if (!(grain.mean_signal > 3.0 * u_level))
    return {std::nullopt, "the drops' mean signal is hardly more than the unevenness of the light"};
  const std::optional<double> index = index_of(spray);
  // Without one block of frames at a time: the scatter (jackknife).
  std::vector<double> parts;
  if (!index)
    return {std::nullopt, "drops leave streaks longer than what is in view of them: expose more briefly"};
  for (const Block& block : ContiguousBlocks(inside.size(), options.blocks, 5)) {
    if (const auto part = index_of(MomentsOf(layout.Inside(), inside, usual, {block.first, block.last})))
      parts.push_back(*part);
  }
  grain.index = *index;
  const auto n = static_cast<double>(parts.size());
  const double u_statistics = (n - 1.0) * UncertaintyOfMean(parts).value_or(0.3 * grain.index);
  // Half of the relative u of the mean and of the noise taken off.
  const double by_level = 0.5 * u_level / grain.mean_signal;
  const double by_noise = 0.5 * 0.2 * grain.noise_part / (1.0 - grain.noise_part);
  const double by_footage = std::hypot(by_level, by_noise);
  const double by_model = std::hypot(options.u_sizes, stretch.u_shreds);
  grain.u = std::hypot(u_statistics, grain.index * std::hypot(by_footage, by_model));
  return {grain, ""};
}

}  // namespace

struct GrainReader::State {
  struct Attempt {
    const GrainStretch* stretch;
    Layout layout;
    std::string obstacle;
    Means inside, beside;
  };
  State(GrainRequest asked, const GrainOptions& wanted) : request(std::move(asked)), options(wanted) {
    for (const GrainStretch* stretch : {&options.drops_alone, &options.nearer}) {
      Attempt attempt{stretch, {*request.model, request.breakup_px, *stretch, options}, "", {}, {}};
      attempt.obstacle = Obstacle(request, attempt.layout).value_or("");
      attempts.push_back(std::move(attempt));
    }
    if (Any()) logarithms.emplace(*request.model);
  }
  bool Any() const {
    return std::any_of(attempts.begin(), attempts.end(), [](const Attempt& a) { return a.obstacle.empty(); });
  }
  GrainRequest request;
  GrainOptions options;
  std::vector<Attempt> attempts;
  std::optional<Logarithms> logarithms;
};

GrainReader::GrainReader(GrainRequest request, const GrainOptions& options)
    : state_(std::make_unique<State>(std::move(request), options)) {}

GrainReader::~GrainReader() = default;

std::vector<FrameVisit> GrainReader::Visits() {
  std::vector<FrameVisit> visits;
  State& s = *state_;
  if (!s.Any()) return visits;
  for (const std::size_t k :
       EvenIndices(s.request.frames.size(), static_cast<std::size_t>(s.options.most_frames))) {
    visits.push_back({s.request.frames[k], [&s](const LumaFrame& frame) {
                        const FrameMeans means(*s.request.model, *s.logarithms, frame);
                        const auto read = [&](const Patches& patches, Means& to) {
                          to.emplace_back();
                          for (const Patch& patch : patches.all) to.back().push_back(means.Of(patch));
                        };
                        for (State::Attempt& attempt : s.attempts) {
                          if (!attempt.obstacle.empty()) continue;
                          read(attempt.layout.Inside(), attempt.inside);
                          read(attempt.layout.Beside(), attempt.beside);
                        }
                      }});
  }
  return visits;
}

GrainResult GrainReader::Result() const {
  GrainResult result;
  for (const State::Attempt& attempt : state_->attempts) {
    if (!attempt.obstacle.empty()) {
      result = {std::nullopt, attempt.obstacle};
      continue;
    }
    result = Reduce(*state_->request.model, attempt.layout, attempt.inside, attempt.beside, *attempt.stretch,
                    state_->options);
    if (result.grain) break;
  }
  return result;
}

}  // namespace conebook::vision

#include "vision/grain.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <initializer_list>
#include <optional>
#include <utility>

#include "vision/absorbance.h"
#include "vision/ray_patches.h"
#include "vision/statistics.h"

namespace conebook::vision {
namespace {

struct Pair {
  std::size_t a = 0, b = 0;
};

// Pairs of next but one, since a drop may lie across the border of neighbours.
struct Patches {
  std::vector<RayPatch> all;
  std::vector<Pair> pairs;
  void Add(std::vector<RayPatch> patches) {
    for (RayPatch& patch : patches) {
      const bool has_pair = patch.before >= 2;
      all.push_back(std::move(patch));
      if (has_pair) pairs.push_back({all.size() - 3, all.size() - 1});
    }
  }
};

int EvenWidth(double width) {
  return 2 * std::max(1, static_cast<int>(std::lround(0.5 * width)));
}

struct Layout {
  Patches inside, beside;
};

Layout LayOut(const ClipModel& model, double breakup_px, const GrainStretch& stretch,
              const GrainOptions& options) {
  const int width =
      EvenWidth(std::max(options.patch_width_px, options.patch_width_of_exit * model.exit_diameter_px));
  const double from = stretch.from_of_breakup * breakup_px;
  const double to = std::min(LastPatchRow(model), stretch.to_of_breakup * breakup_px);
  const double length = std::min(options.patch_of_breakup * breakup_px, to - from);
  Layout layout;
  if (length < options.least_patch_of_breakup * breakup_px) return layout;
  for (double z = from; z + length <= to + 0.5; z += length)
    layout.inside.Add(PatchesAcross(model, z, z + length, options.inner_part, width));
  layout.beside.Add(PatchesBeside(model, length, width));
  return layout;
}

// Means over a patch's quarters: upper left, upper right, lower left, lower right.
using Quarters = std::array<double, 4>;

double WholeOf(const Quarters& of) {
  return 0.25 * (of[0] + of[1] + of[2] + of[3]);
}

Quarters QuartersOf(const RayPatch& patch, const FrameAbsorbance& absorbance) {
  Quarters sum{};
  const std::size_t half = patch.x.size() / 2;
  const int half_width = patch.width_px / 2;
  for (std::size_t k = 0; k < 2 * half; ++k) {
    for (const int side : {0, 1}) {
      const int x0 = patch.x[k] + side * half_width;
      sum[static_cast<std::size_t>((k < half ? 0 : 2) + side)] +=
          absorbance.Sum(patch.row0 + static_cast<int>(k), x0, x0 + half_width);
    }
  }
  for (double& v : sum) v /= static_cast<double>(half) * half_width;
  return sum;
}

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
    const double area = patches.all[patches.pairs[p].a].AreaPx2() / static_cast<double>(patches.pairs.size());
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
std::optional<std::string> Obstacle(const ShadowRequest& request, const Layout& layout) {
  if (request.model->illumination == Illumination::kFrontlit) {
    return "in front light a drop's brightness hangs on the lamp and on the drop's facets: read in back "
           "light "
           "only";
  }
  if (auto none = WhyNoAbsorbance(*request.model)) return none;
  if (layout.inside.pairs.size() < kFewestPairs)
    return "too little of the spray is in view below the end of its sheet";
  if (layout.beside.pairs.size() < kFewestBeside)
    return "too little of the picture lies beside the spray below the end of its sheet";
  if (request.frames.size() < kFewestFrames) return "too few frames";
  return std::nullopt;
}

GrainResult Reduce(const ClipModel& model, const Layout& layout, const Means& inside, const Means& beside,
                   const GrainStretch& stretch, const GrainOptions& options) {
  if (inside.size() < kFewestFrames) return {std::nullopt, "too few frames"};
  const Usual usual = UsualOf(layout.inside, inside, options.most_spreads);
  const Moments spray = MomentsOf(layout.inside, inside, usual, {});
  const Moments air =
      MomentsOf(layout.beside, beside, UsualOf(layout.beside, beside, options.most_spreads), {});
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
  grain.patches = static_cast<int>(layout.inside.all.size());
  grain.mean_signal = spray.mean - air.mean;
  grain.noise_part = spray.whole_px2 > 0.0 ? air.whole_px2 / spray.whole_px2 : 1.0;
  constexpr double kMostNoise = 0.7;
  if (!(grain.noise_part < kMostNoise))
    return {std::nullopt, "what flickers below the end of the sheet is hardly more than the picture's noise"};
  // Of the level beside the spray: what its own patches differ by.
  std::vector<double> levels;
  for (std::size_t p = 0; p < layout.beside.all.size(); ++p) {
    double sum = 0.0;
    for (const auto& frame : beside) sum += WholeOf(frame[p]) / static_cast<double>(beside.size());
    levels.push_back(sum);
  }
  const double u_level = RobustSpread(levels);
  if (!(grain.mean_signal > 3.0 * u_level))
    return {std::nullopt, "the drops' mean signal is hardly more than the unevenness of the light"};
  const std::optional<double> index = index_of(spray);
  std::vector<double> parts;
  if (!index)
    return {std::nullopt, "drops leave streaks longer than what is in view of them: expose more briefly"};
  for (const Block& block : ContiguousBlocks(inside.size(), options.blocks, 5)) {
    if (const auto part = index_of(MomentsOf(layout.inside, inside, usual, {block.first, block.last})))
      parts.push_back(*part);
  }
  grain.index = *index;
  const double u_statistics = UncertaintyWithoutBlocks(parts, 0.3 * grain.index);
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
  State(ShadowRequest asked, const GrainOptions& wanted) : request(std::move(asked)), options(wanted) {
    for (const GrainStretch* stretch : {&options.drops_alone, &options.nearer}) {
      Attempt attempt{stretch, LayOut(*request.model, request.breakup_px, *stretch, options), "", {}, {}};
      attempt.obstacle = Obstacle(request, attempt.layout).value_or("");
      attempts.push_back(std::move(attempt));
    }
    if (Any()) tables.emplace(*request.model);
  }
  bool Any() const {
    return std::any_of(attempts.begin(), attempts.end(), [](const Attempt& a) { return a.obstacle.empty(); });
  }
  void Take(const LumaFrame& frame) {
    const FrameAbsorbance absorbance(*request.model, *tables, frame);
    const auto read = [&](const Patches& patches, Means& to) {
      to.emplace_back();
      for (const RayPatch& patch : patches.all) to.back().push_back(QuartersOf(patch, absorbance));
    };
    for (Attempt& attempt : attempts) {
      if (!attempt.obstacle.empty()) continue;
      read(attempt.layout.inside, attempt.inside);
      read(attempt.layout.beside, attempt.beside);
    }
  }

  ShadowRequest request;
  GrainOptions options;
  std::vector<Attempt> attempts;
  std::optional<AbsorbanceTables> tables;
};

GrainReader::GrainReader(ShadowRequest request, const GrainOptions& options)
    : state_(std::make_unique<State>(std::move(request), options)) {}

GrainReader::~GrainReader() = default;

std::vector<FrameVisit> GrainReader::Visits() {
  State& s = *state_;
  if (!s.Any()) return {};
  return EvenVisits(s.request.frames, s.options.most_frames, [&s](const LumaFrame& frame) { s.Take(frame); });
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

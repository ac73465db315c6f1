#include "vision/grain.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdint>
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

// Patches side by side across the spray in one stretch of rows, and which are neighbours.
struct Patches {
  std::vector<Patch> all;
  std::vector<Pair> pairs;
};

class Layout {
 public:
  Layout(const ClipModel& model, double breakup_px, const GrainOptions& options) : model_(model) {
    const double width =
        std::max(options.patch_width_px, options.patch_width_of_exit * model.exit_diameter_px);
    const double last = model.reading.height_px - 3.0 - model.exit_px.y;
    const double from = options.from_of_breakup * breakup_px;
    const double to = std::min(last, options.to_of_breakup * breakup_px);
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
  std::optional<Patch> Along(double z0, double z1, double part, double offset_px, double width) const {
    Patch patch;
    patch.row0 = static_cast<int>(std::lround(model_.exit_px.y + z0));
    const int row1 = static_cast<int>(std::lround(model_.exit_px.y + z1));
    const int n = std::max(2, static_cast<int>(std::lround(width)));
    for (int row = patch.row0; row < row1; ++row) {
      const double dy = row - model_.exit_px.y;
      const double half = HalfWidth(dy, part < 0.0 ? 0 : 1);
      const double centre = model_.AxisX(row) + part * half + offset_px;
      const int x0 = static_cast<int>(std::lround(centre - 0.5 * n));
      if (x0 < 2 || x0 + n > model_.reading.width_px - 2) return std::nullopt;
      patch.columns.emplace_back(x0, x0 + n);
    }
    patch.area_px2 = static_cast<double>(n) * static_cast<double>(patch.columns.size());
    return patch;
  }
  void Add(Patches& to, std::optional<Patch> patch, bool next_to_last) {
    if (!patch) return;
    to.all.push_back(std::move(*patch));
    const std::size_t n = to.all.size();
    if (next_to_last && n >= 2) to.pairs.push_back({n - 2, n - 1});
  }
  void AddRow(double z0, double z1, double width, double inner, Patches& to) {
    const double half = HalfWidth(z0, 0) + HalfWidth(z0, 1);
    const double step = 2.0 * (width + 1.0) / half;
    bool fresh = true;
    for (double part = -inner; part <= inner; part += step) {
      const std::size_t before = to.all.size();
      Add(to, Along(z0, z1, part, 0.0, width), !fresh);
      fresh = to.all.size() == before;
    }
  }
  // Outside both sides, well beyond the boundary where the stretch is widest.
  void AddBeside(double z0, double z1, double width) {
    constexpr double kBeyond = 1.35, kLeastPx = 20.0;
    constexpr int kMostAStretch = 12;
    const int n = std::max(2, static_cast<int>(std::lround(width)));
    for (const double side : {-1.0, 1.0}) {
      const double axis = model_.AxisX(model_.exit_px.y + z1);
      const double from = kBeyond * HalfWidth(z1, side < 0.0 ? 0 : 1) + kLeastPx;
      for (int k = 0; k < kMostAStretch; ++k) {
        const int x0 = static_cast<int>(std::lround(axis + side * (from + k * (width + 1.0)) - 0.5 * n));
        if (x0 < 2 || x0 + n > model_.reading.width_px - 2) break;
        Patch patch;
        patch.row0 = static_cast<int>(std::lround(model_.exit_px.y + z0));
        const int row1 = static_cast<int>(std::lround(model_.exit_px.y + z1));
        patch.columns.assign(static_cast<std::size_t>(row1 - patch.row0), {x0, x0 + n});
        patch.area_px2 = static_cast<double>(n) * static_cast<double>(patch.columns.size());
        Add(beside_, std::move(patch), k > 0);
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
  // Means of a patch's upper and lower half.
  std::array<double, 2> Of(const Patch& patch) const {
    std::array<double, 2> sum{0.0, 0.0};
    const std::size_t half = patch.columns.size() / 2;
    for (std::size_t k = 0; k < 2 * half; ++k) {
      const int y = patch.row0 + static_cast<int>(k);
      const float row = model_.format.bits > 8 ? OfRow<std::uint16_t>(y, patch.columns[k])
                                               : OfRow<std::uint8_t>(y, patch.columns[k]);
      sum[k < half ? 0 : 1] += static_cast<double>(row) / static_cast<double>(half);
    }
    const double width = patch.columns.front().second - patch.columns.front().first;
    return {sum[0] / width, sum[1] / width};
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
using Means = std::vector<std::vector<std::array<double, 2>>>;  // [frame][patch], upper and lower half

struct Moments {
  double variance_px2 = 0.0;  // area times variance of a patch, by neighbours, as for patches without end
  double mean = 0.0;
};

// Variance in time of a difference between neighbours; their own steady difference is no fluctuation.
template <typename Value>
double VarianceOf(const Means& means, std::size_t from, std::size_t to, const Value& value) {
  double sum = 0.0;
  double square = 0.0;
  for (std::size_t k = from; k < to; ++k) {
    const double d = value(means[k]);
    sum += d;
    square += d * d;
  }
  const auto n = static_cast<double>(to - from);
  return std::max(0.0, square - sum * sum / n) / std::max(1.0, n - 1.0);
}

Moments MomentsOf(const Patches& patches, const Means& means, std::size_t from, std::size_t to) {
  Moments m;
  double whole = 0.0;
  double halves = 0.0;
  for (const Pair& pair : patches.pairs) {
    const double area = 0.5 * patches.all[pair.a].area_px2;
    whole += area * VarianceOf(means, from, to, [&](const auto& of) {
               return 0.5 * (of[pair.a][0] + of[pair.a][1] - of[pair.b][0] - of[pair.b][1]);
             });
    for (const std::size_t half : {0U, 1U}) {
      halves += 0.5 * (0.5 * area) * VarianceOf(means, from, to, [&](const auto& of) {
                  return of[pair.a][half] - of[pair.b][half];
                });
    }
  }
  const auto pairs = static_cast<double>(std::max<std::size_t>(1, patches.pairs.size()));
  // A streak of length l that a patch of length L may cut counts for 1 - l / (3 L): two lengths give the
  // limit.
  m.variance_px2 = std::max(whole, 2.0 * whole - halves) / pairs;
  double all = 0.0;
  for (std::size_t k = from; k < to; ++k) {
    for (const auto& v : means[k]) {
      m.mean += 0.5 * (v[0] + v[1]);
      all += 1.0;
    }
  }
  m.mean /= std::max(1.0, all);
  return m;
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
                   const GrainOptions& options) {
  if (inside.size() < kFewestFrames) return {std::nullopt, "too few frames"};
  const auto index_of = [&](std::size_t from, std::size_t to, Grain& grain) {
    const Moments spray = MomentsOf(layout.Inside(), inside, from, to);
    const Moments air = MomentsOf(layout.Beside(), beside, from, to);
    grain.mean_signal = spray.mean - air.mean;
    grain.noise_part = spray.variance_px2 > 0.0 ? air.variance_px2 / spray.variance_px2 : 1.0;
    const double excess = spray.variance_px2 - air.variance_px2;
    if (!(excess > 0.0) || !(grain.mean_signal > 0.0)) return 0.0;
    return std::sqrt(excess / grain.mean_signal) / model.exit_diameter_px;
  };
  Grain grain;
  grain.frames = static_cast<int>(inside.size());
  grain.patches = static_cast<int>(layout.Inside().all.size());
  grain.index = index_of(0, inside.size(), grain);
  constexpr double kMostNoise = 0.7;
  if (!(grain.index > 0.0) || grain.noise_part > kMostNoise)
    return {std::nullopt, "what flickers below the end of the sheet is hardly more than the picture's noise"};
  // Of the level beside the spray: what its own patches differ by.
  std::vector<double> levels;
  for (std::size_t p = 0; p < layout.Beside().all.size(); ++p) {
    double sum = 0.0;
    for (const auto& frame : beside)
      sum += 0.5 * (frame[p][0] + frame[p][1]) / static_cast<double>(beside.size());
    levels.push_back(sum);
  }
  const double u_level = RobustSpread(levels);
  if (grain.mean_signal < 3.0 * u_level)
    return {std::nullopt, "the drops' mean signal is hardly more than the unevenness of the light"};
  std::vector<double> blocks;
  for (const Block& block : ContiguousBlocks(inside.size(), options.blocks, 5)) {
    Grain part;
    if (const double index = index_of(block.first, block.last, part); index > 0.0) blocks.push_back(index);
  }
  const double u_statistics = UncertaintyOfMean(blocks).value_or(0.3 * grain.index);
  // Half of the relative u of the mean and of the noise taken off.
  const double by_level = 0.5 * u_level / grain.mean_signal;
  const double by_noise = 0.5 * 0.2 * grain.noise_part / (1.0 - grain.noise_part);
  grain.u = std::hypot(u_statistics, grain.index * std::hypot(by_level, by_noise));
  return {grain, ""};
}

}  // namespace

struct GrainReader::State {
  State(GrainRequest asked, const GrainOptions& wanted)
      : request(std::move(asked)), options(wanted), layout(*request.model, request.breakup_px, options) {}
  GrainRequest request;
  GrainOptions options;
  Layout layout;
  std::optional<Logarithms> logarithms;
  std::string obstacle;
  Means inside, beside;
};

GrainReader::GrainReader(GrainRequest request, const GrainOptions& options)
    : state_(std::make_unique<State>(std::move(request), options)) {
  if (auto why = Obstacle(state_->request, state_->layout)) {
    state_->obstacle = std::move(*why);
  } else {
    state_->logarithms.emplace(*state_->request.model);
  }
}

GrainReader::~GrainReader() = default;

std::vector<FrameVisit> GrainReader::Visits() {
  std::vector<FrameVisit> visits;
  if (!state_->obstacle.empty()) return visits;
  State& s = *state_;
  for (const std::size_t k :
       EvenIndices(s.request.frames.size(), static_cast<std::size_t>(s.options.most_frames))) {
    visits.push_back({s.request.frames[k], [&s](const LumaFrame& frame) {
                        const FrameMeans means(*s.request.model, *s.logarithms, frame);
                        const auto read = [&](const Patches& patches, Means& to) {
                          to.emplace_back();
                          for (const Patch& patch : patches.all) to.back().push_back(means.Of(patch));
                        };
                        read(s.layout.Inside(), s.inside);
                        read(s.layout.Beside(), s.beside);
                      }});
  }
  return visits;
}

GrainResult GrainReader::Result() const {
  if (!state_->obstacle.empty()) return {std::nullopt, state_->obstacle};
  return Reduce(*state_->request.model, state_->layout, state_->inside, state_->beside, state_->options);
}

}  // namespace conebook::vision

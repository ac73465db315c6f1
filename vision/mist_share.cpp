#include "vision/mist_share.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstddef>
#include <numeric>
#include <utility>

#include <opencv2/core.hpp>

#include "vision/absorbance.h"
#include "vision/ray_patches.h"
#include "vision/statistics.h"

namespace conebook::vision {
namespace {

constexpr std::size_t kFewestPatches = 6, kFewestFrames = 24;

// Sums over pixels: of 1, of A, of exp(-k t A) and A exp(-k t A) for k = 1 and 2, of the last weight's
// square.
struct Tilted {
  double count = 0.0, a = 0.0;
  std::array<double, 2> w{}, aw{};
  double w_squared = 0.0;
  void Add(const Tilted& other) {
    count += other.count;
    a += other.a;
    for (const std::size_t k : {0U, 1U}) {
      w[k] += other.w[k];
      aw[k] += other.aw[k];
    }
    w_squared += other.w_squared;
  }
  double Mean() const { return a / count; }
  double At(std::size_t k) const { return w[k] > 0.0 ? aw[k] / w[k] : 0.0; }
  // Of the pixels, as many as count evenly.
  double Worth() const { return w_squared > 0.0 ? w[1] * w[1] / (w_squared * count) : 0.0; }
};
using Taken = std::vector<std::vector<Tilted>>;  // [frame][patch]

// Of each patch over all frames but a block.
std::vector<Tilted> SumsOf(const Taken& taken, const std::optional<Block>& without) {
  std::vector<Tilted> sums(taken.front().size());
  for (std::size_t f = 0; f < taken.size(); ++f) {
    if (without && f >= without->first && f < without->last) continue;
    for (std::size_t p = 0; p < sums.size(); ++p) sums[p].Add(taken[f][p]);
  }
  return sums;
}

}  // namespace

struct MistReader::State {
  State(ShadowRequest asked, const MistOptions& wanted)
      : request(std::move(asked)), options(wanted), model(*request.model) {
    width = std::max(2, static_cast<int>(std::lround(std::max(
                            options.patch_width_px, options.patch_width_of_exit * model.exit_diameter_px))));
    if (const auto none = WhyNoAbsorbance(model)) {
      why = *none;
      return;
    }
    LayInside();
    beside = PatchesBeside(model, std::max(8.0, options.patch_of_breakup * request.breakup_px), width);
    if (inside.size() < kFewestPatches) {
      why = "too little of the spray is in view below the end of its sheet";
    } else if (beside.size() < kFewestPatches) {
      why = "too little of the picture lies beside the spray";
    } else if (request.frames.size() < kFewestFrames) {
      why = "too few frames";
    } else {
      Tabulate();
    }
  }

  ShadowRequest request;
  MistOptions options;
  const ClipModel& model;
  int width = 0;
  std::string why;  // nothing can be read
  std::vector<RayPatch> inside, beside;
  std::optional<AbsorbanceTables> tables;
  std::array<std::vector<float>, 2> code_tilted;
  std::array<cv::Mat1f, 2> background_tilted;
  Taken spray, air;

  void LayInside() {
    const double length = options.patch_of_breakup * request.breakup_px;
    const double to = std::min(LastPatchRow(model), options.to_of_breakup * request.breakup_px + 0.5);
    for (double z = options.from_of_breakup * request.breakup_px; z + length <= to; z += length) {
      for (RayPatch& patch : PatchesAcross(model, z, z + length, options.inner_part, width))
        inside.push_back(std::move(patch));
    }
  }

  void Tabulate() {
    tables.emplace(model);
    for (const std::size_t k : {0U, 1U}) {
      const auto t = static_cast<float>(options.tilt * static_cast<double>(k + 1));
      for (const float ln : tables->ln_light) code_tilted[k].push_back(std::exp(t * ln));
      background_tilted[k] = tables->ln_background * -t;
      cv::exp(background_tilted[k], background_tilted[k]);
    }
  }

  template <typename T>
  Tilted OfPatch(const RayPatch& patch, const FrameAbsorbance& frame) const {
    const float ln_gain = frame.LnGain();
    Tilted tilted;
    std::array<double, 2> gain{};
    for (const std::size_t k : {0U, 1U})
      gain[k] = std::exp(-options.tilt * static_cast<double>(k + 1) * static_cast<double>(ln_gain));
    for (std::size_t i = 0; i < patch.x.size(); ++i) {
      const int y = patch.row0 + static_cast<int>(i);
      const T* code = frame.Rows().Row<T>(y);
      const float* ln = tables->ln_background[y];
      for (int x = patch.x[i]; x < patch.x[i] + patch.width_px; ++x) {
        const auto a =
            static_cast<double>(std::min(kMostAbsorbance, ln[x] + ln_gain - tables->ln_light[code[x]]));
        tilted.a += a;
        double w = 0.0;
        for (const std::size_t k : {0U, 1U}) {
          w = gain[k] * static_cast<double>(background_tilted[k](y, x) * code_tilted[k][code[x]]);
          tilted.w[k] += w;
          tilted.aw[k] += w * a;
        }
        tilted.w_squared += w * w;
      }
    }
    tilted.count = patch.AreaPx2();
    return tilted;
  }

  void Take(const LumaFrame& frame) {
    const FrameAbsorbance absorbance(model, *tables, frame);
    const auto take = [&](const std::vector<RayPatch>& patches, Taken& to) {
      to.emplace_back();
      for (const RayPatch& patch : patches)
        to.back().push_back(model.format.bits > 8 ? OfPatch<std::uint16_t>(patch, absorbance)
                                                  : OfPatch<std::uint8_t>(patch, absorbance));
    };
    take(inside, spray);
    take(beside, air);
  }

  ShareResult Reduce() const {
    // What noise alone does to a(t) at t = 8 and 16, and the level beside the spray.
    std::array<double, 2> shift{};
    std::vector<double> levels;
    for (const Tilted& patch : SumsOf(air, std::nullopt)) {
      levels.push_back(patch.Mean());
      for (const std::size_t k : {0U, 1U})
        shift[k] += (patch.At(k) - patch.Mean()) / static_cast<double>(beside.size());
    }
    const double level =
        std::accumulate(levels.begin(), levels.end(), 0.0) / static_cast<double>(levels.size());
    const double u_level = RobustSpread(levels);
    double mean = 0.0;
    double worth = 0.0;
    const std::vector<Tilted> all = SumsOf(spray, std::nullopt);
    for (const Tilted& patch : all) {
      mean += (patch.Mean() - level) / static_cast<double>(all.size());
      worth += patch.Worth() / static_cast<double>(all.size());
    }
    if (!(mean > 3.0 * u_level))
      return {std::nullopt, "the drops' mean signal is hardly more than the unevenness of the light"};
    if (!(worth > options.least_worth))
      return {std::nullopt,
              "hardly a pixel is free of drops that stand out: what lies between them is not seen"};
    const auto share_without = [&](const std::optional<Block>& without) {
      double stays = 0.0;
      double whole = 0.0;
      for (const Tilted& patch : SumsOf(spray, without)) {
        stays += 2.0 * (patch.At(1) - shift[1]) - (patch.At(0) - shift[0]) - level;
        whole += patch.Mean() - level;
      }
      return stays / whole;
    };
    const double share = share_without(std::nullopt);
    std::vector<double> parts;
    for (const Block& block : ContiguousBlocks(spray.size(), options.blocks, 5))
      parts.push_back(share_without(block));
    const double u_statistics = UncertaintyWithoutBlocks(parts, 1.0);
    // Noise in the spray need not be quite that beside it: a codec smooths even air more. Common practice.
    constexpr double kNoisePart = 0.3;
    const double u = std::hypot(u_statistics, (1.0 - share) * u_level / mean,
                                kNoisePart * (2.0 * shift[1] - shift[0]) / mean);
    if (!(u < options.most_u)) return {std::nullopt, "light or noise leave too much in doubt"};
    return {ShadowShare{std::clamp(share, 0.0, 1.0), u}, ""};
  }
};

MistReader::MistReader(ShadowRequest request, const MistOptions& options)
    : state_(std::make_unique<State>(std::move(request), options)) {}

MistReader::~MistReader() = default;

std::vector<FrameVisit> MistReader::Visits() {
  State& s = *state_;
  if (!s.why.empty()) return {};
  return EvenVisits(s.request.frames, s.options.most_frames, [&s](const LumaFrame& frame) { s.Take(frame); });
}

ShareResult MistReader::Result() const {
  if (!state_->why.empty()) return {std::nullopt, state_->why};
  if (state_->spray.size() < kFewestFrames) return {std::nullopt, "too few frames"};
  return state_->Reduce();
}

}  // namespace conebook::vision

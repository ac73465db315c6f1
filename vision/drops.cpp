#include "vision/drops.h"

#include <algorithm>
#include <cmath>
#include <numbers>
#include <utility>

#include <fmt/format.h>
#include <opencv2/imgproc.hpp>

#include <calib/drop_statistics.h>

#include "vision/scene.h"
#include "vision/statistics.h"

namespace conebook::vision {
namespace {

constexpr double kPi = std::numbers::pi;
constexpr std::size_t kFewestDrops = 30;

// Travel during the exposure: the drops of a clip smear one way. Directions are averaged at twice their
// angle, since an axis has no head.
double CommonSmear(const std::vector<FrameDrops>& frames) {
  constexpr float kLeastDiameterPx = 8.0F;
  constexpr double kLeastAgreement = 0.7;
  std::vector<double> smears;
  double c = 0.0;
  double s = 0.0;
  for (const FrameDrops& frame : frames) {
    for (const FoundDrop& drop : frame.drops) {
      if (drop.from_crowd || drop.blur_px <= 0.0F || drop.diameter_px < kLeastDiameterPx) continue;
      const double turn = 2.0 * static_cast<double>(drop.smear_deg) * kPi / 180.0;
      smears.push_back(static_cast<double>(drop.smear_px));
      c += std::cos(turn);
      s += std::sin(turn);
    }
  }
  if (smears.size() < kFewestDrops) return 0.0;
  if (std::hypot(c, s) < kLeastAgreement * static_cast<double>(smears.size())) return 0.0;
  return std::max(0.0, MedianInPlace(smears));
}

// Chance that no other drop spoils the shadow of one of this diameter, for drops scattered at random. One
// that is less than half as large hardly changes the outline.
class ChanceAlone {
 public:
  ChanceAlone(std::vector<double> diameters, double pictures_px2)
      : diameters_(std::move(diameters)), pictures_px2_(pictures_px2) {
    std::sort(diameters_.begin(), diameters_.end());
    // Sums over the largest drops, of each number of them.
    const std::size_t n = diameters_.size();
    first_.assign(n + 1, 0.0);
    second_.assign(n + 1, 0.0);
    for (std::size_t k = n; k-- > 0;) {
      first_[k] = first_[k + 1] + diameters_[k];
      second_[k] = second_[k + 1] + diameters_[k] * diameters_[k];
    }
  }
  double Of(double d) const {
    constexpr double kSpoils = 0.5;
    const auto at = static_cast<std::size_t>(
        std::lower_bound(diameters_.begin(), diameters_.end(), kSpoils * d) - diameters_.begin());
    const auto count = static_cast<double>(diameters_.size() - at);
    const double touching = 0.25 * kPi * (count * d * d + 2.0 * d * first_[at] + second_[at]);
    return std::exp(-touching / pictures_px2_);
  }

 private:
  std::vector<double> diameters_, first_, second_;
  double pictures_px2_;
};

}  // namespace

const char* NameOf(DropVerdict verdict) {
  switch (verdict) {
    case DropVerdict::kResolved:
      return "resolved";
    case DropVerdict::kPartly:
      return "partly";
    case DropVerdict::kNotResolvable:
      break;
  }
  return "not_resolvable";
}

DropSizing SizeDrops(const std::vector<FrameDrops>& frames, int width_px, int height_px, double opaque,
                     const DropSizingOptions& options) {
  DropSizing sizing;
  sizing.frames = static_cast<int>(frames.size());
  sizing.width_px = width_px;
  sizing.height_px = height_px;
  sizing.opaque = opaque;
  std::vector<double> blurs;
  std::vector<double> everyone;
  int faint = 0;
  for (const FrameDrops& frame : frames) {
    faint += frame.faint;
    sizing.crowded += frame.crowded;
    sizing.at_border += frame.at_border;
    sizing.covered_share += frame.covered_share / static_cast<double>(frames.size());
    for (const FoundDrop& drop : frame.drops) {
      everyone.push_back(static_cast<double>(drop.diameter_px));
      if (!drop.from_crowd && drop.blur_px > 0.0F) blurs.push_back(static_cast<double>(drop.blur_px));
    }
  }
  if (blurs.size() < kFewestDrops) {
    sizing.out_of_focus = faint;
    sizing.below_cutoff = static_cast<int>(everyone.size());
    sizing.why = fmt::format("{} sharp round shadow{} in {} picture{}: too few", blurs.size(),
                             blurs.size() == 1 ? "" : "s", frames.size(), frames.size() == 1 ? "" : "s");
    return sizing;
  }
  constexpr double kSharpest = 0.2;
  sizing.blur_limit_px =
      std::max(options.least_blur_limit_px, options.blur_of_best * QuantileInPlace(blurs, kSharpest));
  sizing.smear_px = CommonSmear(frames);
  const double by_optics =
      std::max(options.cutoff_in_blur * sizing.blur_limit_px, options.cutoff_in_smear * sizing.smear_px);
  const auto count_from = [&](double cutoff) {
    sizing.drops.clear();
    sizing.below_cutoff = 0;
    sizing.out_of_focus = faint;
    for (std::size_t k = 0; k < frames.size(); ++k) {
      for (const FoundDrop& drop : frames[k].drops) {
        const auto d = static_cast<double>(drop.diameter_px);
        if (d < cutoff) {
          ++sizing.below_cutoff;
        } else if (drop.from_crowd) {
          continue;  // counted through the chance to be alone
        } else if (static_cast<double>(drop.blur_px) > sizing.blur_limit_px || drop.blur_px <= 0.0F) {
          ++sizing.out_of_focus;
        } else {
          sizing.drops.push_back({d, 1.0, static_cast<int>(k)});
        }
      }
    }
    sizing.cutoff_px = cutoff;
  };
  count_from(std::max(options.least_px, by_optics));
  bool small = false;
  if (sizing.drops.size() < kFewestDrops && by_optics < options.least_px) {
    count_from(std::max(options.least_partly_px, by_optics));
    small = true;
  }
  const double pictures_px2 =
      static_cast<double>(frames.size()) * static_cast<double>(width_px) * static_cast<double>(height_px);
  const ChanceAlone alone(std::move(everyone), pictures_px2);
  std::erase_if(sizing.drops, [&](SizedDrop& drop) {
    const auto border = calib::BorderWeight(width_px, height_px, drop.diameter_px, drop.diameter_px);
    if (border) drop.weight = *border / alone.Of(drop.diameter_px);
    return !border;  // nearly as large as the window
  });
  if (sizing.drops.size() < kFewestDrops) {
    sizing.why = fmt::format("{} drop{} of {:.1f} px or more in focus: too few", sizing.drops.size(),
                             sizing.drops.size() == 1 ? "" : "s", sizing.cutoff_px);
    return sizing;
  }
  // Where most of what is sharp lies below the cut-off, the numbers speak for the coarse end alone.
  constexpr double kMostBelow = 1.0;
  if (small) {
    sizing.verdict = DropVerdict::kPartly;
    sizing.why = fmt::format("hardly a drop is {:g} px or larger", options.least_px);
  } else if (sizing.below_cutoff > kMostBelow * static_cast<double>(sizing.drops.size())) {
    sizing.verdict = DropVerdict::kPartly;
    sizing.why = fmt::format("{} shadows are smaller than the {:.1f} px that can be sized, {} are not",
                             sizing.below_cutoff, sizing.cutoff_px, sizing.drops.size());
  } else {
    sizing.verdict = DropVerdict::kResolved;
  }
  return sizing;
}

cv::Mat1f SlowLevel(const cv::Mat1f& image, int box_px, double part) {
  constexpr int kStepPx = 3;
  const int nx = std::max(1, image.cols / box_px);
  const int ny = std::max(1, image.rows / box_px);
  cv::Mat1f coarse(ny, nx);
  std::vector<double> values;
  for (int j = 0; j < ny; ++j) {
    for (int i = 0; i < nx; ++i) {
      values.clear();
      for (int y = j * image.rows / ny; y < (j + 1) * image.rows / ny; y += kStepPx) {
        for (int x = i * image.cols / nx; x < (i + 1) * image.cols / nx; x += kStepPx)
          values.push_back(static_cast<double>(image(y, x)));
      }
      coarse(j, i) = static_cast<float>(QuantileInPlace(values, part));
    }
  }
  // A drop as large as a box is no slow level.
  if (nx >= 3 && ny >= 3) cv::medianBlur(coarse, coarse, 3);
  cv::Mat1f level;
  cv::resize(coarse, level, image.size(), 0.0, 0.0, cv::INTER_LINEAR);
  return level;
}

cv::Mat1f ShadeOf(const ClipModel& model, const LumaFrame& frame) {
  cv::Mat1f shade = LightImage(model, frame);
  constexpr float kDarkest = 1e-3F;
  for (int y = 0; y < shade.rows; ++y) {
    float* s = shade[y];
    const float* b = model.background[y];
    for (int x = 0; x < shade.cols; ++x) s[x] = 1.0F - s[x] / std::max(kDarkest, b[x]);
  }
  // The lamp's changes, mist and drops far out of focus.
  constexpr int kBoxPx = 64;
  const cv::Mat1f slow = SlowLevel(shade, kBoxPx, 0.5);
  for (int y = 0; y < shade.rows; ++y) {
    float* s = shade[y];
    const float* l = slow[y];
    // Of the light that is there, not of the background's.
    for (int x = 0; x < shade.cols; ++x) s[x] = (s[x] - l[x]) / std::max(0.1F, 1.0F - l[x]);
  }
  return shade;
}

double OpaqueShade(const std::vector<cv::Mat1f>& shades) {
  constexpr double kSeen = 0.35;
  constexpr int kLeastAreaPx2 = 30;
  std::vector<double> peaks;
  for (const cv::Mat1f& shade : shades) {
    cv::Mat1b mask;
    cv::compare(shade, kSeen, mask, cv::CMP_GT);
    cv::Mat1i labels;
    cv::Mat1i stats;
    cv::Mat centroids;
    const int count = cv::connectedComponentsWithStats(mask, labels, stats, centroids, 8, CV_32S);
    std::vector<std::vector<float>> values(static_cast<std::size_t>(std::max(0, count)));
    for (int y = 0; y < shade.rows; ++y) {
      for (int x = 0; x < shade.cols; ++x) {
        const int label = labels(y, x);
        if (label > 0 && stats(label, cv::CC_STAT_AREA) >= kLeastAreaPx2)
          values[static_cast<std::size_t>(label)].push_back(shade(y, x));
      }
    }
    for (auto& v : values) {
      if (v.empty()) continue;
      // Not the darkest pixel, which is noise's.
      const auto at = v.begin() + static_cast<std::ptrdiff_t>(v.size() * 17 / 20);
      std::nth_element(v.begin(), at, v.end());
      peaks.push_back(static_cast<double>(*at));
    }
  }
  constexpr std::size_t kFewest = 5;
  if (peaks.size() < kFewest) return 1.0;
  return std::clamp(QuantileInPlace(peaks, 0.8), 0.3, 1.0);
}

}  // namespace conebook::vision

#include "vision/rim_search.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <map>
#include <numbers>
#include <vector>

#include <opencv2/imgproc.hpp>

namespace conebook::vision {
namespace {

constexpr double kDegPerRad = 180.0 / std::numbers::pi;
constexpr double kReach = 0.25;      // rows looked at, parts of the picture's height
constexpr double kOutsidePx = 3.0;   // across the rim
constexpr double kStrongest = 0.97;  // quantile of the contrasts between neighbours
constexpr float kWorst = -0.5F;      // of the strongest, that a row may count against

// Contrast of each pixel as a rim against the picture `out` pixels to its left, and to its right, in the
// strongest.
struct RimMaps {
  cv::Mat1f left, right;
};

RimMaps MapsOf(const cv::Mat1f& smooth, int out, float strongest) {
  RimMaps maps{cv::Mat1f(smooth.size(), kWorst), cv::Mat1f(smooth.size(), kWorst)};
  for (int y = 0; y < smooth.rows; ++y) {
    const float* row = smooth[y];
    for (int x = out + 1; x + out + 1 < smooth.cols; ++x) {
      const float rim = std::max({row[x - 1], row[x], row[x + 1]});
      maps.left(y, x) = std::clamp((rim - row[x - out]) / strongest, kWorst, 1.0F);
      maps.right(y, x) = std::clamp((rim - row[x + out]) / strongest, kWorst, 1.0F);
    }
  }
  return maps;
}

struct Looked {
  int x = 0, y = 0;
  double angle_deg = 0.0, score = -1.0;
};

class Look {
 public:
  Look(const cv::Mat1f& picture, double r0_px) : r0_px_(r0_px) {
    cv::GaussianBlur(picture, smooth_, cv::Size(), 1.0);
    std::vector<float> steps;
    constexpr int kApart = 4;
    for (int y = 0; y < smooth_.rows; ++y) {
      for (int x = kApart; x < smooth_.cols; ++x)
        steps.push_back(std::abs(smooth_(y, x) - smooth_(y, x - kApart)));
    }
    const auto at =
        steps.begin() + static_cast<std::ptrdiff_t>(kStrongest * static_cast<double>(steps.size() - 1));
    std::nth_element(steps.begin(), at, steps.end());
    strongest_ = *at;
  }

  bool Flat() const { return !(strongest_ > 0.0F); }

  // The best place for the exit within `box` for one opening.
  Looked Best(const cv::Rect& box, double angle_deg, int row_step) {
    const double tangent = std::tan(angle_deg / kDegPerRad);
    const RimMaps& maps =
        Maps(std::max(2, static_cast<int>(std::lround(kOutsidePx * std::hypot(1.0, tangent)))));
    const int reach = static_cast<int>(kReach * smooth_.rows);
    std::vector<std::array<int, 2>> steps;  // rows down, half width
    for (int z = 2; z < reach; z += row_step)
      steps.push_back({z, static_cast<int>(std::lround(std::hypot(r0_px_, z * tangent)))});
    Looked best;
    best.angle_deg = angle_deg;
    std::vector<float> sum(static_cast<std::size_t>(box.width));
    for (int y = box.y; y < box.y + box.height; ++y) {
      std::fill(sum.begin(), sum.end(), 0.0F);
      for (const auto& [z, half] : steps) {
        if (y + z >= smooth_.rows) break;
        const float* left = maps.left[y + z];
        const float* right = maps.right[y + z];
        const int first = std::max(box.x, half);
        const int last = std::min(box.x + box.width, smooth_.cols - half);
        for (int x = first; x < last; ++x)
          sum[static_cast<std::size_t>(x - box.x)] += std::min(left[x - half], right[x + half]);
      }
      const auto top = std::max_element(sum.begin(), sum.end());
      const double score = static_cast<double>(*top) / static_cast<double>(steps.size());
      if (score > best.score) {
        best.score = score;
        best.x = box.x + static_cast<int>(top - sum.begin());
        best.y = y;
      }
    }
    return best;
  }

 private:
  const RimMaps& Maps(int out) {
    auto at = maps_.find(out);
    if (at == maps_.end()) at = maps_.emplace(out, MapsOf(smooth_, out, strongest_)).first;
    return at->second;
  }

  double r0_px_;
  cv::Mat1f smooth_;
  float strongest_ = 0.0F;
  std::map<int, RimMaps> maps_;
};

}  // namespace

std::optional<Rims> FindRims(const cv::Mat1f& liquid, double r0_px) {
  constexpr int kCoarsePx = 240;  // the shorter side, for the first look
  constexpr double kLeastDeg = 10.0, kMostDeg = 72.0, kStepDeg = 1.5, kFineDeg = 0.5;
  const int shorter = std::min(liquid.rows, liquid.cols);
  if (shorter < 60) return std::nullopt;
  const double scale = std::min(1.0, static_cast<double>(kCoarsePx) / shorter);
  cv::Mat1f small;
  cv::resize(liquid, small, cv::Size(), scale, scale, cv::INTER_AREA);
  Look coarse(small, r0_px * scale);
  if (coarse.Flat()) return std::nullopt;
  const cv::Rect above(0, 0, small.cols, static_cast<int>((1.0 - kReach) * small.rows));
  Looked best;
  for (double a = kLeastDeg; a <= kMostDeg; a += kStepDeg) {
    const Looked here = coarse.Best(above, a, 2);
    if (here.score > best.score) best = here;
  }
  if (scale == 1.0) return Rims{cv::Point2d(best.x, best.y), best.angle_deg, best.score};
  // In full size, about what was found.
  const double up = 1.0 / scale;
  const int reach = static_cast<int>(std::ceil(5.0 * up));
  const cv::Point middle(static_cast<int>((best.x + 0.5) * up), static_cast<int>((best.y + 0.5) * up));
  const cv::Rect box = cv::Rect(middle.x - reach, middle.y - reach, 2 * reach + 1, 2 * reach + 1) &
                       cv::Rect(0, 0, liquid.cols, liquid.rows);
  Look fine(liquid, r0_px);
  Looked finest;
  for (double a = best.angle_deg - 2.0; a <= best.angle_deg + 2.0; a += kFineDeg) {
    const Looked here = fine.Best(box, a, 3);
    if (here.score > finest.score) finest = here;
  }
  return Rims{cv::Point2d(finest.x, finest.y), finest.angle_deg, best.score};
}

}  // namespace conebook::vision

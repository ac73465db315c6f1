#include "vision/drop_finder.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <numbers>
#include <optional>
#include <utility>

#include <opencv2/imgproc.hpp>

#include "vision/statistics.h"

namespace conebook::vision {
namespace {

constexpr double kPi = std::numbers::pi;
constexpr double kDegPerRad = 180.0 / kPi;
constexpr double kOuter = 0.3, kHalf = 0.5, kInner = 0.7;  // levels, parts of the opaque drop's shade

// What cannot be reached from the edge without crossing the contour is within it.
void FillHoles(cv::Mat1f& shade, float level) {
  const int w = shade.cols;
  const int h = shade.rows;
  cv::Mat1b seen(h, w, std::uint8_t{0});
  std::vector<cv::Point> stack;
  const auto visit = [&](int x, int y) {
    if (x < 0 || y < 0 || x >= w || y >= h || seen(y, x) || shade(y, x) >= level) return;
    seen(y, x) = 1;
    stack.emplace_back(x, y);
  };
  for (int x = 0; x < w; ++x) {
    visit(x, 0);
    visit(x, h - 1);
  }
  for (int y = 0; y < h; ++y) {
    visit(0, y);
    visit(w - 1, y);
  }
  while (!stack.empty()) {
    const cv::Point p = stack.back();
    stack.pop_back();
    visit(p.x + 1, p.y);
    visit(p.x - 1, p.y);
    visit(p.x, p.y + 1);
    visit(p.x, p.y - 1);
  }
  for (int y = 0; y < h; ++y) {
    for (int x = 0; x < w; ++x) {
      if (!seen(y, x) && shade(y, x) < level) shade(y, x) = 2.0F * level;
    }
  }
}

// Area and first and second moments of the region above a level, linear between pixel centres.
struct Region {
  double area = 0.0, x = 0.0, y = 0.0, xx = 0.0, xy = 0.0, yy = 0.0;
};

Region RegionAbove(const cv::Mat1f& shade, float level) {
  Region sum;
  std::array<cv::Point2d, 8> polygon;
  for (int y = 0; y + 1 < shade.rows; ++y) {
    const float* a = shade[y];
    const float* b = shade[y + 1];
    for (int x = 0; x + 1 < shade.cols; ++x) {
      const std::array<float, 4> v{a[x], a[x + 1], b[x + 1], b[x]};
      const int above = (v[0] >= level) + (v[1] >= level) + (v[2] >= level) + (v[3] >= level);
      if (above == 0) continue;
      static constexpr std::array<std::array<double, 2>, 4> kCorner{{{0, 0}, {1, 0}, {1, 1}, {0, 1}}};
      std::size_t n = 0;
      for (std::size_t k = 0; k < 4; ++k) {
        const std::size_t next = (k + 1) % 4;
        if (v[k] >= level) polygon[n++] = {kCorner[k][0], kCorner[k][1]};
        if ((v[k] >= level) == (v[next] >= level)) continue;
        const double t = static_cast<double>((level - v[k]) / (v[next] - v[k]));
        polygon[n++] = {kCorner[k][0] + t * (kCorner[next][0] - kCorner[k][0]),
                        kCorner[k][1] + t * (kCorner[next][1] - kCorner[k][1])};
      }
      double area = 0.0;
      double cx = 0.0;
      double cy = 0.0;
      for (std::size_t k = 0; k < n; ++k) {
        const cv::Point2d& p = polygon[k];
        const cv::Point2d& q = polygon[(k + 1) % n];
        const double cross = p.x * q.y - q.x * p.y;
        area += 0.5 * cross;
        cx += cross * (p.x + q.x) / 6.0;
        cy += cross * (p.y + q.y) / 6.0;
      }
      if (!(area > 1e-12)) continue;
      // The second moments of a cell about its own centroid are left out: far less than a pixel's.
      const double gx = x + cx / area;
      const double gy = y + cy / area;
      sum.area += area;
      sum.x += area * gx;
      sum.y += area * gy;
      sum.xx += area * (gx * gx + 1.0 / 12.0);
      sum.xy += area * gx * gy;
      sum.yy += area * (gy * gy + 1.0 / 12.0);
    }
  }
  if (sum.area > 0.0) {
    sum.x /= sum.area;
    sum.y /= sum.area;
    sum.xx = sum.xx / sum.area - sum.x * sum.x;
    sum.yy = sum.yy / sum.area - sum.y * sum.y;
    sum.xy = sum.xy / sum.area - sum.x * sum.y;
  }
  return sum;
}

struct Axes {
  double aspect = 1.0, turn_deg = 0.0;
};

Axes AxesOf(const Region& region) {
  const double mean = 0.5 * (region.xx + region.yy);
  const double half = std::hypot(0.5 * (region.xx - region.yy), region.xy);
  if (!(mean - half > 0.0)) return {};
  return {std::sqrt((mean + half) / (mean - half)),
          0.5 * std::atan2(2.0 * region.xy, region.xx - region.yy) * kDegPerRad};
}

// Length of the ellipse of these moments in a direction.
double Extent(const Region& region, double turn_rad) {
  const double c = std::cos(turn_rad);
  const double s = std::sin(turn_rad);
  return 4.0 * std::sqrt(std::max(0.0, c * c * region.xx + 2.0 * c * s * region.xy + s * s * region.yy));
}

struct Circle {
  double x = 0.0, y = 0.0, r = 0.0;
};

// Least squares on x^2 + y^2 = 2 a x + 2 b y + c (Kasa; short arcs come out a little small).
std::optional<Circle> FitCircle(const std::vector<cv::Point2d>& points) {
  if (points.size() < 5) return std::nullopt;
  cv::Point2d middle{0.0, 0.0};
  for (const cv::Point2d& p : points) middle += p;
  middle *= 1.0 / static_cast<double>(points.size());
  cv::Matx33d normal = cv::Matx33d::zeros();
  cv::Vec3d right{0.0, 0.0, 0.0};
  for (const cv::Point2d& p : points) {
    const cv::Point2d q = p - middle;
    const cv::Vec3d row{2.0 * q.x, 2.0 * q.y, 1.0};
    for (int i = 0; i < 3; ++i) {
      for (int j = 0; j < 3; ++j) normal(i, j) += row[i] * row[j];
      right[i] += row[i] * q.dot(q);
    }
  }
  bool solved = false;
  const cv::Matx33d inverse = normal.inv(cv::DECOMP_CHOLESKY, &solved);
  if (!solved) return std::nullopt;
  const cv::Vec3d s = inverse * right;
  const double square = s[2] + s[0] * s[0] + s[1] * s[1];
  if (!(square > 0.0)) return std::nullopt;
  return Circle{s[0] + middle.x, s[1] + middle.y, std::sqrt(square)};
}

double Sample(const cv::Mat1f& image, double x, double y) {
  const int ix = std::clamp(static_cast<int>(x), 0, image.cols - 2);
  const int iy = std::clamp(static_cast<int>(y), 0, image.rows - 2);
  const double tx = std::clamp(x - ix, 0.0, 1.0);
  const double ty = std::clamp(y - iy, 0.0, 1.0);
  const auto at = [&](int a, int b) { return static_cast<double>(image(b, a)); };
  return (1.0 - ty) * ((1.0 - tx) * at(ix, iy) + tx * at(ix + 1, iy)) +
         ty * ((1.0 - tx) * at(ix, iy + 1) + tx * at(ix + 1, iy + 1));
}

// Points of an arc moved along the circle's radius to where the level is crossed.
std::vector<cv::Point2d> OnContour(const cv::Mat1f& shade, double level, const std::vector<cv::Point2d>& arc,
                                   const Circle& circle) {
  constexpr double kReach = 1.75, kStep = 0.25;
  std::vector<cv::Point2d> refined;
  for (const cv::Point2d& p : arc) {
    const double length = std::hypot(p.x - circle.x, p.y - circle.y);
    if (length < 0.5) continue;
    const cv::Point2d out{(p.x - circle.x) / length, (p.y - circle.y) / length};
    double last = Sample(shade, p.x - kReach * out.x, p.y - kReach * out.y);
    for (double t = -kReach + kStep; t <= kReach; t += kStep) {
      const double now = Sample(shade, p.x + t * out.x, p.y + t * out.y);
      if (last >= level && now < level) {
        const double cross = t - kStep * (level - now) / (last - now);
        refined.emplace_back(p.x + cross * out.x, p.y + cross * out.y);
        break;
      }
      last = now;
    }
  }
  return refined;
}

// The part of a full turn that points cover about a circle's centre, degrees.
double ArcDeg(const std::vector<cv::Point2d>& points, const Circle& circle) {
  constexpr int kSectors = 72;
  std::array<bool, kSectors> hit{};
  for (const cv::Point2d& p : points) {
    const double turn = std::atan2(p.y - circle.y, p.x - circle.x) + kPi;
    hit[static_cast<std::size_t>(
        std::clamp(static_cast<int>(turn / (2.0 * kPi) * kSectors), 0, kSectors - 1))] = true;
  }
  // Few points leave gaps between them: sectors between neighbours are theirs.
  const int gap =
      std::max(1, static_cast<int>(std::ceil(kSectors / (2.0 * kPi * std::max(1.0, circle.r)))) + 1);
  int covered = 0;
  for (int k = 0; k < kSectors; ++k) {
    bool near = false;
    for (int j = -gap; j <= gap && !near; ++j)
      near = hit[static_cast<std::size_t>((k + j + kSectors) % kSectors)];
    covered += near ? 1 : 0;
  }
  return 360.0 * std::max(0, covered - 2 * gap) / kSectors;
}

// Circles whose outlines make up the shadow's. Empty: they do not.
std::vector<Circle> TakeApart(const cv::Mat1f& shade, float level, const DropFinderOptions& options) {
  cv::Mat1b mask(shade.size());
  for (int y = 0; y < shade.rows; ++y) {
    for (int x = 0; x < shade.cols; ++x) mask(y, x) = shade(y, x) >= level ? 255 : 0;
  }
  std::vector<std::vector<cv::Point>> outlines;
  cv::findContours(mask, outlines, cv::RETR_EXTERNAL, cv::CHAIN_APPROX_NONE);
  std::vector<Circle> circles;
  std::size_t all = 0;
  std::size_t explained = 0;
  for (const std::vector<cv::Point>& outline : outlines) {
    const int n = static_cast<int>(outline.size());
    if (n < 8) {
      all += outline.size();
      continue;
    }
    all += outline.size();
    std::vector<int> cuts;
    std::vector<int> hull;
    cv::convexHull(outline, hull, false, false);
    std::sort(hull.begin(), hull.end());
    std::vector<cv::Vec4i> defects;
    if (hull.size() > 3) cv::convexityDefects(outline, hull, defects);
    for (const cv::Vec4i& defect : defects) {
      constexpr double kDefectUnits = 256.0, kLeastPx = 0.9;
      if (defect[3] / kDefectUnits > kLeastPx) cuts.push_back(defect[2]);
    }
    std::sort(cuts.begin(), cuts.end());
    std::vector<std::pair<int, int>> arcs;  // from, length
    if (cuts.empty()) {
      arcs.emplace_back(0, n);
    } else {
      for (std::size_t k = 0; k < cuts.size(); ++k) {
        const int from = cuts[k];
        const int to = k + 1 < cuts.size() ? cuts[k + 1] : cuts[0] + n;
        arcs.emplace_back(from, to - from);
      }
    }
    // Arcs of one circle may lie on both sides of another drop: each is tried with all that fit it.
    std::vector<std::vector<cv::Point2d>> points;
    for (const auto& [from, length] : arcs) {
      std::vector<cv::Point2d> arc;
      // Next to where two outlines cross, neither is its own.
      for (int k = std::min(2, length / 4); k < length - std::min(2, length / 4); ++k)
        arc.emplace_back(outline[static_cast<std::size_t>((from + k) % n)]);
      points.push_back(std::move(arc));
    }
    std::vector<char> used(points.size(), 0);
    std::vector<std::size_t> order(points.size());
    for (std::size_t k = 0; k < order.size(); ++k) order[k] = k;
    std::stable_sort(order.begin(), order.end(),
                     [&](std::size_t a, std::size_t b) { return points[a].size() > points[b].size(); });
    for (const std::size_t first : order) {
      if (used[first]) continue;
      std::vector<cv::Point2d> mine = points[first];
      std::optional<Circle> circle = FitCircle(mine);
      if (!circle || circle->r > std::max(shade.cols, shade.rows)) continue;
      std::vector<std::size_t> members{first};
      for (std::size_t other = 0; other < points.size(); ++other) {
        if (other == first || used[other] || points[other].size() < 3) continue;
        double worst = 0.0;
        for (const cv::Point2d& p : points[other])
          worst = std::max(worst, std::abs(std::hypot(p.x - circle->x, p.y - circle->y) - circle->r));
        if (worst > std::max(0.8, 0.08 * circle->r)) continue;
        members.push_back(other);
        mine.insert(mine.end(), points[other].begin(), points[other].end());
      }
      for (int pass = 0; pass < 2 && circle; ++pass) {
        const std::vector<cv::Point2d> refined = OnContour(shade, static_cast<double>(level), mine, *circle);
        circle = FitCircle(refined);
        if (!circle) break;
        mine = refined;
      }
      if (!circle) continue;
      double square = 0.0;
      for (const cv::Point2d& p : mine) {
        const double off = std::hypot(p.x - circle->x, p.y - circle->y) - circle->r;
        square += off * off;
      }
      const double off_px = std::sqrt(square / static_cast<double>(std::max<std::size_t>(1, mine.size())));
      if (off_px > std::max(0.3, 0.04 * circle->r) || ArcDeg(mine, *circle) < options.least_arc_deg) continue;
      circles.push_back(*circle);
      for (const std::size_t k : members) {
        used[k] = 1;
        explained += static_cast<std::size_t>(arcs[k].second);
      }
    }
  }
  if (all == 0 || static_cast<double>(explained) < options.least_explained * static_cast<double>(all))
    return {};
  return circles;
}

// A single shadow, cut out with a margin.
class Shadow {
 public:
  Shadow(const cv::Mat1f& shade, const cv::Mat1i& labels, int label, const cv::Rect& box)
      : origin_(box.tl()) {
    cut_ = shade(box).clone();
    peak_ = 0.0F;
    for (int y = 0; y < box.height; ++y) {
      const int* l = labels[box.y + y] + box.x;
      for (int x = 0; x < box.width; ++x) {
        if (l[x] != label && l[x] != 0) cut_(y, x) = 0.0F;  // a neighbour
        if (l[x] == label) peak_ = std::max(peak_, cut_(y, x));
      }
    }
  }
  float Peak() const { return peak_; }
  Region Above(double level) const {
    cv::Mat1f filled = cut_.clone();
    FillHoles(filled, static_cast<float>(level));
    return RegionAbove(filled, static_cast<float>(level));
  }
  // Area over that of the convex hull, at a level.
  double Solidity(double level, double area) const {
    std::vector<cv::Point2f> points;
    const auto t = static_cast<float>(level);
    for (int y = 0; y < cut_.rows; ++y) {
      for (int x = 0; x + 1 < cut_.cols; ++x) {
        const float a = cut_(y, x);
        const float b = cut_(y, x + 1);
        if ((a >= t) != (b >= t))
          points.emplace_back(static_cast<float>(x) + (t - a) / (b - a), static_cast<float>(y));
      }
    }
    for (int y = 0; y + 1 < cut_.rows; ++y) {
      for (int x = 0; x < cut_.cols; ++x) {
        const float a = cut_(y, x);
        const float b = cut_(y + 1, x);
        if ((a >= t) != (b >= t))
          points.emplace_back(static_cast<float>(x), static_cast<float>(y) + (t - a) / (b - a));
      }
    }
    if (points.size() < 3) return 1.0;
    std::vector<cv::Point2f> hull;
    cv::convexHull(points, hull);
    const double whole = cv::contourArea(hull);
    return whole > 0.0 ? area / whole : 1.0;
  }
  // Way on which the shade falls from the inner level to the outer one, where it last crosses one half along
  // a ray: median over all directions. Infinite: in half of them it never rises so far.
  double SlopePx(const cv::Point2d& centre, double reach_px, double opaque) const {
    constexpr int kRays = 72;
    constexpr double kStepPx = 0.25;
    std::vector<double> ways;
    for (int k = 0; k < kRays; ++k) {
      const double turn = 2.0 * kPi * k / kRays;
      const cv::Point2d along{std::cos(turn), std::sin(turn)};
      const auto at = [&](double r) { return Sample(cut_, centre.x + r * along.x, centre.y + r * along.y); };
      // Between a place at or above the level and the next, a step farther out, below it.
      const auto crossing = [&](double r, double level) {
        const double above = at(r);
        return r + kStepPx * std::clamp((above - level) / std::max(1e-9, above - at(r + kStepPx)), 0.0, 1.0);
      };
      double rim = reach_px;
      while (rim > 0.0 && at(rim) < kHalf * opaque) rim -= kStepPx;
      double out = rim;
      while (out < reach_px && at(out + kStepPx) >= kOuter * opaque) out += kStepPx;
      double in = rim;
      while (in > 0.0 && at(in) < kInner * opaque) in -= kStepPx;
      ways.push_back(in > 0.0 ? crossing(out, kOuter * opaque) - crossing(in, kInner * opaque)
                              : std::numeric_limits<double>::infinity());
    }
    return MedianInPlace(ways);
  }
  const cv::Mat1f& Cut() const { return cut_; }
  cv::Point Origin() const { return origin_; }

 private:
  cv::Mat1f cut_;
  cv::Point origin_;
  float peak_ = 0.0F;
};

// Where each label lies; its area. Most of a picture has none: several times as fast as the library's table
// of all labels.
struct LabelBox {
  int x0 = std::numeric_limits<int>::max(), y0 = std::numeric_limits<int>::max();
  int x1 = -1, y1 = -1;
  int area = 0;
};

std::vector<LabelBox> BoxesOf(const cv::Mat1i& labels, int count) {
  std::vector<LabelBox> boxes(static_cast<std::size_t>(std::max(1, count)));
  for (int y = 0; y < labels.rows; ++y) {
    const int* row = labels[y];
    for (int x = 0; x < labels.cols; ++x) {
      if (row[x] == 0) continue;
      LabelBox& of = boxes[static_cast<std::size_t>(row[x])];
      of.x0 = std::min(of.x0, x);
      of.x1 = std::max(of.x1, x);
      of.y0 = std::min(of.y0, y);
      of.y1 = y;
      ++of.area;
    }
  }
  return boxes;
}

double RadiusOf(double area) {
  return std::sqrt(area / kPi);
}

}  // namespace

double AreaWithin(const cv::Mat1f& shade, double level) {
  cv::Mat1f filled = shade.clone();
  FillHoles(filled, static_cast<float>(level));
  return RegionAbove(filled, static_cast<float>(level)).area;
}

FrameDrops FindDrops(const cv::Mat1f& shade, double opaque, const BlurredDiscs& discs,
                     const DropFinderOptions& options) {
  FrameDrops found;
  cv::Mat1b mask;
  cv::compare(shade, kOuter * opaque, mask, cv::CMP_GT);
  cv::Mat1i labels;
  const int count = cv::connectedComponents(mask, labels, 8, CV_32S);
  const std::vector<LabelBox> boxes = BoxesOf(labels, count);
  std::int64_t covered = 0;
  const cv::Rect all(0, 0, shade.cols, shade.rows);
  for (int label = 1; label < count; ++label) {
    const auto& [x0, y0, x1, y1, area] = boxes[static_cast<std::size_t>(label)];
    const cv::Rect tight(x0, y0, x1 - x0 + 1, y1 - y0 + 1);
    covered += area;
    if (area < 2) continue;
    if (tight.x <= 0 || tight.y <= 0 || tight.br().x >= shade.cols || tight.br().y >= shade.rows) {
      if (area >= options.least_area_px2) ++found.at_border;
      continue;
    }
    constexpr int kMargin = 2;
    const cv::Rect box = cv::Rect(tight.x - kMargin, tight.y - kMargin, tight.width + 2 * kMargin,
                                  tight.height + 2 * kMargin) &
                         all;
    const Shadow shadow(shade, labels, label, box);
    if (static_cast<double>(shadow.Peak()) < options.least_peak * opaque) {
      if (area >= options.least_area_px2) ++found.faint;
      continue;
    }
    const Region half = shadow.Above(kHalf * opaque);
    if (half.area < options.least_area_px2) continue;
    const Axes axes = AxesOf(half);
    // Of a handful of pixels the hull tells little.
    constexpr double kSmallPx2 = 20.0;
    const bool round =
        axes.aspect < options.most_aspect &&
        (half.area < kSmallPx2 || shadow.Solidity(kHalf * opaque, half.area) > options.least_solidity);
    FoundDrop drop;
    drop.aspect = static_cast<float>(axes.aspect);
    if (!round) {
      const std::vector<Circle> circles =
          TakeApart(shadow.Cut(), static_cast<float>(kHalf * opaque), options);
      if (circles.size() < 2) {
        // Long and in one piece: smeared, or no drop; left to the caller, who knows the others.
        if (circles.empty() && shadow.Solidity(kHalf * opaque, half.area) > options.least_solidity) {
          drop.x_px = static_cast<float>(box.x + half.x);
          drop.y_px = static_cast<float>(box.y + half.y);
          drop.diameter_px = static_cast<float>(2.0 * RadiusOf(half.area));
          found.drops.push_back(drop);
        } else {
          ++found.crowded;
        }
        continue;
      }
      for (const Circle& circle : circles) {
        FoundDrop part;
        part.x_px = static_cast<float>(box.x + circle.x);
        part.y_px = static_cast<float>(box.y + circle.y);
        part.diameter_px = static_cast<float>(2.0 * circle.r);
        part.from_crowd = true;
        found.drops.push_back(part);
      }
      continue;
    }
    const double r_half = RadiusOf(half.area);
    const Region outer = shadow.Above(kOuter * opaque);
    const Region inner = shadow.Above(kInner * opaque);
    const double r_outer = RadiusOf(outer.area);
    const double r_inner = RadiusOf(inner.area);
    double slope_px = r_outer - r_inner;
    if (inner.area > kSmallPx2 && shadow.Solidity(kInner * opaque, inner.area) < options.least_solidity)
      slope_px = shadow.SlopePx({half.x, half.y}, 1.5 * r_outer, opaque);
    const std::optional<double> blur =
        r_inner > 0.0 ? discs.BlurOfRadius(std::max(0.0, slope_px / r_half)) : std::nullopt;
    if (!blur) {
      ++found.faint;
      continue;
    }
    const double radius = r_half / discs.ContourPart(*blur);
    drop.x_px = static_cast<float>(box.x + half.x);
    drop.y_px = static_cast<float>(box.y + half.y);
    drop.diameter_px = static_cast<float>(2.0 * radius);
    drop.blur_px = static_cast<float>(*blur * radius);
    // Travel during the exposure turns the slope along it into a ramp: from 0.7 to 0.3 over 0.4 of the
    // travel, at both ends.
    const double turn = AxesOf(outer).turn_deg / kDegPerRad;
    const double along = Extent(outer, turn) - Extent(inner, turn);
    const double across = Extent(outer, turn + 0.5 * kPi) - Extent(inner, turn + 0.5 * kPi);
    drop.smear_px = static_cast<float>((along - across) / (2.0 * (kInner - kOuter)));
    drop.smear_deg = static_cast<float>(turn * kDegPerRad);
    found.drops.push_back(drop);
  }
  found.covered_share = static_cast<double>(covered) / static_cast<double>(std::max(1, all.area()));
  return found;
}

}  // namespace conebook::vision

#include "render/boundary_truth.h"

#include <algorithm>
#include <cmath>

namespace conebook::render {
namespace {
constexpr float kNone = -1e8F;
constexpr double kStep = 0.5;  // px between samples across
}  // namespace

BoundaryStack::BoundaryStack(int rows, double blur_px)
    : rows_(rows),
      band_(static_cast<int>(std::ceil((2.0 * (2.0 + 2.5 * blur_px) + 6.0) / kStep))),
      margin_px_(2.0 + 2.5 * blur_px) {}

void BoundaryStack::Add(const FloatImage& signal, const SheetExtent& extent) {
  ++frames_;
  for (const Side side : {kRight, kLeft}) {
    const std::vector<float>& reach = side == kRight ? extent.right : extent.left;
    const double sign = side == kRight ? 1.0 : -1.0;
    for (int row = 0; row < rows_; ++row) {
      const auto k = static_cast<std::size_t>(row);
      if (extent.seen[k] == 0) {
        start_[side].push_back(kNone);
        profile_[side].insert(profile_[side].end(), static_cast<std::size_t>(band_), 0.0F);
        continue;
      }
      const double from = static_cast<double>(reach[k]) + margin_px_;
      start_[side].push_back(static_cast<float>(from));
      const double x0 = extent.origin.x + row * extent.along.x;
      const double y0 = extent.origin.y + row * extent.along.y;
      for (int i = 0; i < band_; ++i) {
        const double d = sign * (from - kStep * i);
        profile_[side].push_back(
            static_cast<float>(signal.AtCubic(x0 + d * extent.across.x, y0 + d * extent.across.y)));
      }
    }
  }
}

void BoundaryStack::Peaks(Side side, int from, int to, std::vector<float>& peaks) const {
  for (int frame = 0; frame < frames_; ++frame) {
    for (int row = std::max(from, 0); row < std::min(to, rows_); ++row) {
      const auto k =
          static_cast<std::size_t>(frame) * static_cast<std::size_t>(rows_) + static_cast<std::size_t>(row);
      if (start_[side][k] <= kNone) continue;
      const auto begin = profile_[side].begin() + static_cast<std::ptrdiff_t>(k) * band_;
      peaks.push_back(*std::max_element(begin, begin + band_));
    }
  }
}

std::vector<std::optional<double>> BoundaryStack::Median(Side side, double level, int from, int to) const {
  std::vector<std::optional<double>> out(static_cast<std::size_t>(rows_));
  // Where a stretch of limb is lost, what shines farther within, a lamp mirrored in the sheet, is no
  // boundary.
  const int deepest = std::min(band_ - 1, static_cast<int>(std::ceil(2.0 * margin_px_ / kStep)));
  for (int row = 0; row < rows_; ++row) {
    std::vector<float> edges;
    for (int frame = from; frame < to; ++frame) {
      const auto k =
          static_cast<std::size_t>(frame) * static_cast<std::size_t>(rows_) + static_cast<std::size_t>(row);
      if (start_[side][k] <= kNone) continue;
      const float* p = profile_[side].data() + static_cast<std::ptrdiff_t>(k) * band_;
      for (int i = 1; i <= deepest; ++i) {
        const auto outer = static_cast<double>(p[i - 1]);
        const auto inner = static_cast<double>(p[i]);
        if (outer < level && inner >= level) {
          edges.push_back(start_[side][k] -
                          static_cast<float>(kStep * (i - 1 + (level - outer) / (inner - outer))));
          break;
        }
      }
    }
    if (to > from && 2 * static_cast<int>(edges.size()) >= to - from)
      out[static_cast<std::size_t>(row)] = MedianOf(std::move(edges));
  }
  return out;
}

double MedianOf(std::vector<float> values) {
  const std::size_t n = values.size();
  const auto middle = values.begin() + static_cast<std::ptrdiff_t>(n / 2);
  std::nth_element(values.begin(), middle, values.end());
  const auto upper = static_cast<double>(*middle);
  if (n % 2 == 1) return upper;
  return 0.5 * (upper + static_cast<double>(*std::max_element(values.begin(), middle)));
}

namespace {

// With weights; nothing where z does not vary.
std::optional<Line> WeightedLine(const std::vector<double>& z, const std::vector<double>& x,
                                 const std::vector<double>& weight) {
  double sw = 0.0, sz = 0.0, sx = 0.0, szz = 0.0, szx = 0.0;
  for (std::size_t i = 0; i < z.size(); ++i) {
    sw += weight[i];
    sz += weight[i] * z[i];
    sx += weight[i] * x[i];
  }
  const double mz = sz / sw;
  const double mx = sx / sw;
  for (std::size_t i = 0; i < z.size(); ++i) {
    szz += weight[i] * (z[i] - mz) * (z[i] - mz);
    szx += weight[i] * (z[i] - mz) * (x[i] - mx);
  }
  if (!(szz > 0.0)) return std::nullopt;
  return Line{mx - szx / szz * mz, szx / szz};
}

}  // namespace

std::optional<Line> RobustLine(const std::vector<double>& z, const std::vector<double>& x, double r0,
                               double odd, int least) {
  const std::size_t n = z.size();
  if (static_cast<int>(n) < least) return std::nullopt;
  std::vector<double> weight(n, 1.0);
  std::vector<double> straight = x;
  constexpr int kTowards = 30;  // first Huber's weights, which no odd row carries off; then in or out
  constexpr int kRounds = 50;
  for (int round = 0; round < kRounds; ++round) {
    const std::optional<Line> line = WeightedLine(z, straight, weight);
    if (!line) return std::nullopt;
    const auto off = [&](std::size_t i) { return std::abs(straight[i] - line->offset - line->slope * z[i]); };
    std::vector<float> size;
    for (std::size_t i = 0; i < n; ++i) size.push_back(static_cast<float>(off(i)));
    const double spread = 1.4826 * MedianOf(std::move(size));
    for (std::size_t i = 0; i < n; ++i) {
      weight[i] = round < kTowards ? std::min(1.0, (1.345 * spread + 1e-12) / (off(i) + 1e-15))
                  : off(i) <= std::max(3.0 * spread, odd) ? 1.0
                                                          : 0.0;
    }
    if (round > kTowards) continue;
    for (std::size_t i = 0; i < n; ++i) {
      const double out = std::abs(line->slope * z[i]);
      straight[i] = x[i] - (std::hypot(r0, out) - out);
    }
  }
  return WeightedLine(z, x, weight);
}

std::optional<Vec3> ContactPoint(const Camera& camera, double z_mm, double r_mm, double slope, Side side) {
  // Normal rho - slope axis, sight P = exit + z axis + r rho: their product vanishes.
  double a = 0.0, b = 0.0, c = 0.0;
  if (camera.orthographic) {
    a = camera.right.z;
    b = camera.away.z;
    c = slope * camera.axis.z;
  } else {
    a = Dot(camera.right, camera.exit_mm);
    b = Dot(camera.away, camera.exit_mm);
    c = slope * (Dot(camera.axis, camera.exit_mm) + z_mm) - r_mm;
  }
  const double size = std::hypot(a, b);
  if (!(std::abs(c) < size)) return std::nullopt;
  const double middle = std::atan2(b, a);
  const double phi = side == kRight ? middle - std::acos(c / size) : middle + std::acos(c / size);
  return camera.exit_mm + z_mm * camera.axis + (r_mm * std::cos(phi)) * camera.right +
         (r_mm * std::sin(phi)) * camera.away;
}

std::vector<std::optional<SpacePoint>> ToSpace(const Camera& camera,
                                               const std::vector<std::optional<Pixel>>& points, double r0_mm,
                                               Side side, double near_mm, double far_mm) {
  // The same camera without its lens errors.
  Camera straight = camera;
  if (!camera.orthographic) {
    straight.k1 = straight.k2 = straight.p1 = straight.p2 = 0.0;
    straight.exit_px = straight.Project(straight.exit_mm);
  }
  const double scale = straight.PxPerMmAtExit();
  const Pixel origin = straight.exit_px;
  const Pixel ahead = straight.Project(straight.exit_mm + 0.01 * straight.axis);
  const double length = std::hypot(ahead.x - origin.x, ahead.y - origin.y);
  const Pixel along{(ahead.x - origin.x) / length, (ahead.y - origin.y) / length};
  const double sign = side == kRight ? 1.0 : -1.0;
  const auto place = [&](Pixel p) {  // along, outwards; px
    const double x = p.x - origin.x;
    const double y = p.y - origin.y;
    return Pixel{x * along.x + y * along.y, sign * (x * along.y - y * along.x)};
  };
  std::vector<std::optional<Pixel>> seen;
  double farthest_mm = far_mm;
  for (const auto& p : points) {
    if (!p) {
      seen.emplace_back();
      continue;
    }
    Pixel q = *p;
    if (!camera.orthographic) q = straight.Project(camera.Ray(*p));
    seen.emplace_back(place(q));
    farthest_mm = std::max(farthest_mm, seen.back()->x / scale);
  }

  std::vector<std::optional<SpacePoint>> out(points.size());
  double tan_a = 0.5;
  for (int round = 0; round < 6; ++round) {
    // Table of the model's silhouette: where it is seen, where it touches.
    struct Knot {
      double down_px, side_px, z_mm, r_mm;
    };
    std::vector<Knot> knots;
    for (int i = 0; i <= 400; ++i) {
      const double z = 1.3 * farthest_mm * i / 400.0;
      const double r = std::hypot(r0_mm, z * tan_a);
      const auto touch = ContactPoint(straight, z, r, z * tan_a * tan_a / r, side);
      if (!touch) continue;
      const Pixel p = place(straight.Project(*touch));
      if (!knots.empty() && p.x <= knots.back().down_px) continue;
      knots.push_back({p.x, p.y, z, r});
    }
    if (knots.size() < 4) return out;
    for (std::size_t i = 0; i < seen.size(); ++i) {
      out[i].reset();
      if (!seen[i]) continue;
      const auto above = std::lower_bound(knots.begin() + 1, knots.end() - 1, seen[i]->x,
                                          [](const Knot& k, double down) { return k.down_px < down; });
      const Knot& k1 = *above;
      const Knot& k0 = *(above - 1);
      const double t = (seen[i]->x - k0.down_px) / (k1.down_px - k0.down_px);
      const double z = k0.z_mm + t * (k1.z_mm - k0.z_mm);
      const double r = std::hypot(r0_mm, z * tan_a);
      const double model = k0.side_px + t * (k1.side_px - k0.side_px);
      out[i] = SpacePoint{z, r + (seen[i]->y - model) / scale};
    }
    // A closer model, from the far half of the stations.
    double sum = 0.0;
    int n = 0;
    for (const auto& p : out) {
      if (!p || p->z_mm < 0.5 * (near_mm + far_mm) || p->z_mm > far_mm) continue;
      sum += std::sqrt(std::max(p->x_mm * p->x_mm - r0_mm * r0_mm, 0.0)) / p->z_mm;
      ++n;
    }
    if (n == 0) return out;
    tan_a = sum / n;
  }
  return out;
}

}  // namespace conebook::render

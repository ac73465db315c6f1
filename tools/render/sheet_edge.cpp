#include "render/sheet_edge.h"

#include <algorithm>
#include <cmath>
#include <numbers>

namespace conebook::render {
namespace {

constexpr double kDegree = std::numbers::pi / 180.0;
constexpr int kRings = 64;
constexpr int kAngles = 32;

double WaveMm(const SpraySetting& set, const Instant& now, double z_mm) {
  const double part = std::min(z_mm / now.breakup_mm, 1.2);
  return now.wave_part * set.wave_mm * std::exp(set.wave_growth * (part - 1.0));
}

std::optional<double> Slope(const std::vector<std::optional<double>>& x, int near_row, int far_row) {
  double n = 0.0, sz = 0.0, sx = 0.0, szz = 0.0, szx = 0.0;
  for (int row = std::max(near_row, 0); row < std::min(far_row, static_cast<int>(x.size())); ++row) {
    const auto& value = x[static_cast<std::size_t>(row)];
    if (!value) continue;
    const double z = row;
    n += 1.0;
    sz += z;
    sx += *value;
    szz += z * z;
    szx += z * *value;
  }
  if (n < 8.0) return std::nullopt;
  return (szx - sz * sx / n) / (szz - sz * sz / n);
}

}  // namespace

SheetEdge::SheetEdge(const Spray& spray, const Camera& nozzle, double lean_deg, double exposure_s,
                     const Instant& steady, double last_mm)
    : spray_(spray), exposure_s_(exposure_s), eta_(kAngles) {
  const double smear_px = 1e3 * exposure_s * steady.axial_m_s * nozzle.PxPerMmAtExit();
  parts_ = std::clamp(static_cast<int>(std::ceil(smear_px / 5.0)), 1, 6);
  const Camera camera = Leaned(nozzle, lean_deg);
  SheetExtent axes;
  axes.Reset(nozzle, {}, 1);
  const auto down_px = [&](Pixel p) {
    return (p.x - axes.origin.x) * axes.along.x + (p.y - axes.origin.y) * axes.along.y;
  };
  const auto side_px = [&](Pixel p) {
    return (p.x - axes.origin.x) * axes.across.x + (p.y - axes.origin.y) * axes.across.y;
  };
  for (const Side side : {kRight, kLeft}) {
    const double sign = side == kRight ? 1.0 : -1.0;
    for (int i = 1; i <= kRings; ++i) {
      Ring ring;
      ring.z_mm = last_mm * i / kRings;
      ring.radius_mm = spray.RadiusAt(ring.z_mm, steady.tan_a, steady.closes_mm);
      const Vec3 centre = camera.exit_mm + ring.z_mm * camera.axis;
      double middle = side == kRight ? 0.0 : std::numbers::pi;
      const auto touch = ContactPoint(camera, ring.z_mm, ring.radius_mm,
                                      spray.SlopeAt(ring.z_mm, steady.tan_a, steady.closes_mm), side);
      if (touch) {
        const Vec3 spoke = *touch - centre;
        const double turn = std::atan2(Dot(spoke, camera.away), sign * Dot(spoke, camera.right));
        turn_rad_ = std::max(turn_rad_, std::abs(turn));
        middle = side == kRight ? turn : std::numbers::pi - turn;
        ring.row_px = down_px(camera.Project(*touch));
      } else {
        ring.row_px = down_px(camera.Project(centre));
      }
      // Far enough around that a crest of several standard deviations cannot lie outermost beyond it.
      const double crest = 6.0 * WaveMm(spray.setting, steady, ring.z_mm) / ring.radius_mm;
      const double reach = std::clamp(std::acos(std::max(1.0 - crest, -1.0)) + 0.1, 0.2, 1.3);
      std::vector<double> angles;
      for (int j = 0; j < kAngles; ++j) {
        const double phi = middle + reach * (2.0 * (j + 0.5) / kAngles - 1.0);
        angles.push_back(phi);
        const Vec3 spoke = std::cos(phi) * camera.right + std::sin(phi) * camera.away;
        const double here = sign * side_px(camera.Project(centre + ring.radius_mm * spoke));
        const double beyond = sign * side_px(camera.Project(centre + (ring.radius_mm + 0.01) * spoke));
        ring.edge_px.push_back(static_cast<float>(here));
        ring.px_per_mm.push_back(static_cast<float>((beyond - here) / 0.01));
      }
      for (const Spray::Mode& mode : spray.modes) {
        for (const double phi : angles) {
          ring.cosine.push_back(static_cast<float>(std::cos(mode.swirl * phi)));
          ring.sine.push_back(static_cast<float>(std::sin(mode.swirl * phi)));
        }
      }
      rings_[side].push_back(std::move(ring));
    }
  }
}

void SheetEdge::Add(const Instant& now) {
  ++instants_;
  const SpraySetting& set = spray_.setting;
  const std::size_t modes = spray_.modes.size();
  wave_cosine_.resize(modes);
  wave_sine_.resize(modes);
  turn_cosine_.resize(modes);
  turn_sine_.resize(modes);
  const double step_mm = 1e3 * exposure_s_ / parts_ * now.axial_m_s;
  const double first_mm = now.travel_mm - 0.5 * (parts_ - 1) * step_mm;
  for (std::size_t m = 0; m < modes; ++m) {
    const Spray::Mode& mode = spray_.modes[m];
    turn_cosine_[m] = static_cast<float>(std::cos(mode.wave_rad_mm * mode.speed * step_mm));
    turn_sine_[m] = static_cast<float>(-std::sin(mode.wave_rad_mm * mode.speed * step_mm));
  }
  for (std::size_t k = 0; k < kRings; ++k) {
    const double z_mm = rings_[kRight][k].z_mm;
    const double wave_mm = WaveMm(set, now, z_mm);
    for (auto& v : edges_) v.clear();
    for (int part = 0; part < parts_; ++part) {
      const double late_s = ((part + 0.5) / parts_ - 0.5) * exposure_s_;
      for (std::size_t m = 0; m < modes; ++m) {
        if (part == 0) {
          const Spray::Mode& mode = spray_.modes[m];
          const double theta = mode.wave_rad_mm * (z_mm - mode.speed * first_mm) + mode.phase;
          wave_cosine_[m] = static_cast<float>(wave_mm * mode.share * std::cos(theta));
          wave_sine_[m] = static_cast<float>(wave_mm * mode.share * std::sin(theta));
        } else {
          const float c = wave_cosine_[m];
          const float s = wave_sine_[m];
          wave_cosine_[m] = c * turn_cosine_[m] - s * turn_sine_[m];
          wave_sine_[m] = s * turn_cosine_[m] + c * turn_sine_[m];
        }
      }
      double tan_a = now.tan_a;
      if (set.pulsation_deg > 0.0) {
        const double since_s = now.time_s + late_s - 1e-3 * z_mm / now.axial_m_s;
        tan_a = std::tan(std::atan(now.tan_a) +
                         set.pulsation_deg * kDegree *
                             std::sin(2.0 * std::numbers::pi * set.pulsation_hz * since_s));
      }
      const double radius_mm = spray_.RadiusAt(z_mm, tan_a, now.closes_mm);
      for (const Side side : {kRight, kLeft}) {
        const Ring& ring = rings_[side][k];
        float* eta = eta_.data();
        std::fill(eta, eta + kAngles, static_cast<float>(radius_mm - ring.radius_mm));
        for (std::size_t m = 0; m < modes; ++m) {
          const float* cosine = ring.cosine.data() + m * kAngles;
          const float* sine = ring.sine.data() + m * kAngles;
          const float c = wave_cosine_[m];
          const float s = wave_sine_[m];
          for (int j = 0; j < kAngles; ++j) eta[j] += cosine[j] * c - sine[j] * s;
        }
        float edge = -1e9F;
        for (std::size_t j = 0; j < kAngles; ++j)
          edge = std::max(edge, ring.edge_px[j] + ring.px_per_mm[j] * eta[j]);
        edges_[side].push_back(edge);
      }
    }
    // A smeared edge is found where the sheet is for a part of the exposure.
    for (const Side side : {kRight, kLeft}) {
      std::vector<float>& edges = edges_[side];
      std::sort(edges.begin(), edges.end());
      const double place = std::clamp((1.0 - kBoundaryPart) * parts_ - 0.5, 0.0, parts_ - 1.0);
      const auto low = static_cast<std::size_t>(place);
      const std::size_t high = std::min(low + 1, edges.size() - 1);
      const auto rest = static_cast<float>(place - static_cast<double>(low));
      edge_px_[side].push_back((1.0F - rest) * edges[low] + rest * edges[high]);
    }
  }
}

std::vector<float> SheetEdge::Medians(Side side, int from, int to) const {
  std::vector<float> out, values;
  for (std::size_t ring = 0; ring < kRings; ++ring) {
    values.clear();
    for (int i = from; i < to; ++i)
      values.push_back(edge_px_[side][static_cast<std::size_t>(i) * kRings + ring]);
    out.push_back(static_cast<float>(MedianOf(values)));
  }
  return out;
}

std::vector<double> SheetEdge::Difference(Side side, int from, int to, int less_from, int less_to,
                                          int rows) const {
  const std::vector<float> a = Medians(side, from, to);
  const std::vector<float> b = Medians(side, less_from, less_to);
  const std::vector<Ring>& rings = rings_[side];
  std::vector<double> out;
  std::size_t ring = 1;
  for (int row = 0; row < rows; ++row) {
    while (ring + 1 < rings.size() && rings[ring].row_px < row) ++ring;
    const double gap = rings[ring].row_px - rings[ring - 1].row_px;
    const double part = gap > 0.0 ? std::clamp((row - rings[ring - 1].row_px) / gap, 0.0, 1.0) : 0.0;
    const auto difference = [&](std::size_t k) {
      return static_cast<double>(a[k]) - static_cast<double>(b[k]);
    };
    out.push_back((1.0 - part) * difference(ring - 1) + part * difference(ring));
  }
  return out;
}

std::vector<std::optional<double>> LongTimeBoundary::Median(Side side, double level) const {
  auto out = stack.Median(side, level);
  if (stack.Frames() == 0) return out;
  const auto more = edge.Difference(side, 0, edge.Instants(), 0, stack.Frames(), stack.Rows());
  for (std::size_t row = 0; row < out.size(); ++row) {
    if (out[row]) *out[row] += more[row];
  }
  return out;
}

std::optional<LongTimeBoundary::Error> LongTimeBoundary::ErrorDeg(const std::array<double, 2>& levels,
                                                                  int near_row, int far_row) const {
  const int groups = std::clamp(stack.Frames() / 4, 6, 12);
  const int pictures = stack.Frames() / groups;
  const int instants = edge.Instants() / groups;
  if (pictures < 2 || instants < 2) return std::nullopt;
  Error error;
  for (const bool of_pictures : {true, false}) {
    double sum = 0.0, squares = 0.0;
    for (int g = 0; g < groups; ++g) {
      double angle = 0.0;
      for (const Side side : {kRight, kLeft}) {
        const auto whole = Slope(stack.Median(side, levels[side]), near_row, far_row);
        if (!whole) return std::nullopt;
        std::vector<std::optional<double>> x(static_cast<std::size_t>(stack.Rows()));
        if (of_pictures) {
          x = stack.Median(side, levels[side], g * pictures, (g + 1) * pictures);
          const auto less =
              edge.Difference(side, 0, stack.Frames(), g * pictures, (g + 1) * pictures, stack.Rows());
          for (std::size_t row = 0; row < x.size(); ++row) {
            if (x[row]) *x[row] += less[row];
          }
        } else {
          const auto part =
              edge.Difference(side, g * instants, (g + 1) * instants, 0, edge.Instants(), stack.Rows());
          std::copy(part.begin(), part.end(), x.begin());
        }
        const auto slope = Slope(x, near_row, far_row);
        if (!slope) return std::nullopt;
        const double turn = of_pictures ? *slope - *whole : *slope;
        angle += 0.5 * turn / (1.0 + *whole * *whole) / kDegree;
      }
      sum += angle;
      squares += angle * angle;
    }
    const double variance = (squares - sum * sum / groups) / (groups - 1) / groups;
    // The middle of four is a better mean than the middle of many: variances 0.298 to pi / 2 / n of a normal
    // one.
    const double factor = of_pictures ? 1.15 : 1.0;
    (of_pictures ? error.pictures_deg : error.geometry_deg) = factor * std::sqrt(std::max(variance, 0.0));
  }
  return error;
}

}  // namespace conebook::render

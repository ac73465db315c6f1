#include "vision/solid_shape.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>

#include <Eigen/Eigenvalues>
#include <fmt/format.h>

#include <calib/cone_projection.h>
#include <calib/error.h>

#include "vision/body_edges.h"
#include "vision/scale_common.h"
#include "vision/solid_edges.h"
#include "vision/statistics.h"

namespace conebook::vision {
namespace {

using calib::ConeCamera;
using calib::Contribution;
using calib::Shared;

constexpr double kDegPerRad = 180.0 / std::numbers::pi;
constexpr double kPart = 0.5, kLowPart = 0.3, kHighPart = 0.7;
constexpr double kTwoSided95 = 1.96;
constexpr double kMostTiltDeg = 45.0;

struct Angles {
  double left = 0.0, right = 0.0;
  double Mean() const { return 0.5 * (left + right); }
  double Lean() const { return 0.5 * (right - left); }
};

Angles operator-(const Angles& a, const Angles& b) {
  return {a.left - b.left, a.right - b.right};
}

struct Shot {
  SolidEdges edges;
  double waviness_deg = 0.0;  // what the edges' scatter can turn the mean of both sides by
};

// The rig's camera with the tip in the exit's place. Angles do not depend on the scale: focal length over
// distance is all that counts, so what is not stated may be anything that keeps it.
ConeCamera CameraFor(const View& view, cv::Size picture, const cv::Point2d& tip) {
  ConeCamera camera;
  camera.exit_px = {tip.x, tip.y};
  camera.axis_deg = view.axis_deg.value;
  camera.tilt_deg = view.tilt_deg.value;
  camera.centre_x_px = 0.5 * (picture.width - 1);
  camera.centre_y_px = 0.5 * (picture.height - 1);
  camera.px_per_mm = view.px_per_mm ? view.px_per_mm->value : 1.0;
  if (view.lens) {
    camera.lens = calib::LensForImage(*view.lens, picture.width, picture.height);
    if (!camera.lens) {
      throw calib::InputError(
          fmt::format("the lens file is for {} x {} px, the picture is {} x {} px, of another "
                      "shape; film the cone in the mode that the lens was calibrated in",
                      view.lens->width_px, view.lens->height_px, picture.width, picture.height));
    }
    camera.distance_mm = camera.lens->fx_px / camera.px_per_mm;
  } else if (view.focal_px) {
    camera.distance_mm = view.focal_px->value / camera.px_per_mm;
  } else if (view.distance_mm && view.px_per_mm) {
    camera.distance_mm = view.distance_mm->value;
  }
  return camera;
}

std::optional<Angles> AnglesOf(const SolidEdges& edges, const ConeCamera& camera,
                               const SolidOptions& options) {
  const calib::ConeProjection projection(camera);
  std::array<calib::SilhouetteLine, 2> lines;
  for (std::size_t side = 0; side < 2; ++side) {
    std::vector<double> z, x;
    for (const cv::Point2d& p : edges.points[side]) {
      const calib::AxisPlanePoint at = projection.MmFromPx({p.x, p.y});
      z.push_back(at.z_mm);
      x.push_back(at.x_mm);
    }
    RobustLineOptions how;
    how.floor = 0.5 / camera.px_per_mm;
    how.min_points = options.least_points;
    const auto line = FitRobustLine(z, x, how);
    if (!line) return std::nullopt;
    lines[side] = {line->intercept, line->slope};
  }
  if (options.kind == SolidKind::kCone) {
    const calib::SideAngles sides = projection.HalfAnglesDeg(lines[0], lines[1]);
    return Angles{sides.left_deg, sides.right_deg};
  }
  return Angles{std::atan(-lines[0].slope) * kDegPerRad, std::atan(lines[1].slope) * kDegPerRad};
}

// Slope error of a line through the edge's points, which scatter together over some length of it.
double WavinessDeg(const SolidEdges& edges) {
  double square = 0.0;
  for (const std::vector<cv::Point2d>& points : edges.points) {
    const cv::Point2d along = (points.back() - points.front()) / cv::norm(points.back() - points.front());
    std::vector<double> s, x;
    for (const cv::Point2d& p : points) {
      s.push_back(p.dot(along));
      x.push_back(p.dot({-along.y, along.x}));
    }
    RobustLineOptions how;
    how.floor = 0.5;
    const auto line = FitRobustLine(s, x, how);
    if (!line) continue;
    std::vector<double> residuals;
    for (std::size_t i = 0; i < s.size(); ++i) residuals.push_back(x[i] - line->Y(s[i]));
    const double independent = EffectiveSampleSize(residuals);
    const double length = s.back() - s.front();
    const double u = line->residual_sd * std::sqrt(12.0 / independent) / length * kDegPerRad;
    square += u * u;
  }
  return 0.5 * std::sqrt(square);
}

class Meter {
 public:
  Meter(const std::vector<Picture>& pictures, const View& view, const SolidOptions& options)
      : view_(view), options_(options) {
    for (const Picture& picture : pictures) {
      const cv::Mat1f light = LightOfPicture(picture.grey);
      bool found = false;
      for (const cv::Mat1b& shape : DarkShapes(light, options)) {
        const auto edges = EdgesOf(light, shape, view.axis_deg.value, kPart, options);
        if (!edges) continue;
        const auto low = EdgesOf(light, shape, view.axis_deg.value, kLowPart, options);
        const auto high = EdgesOf(light, shape, view.axis_deg.value, kHighPart, options);
        size_ = picture.grey.size();
        shots_.push_back({*edges, WavinessDeg(*edges)});
        if (low && high) {
          const auto a = AnglesOf(*low, CameraFor(view, size_, low->tip), options);
          const auto b = AnglesOf(*high, CameraFor(view, size_, high->tip), options);
          if (a && b) threshold_.push_back(*b - *a);
        }
        found = true;
        break;
      }
      if (!found) ++without_;
    }
  }

  bool Any() const { return !shots_.empty(); }
  int Without() const { return without_; }
  const std::vector<Shot>& Shots() const { return shots_; }
  cv::Size Size() const { return size_; }

  // Mean over the pictures, each with the rig's camera as `change` leaves it.
  template <typename Changed>
  Angles MeanWith(Changed change, std::vector<Angles>* each = nullptr) const {
    Angles sum;
    for (const Shot& shot : shots_) {
      ConeCamera camera = CameraFor(view_, size_, shot.edges.tip);
      change(camera);
      const auto angles = AnglesOf(shot.edges, camera, options_);
      if (!angles)
        throw calib::InputError("the shape's sides are lost in space; check tilt and distance in the rig");
      sum.left += angles->left / static_cast<double>(shots_.size());
      sum.right += angles->right / static_cast<double>(shots_.size());
      if (each != nullptr) each->push_back(*angles);
    }
    return sum;
  }

  Angles Threshold() const {
    Angles mean;
    for (const Angles& one : threshold_) {
      mean.left += one.left / static_cast<double>(threshold_.size());
      mean.right += one.right / static_cast<double>(threshold_.size());
    }
    return mean;
  }

 private:
  const View& view_;
  const SolidOptions& options_;
  std::vector<Shot> shots_;
  std::vector<Angles> threshold_;
  cv::Size size_;
  int without_ = 0;
};

struct Budgets {
  std::vector<Contribution> mean, left, right, lean;
  void Add(const std::string& source, Shared shared, const Angles& e) {
    Add(source, shared, e.left, e.right, e.Mean(), e.Lean());
  }
  void Add(const std::string& source, Shared shared, double l, double r, double m, double n,
           double dof = std::numeric_limits<double>::infinity()) {
    left.push_back({source, std::abs(l), shared, dof});
    right.push_back({source, std::abs(r), shared, dof});
    mean.push_back({source, std::abs(m), shared, dof});
    lean.push_back({source, std::abs(n), shared, dof});
  }
};

double SpreadOfMean(const std::vector<Angles>& each, double (*of)(const Angles&)) {
  double mean = 0.0, sum = 0.0;
  const auto n = static_cast<double>(each.size());
  for (const Angles& one : each) mean += of(one) / n;
  for (const Angles& one : each) sum += (of(one) - mean) * (of(one) - mean);
  return std::sqrt(sum / (n - 1.0) / n);
}

void AddStatistics(const Meter& meter, const std::vector<Angles>& each, Budgets& budgets) {
  double waviness = 0.0;
  for (const Shot& shot : meter.Shots()) waviness += shot.waviness_deg / static_cast<double>(each.size());
  // The same edge in every picture: waviness does not average out.
  const double root2 = std::numbers::sqrt2;
  budgets.Add("edges, scatter along them", Shared::kClip, root2 * waviness, root2 * waviness, waviness,
              waviness);
  if (each.size() < 2) return;
  budgets.Add("scatter from picture to picture", Shared::kFrames,
              SpreadOfMean(each, [](const Angles& a) { return a.left; }),
              SpreadOfMean(each, [](const Angles& a) { return a.right; }),
              SpreadOfMean(each, [](const Angles& a) { return a.Mean(); }),
              SpreadOfMean(each, [](const Angles& a) { return a.Lean(); }),
              static_cast<double>(each.size()) - 1.0);
}

void AddLens(const Meter& meter, const View& view, const Angles& base, Budgets& budgets) {
  const ConeCamera camera = CameraFor(view, meter.Size(), meter.Shots()[0].edges.tip);
  if (camera.lens) {
    if (!camera.lens->covariance) return;
    const Eigen::SelfAdjointEigenSolver<Eigen::Matrix<double, 9, 9>> axes(*camera.lens->covariance);
    const calib::LensVector best = calib::ParametersOf(*camera.lens);
    double l = 0.0, r = 0.0, m = 0.0, n = 0.0;
    for (int i = 0; i < 9; ++i) {
      if (!(axes.eigenvalues()[i] > 0.0)) continue;
      const calib::LensVector step = std::sqrt(axes.eigenvalues()[i]) * axes.eigenvectors().col(i);
      const Angles e = meter.MeanWith([&](ConeCamera& c) {
        calib::SetParameters(*c.lens, best + step);
        c.distance_mm = c.lens->fx_px / c.px_per_mm;
      }) - base;
      l += e.left * e.left;
      r += e.right * e.right;
      m += e.Mean() * e.Mean();
      n += e.Lean() * e.Lean();
    }
    budgets.Add("lens (as calibrated)", Shared::kRig, std::sqrt(l), std::sqrt(r), std::sqrt(m), std::sqrt(n));
    return;
  }
  const double usual_focal = 1.4 * std::max(meter.Size().width, meter.Size().height);
  if (camera.distance_mm) {
    const double part = view.focal_px ? view.focal_px->u / view.focal_px->value
                                      : view.distance_mm->u / view.distance_mm->value;
    budgets.Add("camera distance", Shared::kRig,
                meter.MeanWith([&](ConeCamera& c) { c.distance_mm = *c.distance_mm * (1.0 + part); }) - base);
  } else {
    budgets.Add("camera distance not stated", Shared::kRig,
                meter.MeanWith([&](ConeCamera& c) { c.distance_mm = usual_focal / c.px_per_mm; }) - base);
  }
  const auto with_bend = [&](double k1_part) {
    return meter.MeanWith([&](ConeCamera& c) {
      calib::Lens lens;
      lens.width_px = meter.Size().width;
      lens.height_px = meter.Size().height;
      lens.fx_px = lens.fy_px = c.distance_mm ? *c.distance_mm * c.px_per_mm : usual_focal;
      lens.cx_px = c.centre_x_px;
      lens.cy_px = c.centre_y_px;
      lens.k1 = k1_part * calib::UsualDistortion(lens);
      c.lens = lens;
      c.distance_mm = lens.fx_px / c.px_per_mm;
    });
  };
  budgets.Add("lens not calibrated", Shared::kRig, with_bend(1.0) - with_bend(0.0));
}

// The line of sight is slanted where the tip is not in the picture's middle: the tilt that widens least is
// not 0.
class TiltSearch {
 public:
  explicit TiltSearch(const Meter& meter) : meter_(meter) {
    double low = -kMostTiltDeg, high = kMostTiltDeg;
    for (int i = 0; i < kSteps; ++i) {
      const double a = low + (high - low) / 3.0, b = high - (high - low) / 3.0;
      if (MeanAt(a) < MeanAt(b)) {
        low = a;
      } else {
        high = b;
      }
    }
    least_ = 0.5 * (low + high);
    widest_ = MeanAt(least_);
  }

  // sign +1: towards the camera.
  std::optional<ImpliedTilt> Towards(double sign, double known_deg, double u_deg) const {
    if (widest_ < known_deg - kTwoSided95 * u_deg) return std::nullopt;
    ImpliedTilt tilt{At(sign, known_deg), At(sign, known_deg + kTwoSided95 * u_deg),
                     At(sign, known_deg - kTwoSided95 * u_deg)};
    if (tilt.lo95_deg > tilt.hi95_deg) std::swap(tilt.lo95_deg, tilt.hi95_deg);
    return tilt;
  }

 private:
  static constexpr int kSteps = 40;

  double MeanAt(double tilt_deg) const {
    return meter_.MeanWith([&](ConeCamera& c) { c.tilt_deg = tilt_deg; }).Mean();
  }
  double At(double sign, double wanted_deg) const {
    if (widest_ < wanted_deg) return least_;
    double inner = least_, outer = sign * kMostTiltDeg;
    for (int i = 0; i < kSteps; ++i) {
      const double middle = 0.5 * (inner + outer);
      (MeanAt(middle) > wanted_deg ? inner : outer) = middle;
    }
    return 0.5 * (inner + outer);
  }

  const Meter& meter_;
  double least_ = 0.0, widest_ = 0.0;
};

}  // namespace

SolidReading MeasureSolid(const std::vector<Picture>& pictures, const View& view, double known_deg,
                          double u_known_deg, const SolidOptions& options) {
  const Meter meter(pictures, view, options);
  if (!meter.Any()) {
    throw calib::InputError(
        fmt::format("no dark shape with two straight sides that open from a tip is found in {} "
                    "picture{}\nfilm a dark cone or "
                    "triangle before an even light ground, in focus, with its tip in view; where there are "
                    "several, say which "
                    "with --tip x,y",
                    pictures.size(), pictures.size() == 1 ? "" : "s"));
  }
  const auto as_stated = [](ConeCamera&) {};
  std::vector<Angles> each;
  const Angles base = meter.MeanWith(as_stated, &each);

  Budgets budgets;
  AddStatistics(meter, each, budgets);
  const Angles threshold = meter.Threshold();
  const double rectangular = 0.5 / std::numbers::sqrt3;
  budgets.Add("threshold (0.3 against 0.7 of the step)", Shared::kClip,
              {rectangular * threshold.left, rectangular * threshold.right});
  budgets.Add("edge of a real body", Shared::kModel, options.floor_deg, options.floor_deg, options.floor_deg,
              options.floor_deg);
  AddLens(meter, view, base, budgets);
  budgets.left.push_back({"axis", view.axis_deg.u, Shared::kRig});
  budgets.right.push_back({"axis", view.axis_deg.u, Shared::kRig});
  budgets.lean.push_back({"axis", view.axis_deg.u, Shared::kRig});

  SolidReading reading;
  reading.mean_deg = calib::Combine(base.Mean(), budgets.mean);
  reading.left_deg = calib::Combine(base.left, budgets.left);
  reading.right_deg = calib::Combine(base.right, budgets.right);
  reading.lean_deg = calib::Combine(base.Lean(), budgets.lean);
  reading.pictures = static_cast<int>(each.size());
  reading.pictures_without = meter.Without();
  reading.tip_px = meter.Shots()[0].edges.tip;

  const Angles up = meter.MeanWith([&](ConeCamera& c) { c.tilt_deg += view.tilt_deg.u; });
  const Angles down = meter.MeanWith([&](ConeCamera& c) { c.tilt_deg -= view.tilt_deg.u; });
  reading.u_tilt_deg = std::hypot(0.5 * (up - down).Mean(),
                                  std::numbers::sqrt2 * (0.5 * (up.Mean() + down.Mean()) - base.Mean()));

  const double u = std::hypot(reading.mean_deg.u, u_known_deg);
  const TiltSearch search(meter);
  reading.towards = search.Towards(1.0, known_deg, u);
  reading.away = search.Towards(-1.0, known_deg, u);
  return reading;
}

}  // namespace conebook::vision

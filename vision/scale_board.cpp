#include <algorithm>
#include <cmath>
#include <numbers>
#include <set>

#include <Eigen/Eigenvalues>
#include <Eigen/Geometry>
#include <fmt/format.h>
#include <opencv2/calib3d.hpp>

#include <calib/error.h>

#include "vision/scale_common.h"

namespace conebook::vision {
namespace {

using calib::Contribution;
using calib::Lens;
using calib::Shared;
using Corners = std::vector<cv::Point2f>;

constexpr double kDegPerRad = 180.0 / std::numbers::pi;
constexpr double kLengthShare = 0.002;  // a laser printer, check length measured
constexpr double kOffsetMm = 1.0;
constexpr double kAlignDeg = 0.5;
constexpr double kClearlyBetter = 1.5;  // ratio of residuals of the two poses that a flat board always has
constexpr std::size_t kGroups = 10;     // of corners, left out in turn

struct Pose {
  Eigen::Matrix3d turn = Eigen::Matrix3d::Identity();
  Eigen::Vector3d shift = Eigen::Vector3d::Zero();
  double rms = 0.0;  // of rays
};

Pose ToPose(const cv::Mat& rvec, const cv::Mat& tvec, double rms) {
  cv::Mat matrix;
  cv::Rodrigues(rvec, matrix);
  Pose pose;
  for (int i = 0; i < 3; ++i) {
    for (int k = 0; k < 3; ++k) pose.turn(i, k) = matrix.at<double>(i, k);
    pose.shift[i] = tvec.at<double>(i);
  }
  pose.rms = rms;
  return pose;
}

double Residual(const std::vector<cv::Point3d>& board, const std::vector<cv::Point2d>& rays,
                const cv::Mat& rvec, const cv::Mat& tvec) {
  std::vector<cv::Point2d> seen;
  cv::projectPoints(board, rvec, tvec, cv::Mat::eye(3, 3, CV_64F), cv::noArray(), seen);
  double sum = 0.0;
  for (std::size_t i = 0; i < rays.size(); ++i)
    sum += cv::norm(seen[i] - rays[i]) * cv::norm(seen[i] - rays[i]);
  return std::sqrt(sum / static_cast<double>(rays.size()));
}

// Both poses of a flat board (T. Collins, A. Bartoli 2014, Int. J. Comput. Vision 109:252-286, from memory;
// in OpenCV), each refined; the better one first.
std::vector<Pose> PosesOf(const std::vector<cv::Point3d>& board, const std::vector<cv::Point2d>& rays) {
  std::vector<cv::Mat> turns, shifts;
  const cv::Mat eye = cv::Mat::eye(3, 3, CV_64F);
  try {
    cv::solvePnPGeneric(board, rays, eye, cv::noArray(), turns, shifts, false, cv::SOLVEPNP_IPPE);
  } catch (const cv::Exception&) {
    turns.clear();
  }
  std::vector<Pose> poses;
  for (std::size_t i = 0; i < turns.size(); ++i) {
    cv::solvePnPRefineLM(board, rays, eye, cv::noArray(), turns[i], shifts[i]);
    poses.push_back(ToPose(turns[i], shifts[i], Residual(board, rays, turns[i], shifts[i])));
  }
  std::stable_sort(poses.begin(), poses.end(), [](const Pose& a, const Pose& b) { return a.rms < b.rms; });
  return poses;
}

// px_per_mm at the object's plane, tilt_deg, axis_deg.
using Values = Eigen::Vector3d;

struct BoardProblem {
  const Board& board;
  cv::Point2d at_px;
  double axis_deg;
  double distance_mm = 0.0;  // 0: the lens's focal length holds; else it is scale times distance

  std::optional<Values> ValuesOf(const Pose& pose, const Lens& lens) const {
    const Eigen::Vector2d ray = calib::RayFromPx(lens, {at_px.x, at_px.y});
    const Eigen::Vector3d normal = pose.turn.col(2);
    const double depth = normal.dot(pose.shift) / normal.dot(Eigen::Vector3d(ray.x(), ray.y(), 1.0));
    if (!(depth > 0.0)) return std::nullopt;
    const double wanted = axis_deg / kDegPerRad;
    Eigen::Vector3d axis = Eigen::Vector3d::Zero();
    double best = -2.0;
    for (const int column : {0, 1}) {
      for (const double sign : {1.0, -1.0}) {
        const Eigen::Vector3d a = sign * pose.turn.col(column);
        const double along = a.x() * std::sin(wanted) + a.y() * std::cos(wanted);
        if (along > best) {
          best = along;
          axis = a;
        }
      }
    }
    return Values(lens.fx_px / depth, std::asin(std::clamp(-axis.z(), -1.0, 1.0)) * kDegPerRad,
                  std::atan2(axis.x(), axis.y()) * kDegPerRad);
  }

  // `like`: the pose nearest to this one; nothing: the better one.
  struct Solved {
    Values values;
    std::vector<Pose> poses;
    std::optional<Values> other;  // of the second pose
    Lens lens;
  };
  std::optional<Solved> Solve(const Corners& corners, Lens lens, const Pose* like = nullptr,
                              std::size_t leave_out = kGroups) const {
    const std::vector<cv::Point3f> all = CornersOnBoard(board);
    for (int round = 0;; ++round) {
      std::vector<cv::Point3d> points;
      std::vector<cv::Point2d> rays;
      for (std::size_t i = 0; i < corners.size(); ++i) {
        if (leave_out < kGroups && i % kGroups == leave_out) continue;
        const Eigen::Vector2d ray = calib::RayFromPx(lens, {corners[i].x, corners[i].y});
        points.emplace_back(all[i]);
        rays.emplace_back(ray.x(), ray.y());
      }
      std::vector<Pose> poses = PosesOf(points, rays);
      if (poses.empty()) return std::nullopt;
      if (like != nullptr && poses.size() > 1 &&
          (poses[1].turn - like->turn).norm() < (poses[0].turn - like->turn).norm())
        std::swap(poses[0], poses[1]);
      const auto values = ValuesOf(poses[0], lens);
      if (!values) return std::nullopt;
      constexpr int kRounds = 6;  // the scale hardly depends on the focal length: one would nearly do
      if (distance_mm > 0.0 && round < kRounds) {
        lens.fx_px = lens.fy_px = values->x() * distance_mm;
        continue;
      }
      Solved solved{*values, std::move(poses), std::nullopt, lens};
      if (solved.poses.size() > 1) solved.other = ValuesOf(solved.poses[1], lens);
      return solved;
    }
  }
};

struct Refined {
  std::vector<Corners> by_window;
  Corners mean;
};

// Windows of 5 to 11 px as for the lens, but never so wide that they reach the next corner.
Refined Refine(const cv::Mat& grey, const Corners& found, const Board& board) {
  const int widest = std::max(2, static_cast<int>(0.45 * LeastSpacingPx(found, board)));
  std::set<int> windows;
  for (const int w : {5, 7, 9, 11}) windows.insert(std::min(w, widest));
  Refined refined;
  refined.mean.resize(found.size());
  for (const int w : windows) {
    refined.by_window.push_back(RefineCorners(grey, found, w));
    for (std::size_t i = 0; i < found.size(); ++i)
      refined.mean[i] += refined.by_window.back()[i] / static_cast<float>(windows.size());
  }
  return refined;
}

double WrapDeg(double deg) {
  return std::remainder(deg, 360.0);
}

struct Budgets {
  std::array<std::vector<Contribution>, 3> of;  // scale, tilt, axis
  void Add(const std::string& source, const Values& u, double dof = std::numeric_limits<double>::infinity()) {
    for (int i = 0; i < 3; ++i)
      of[static_cast<std::size_t>(i)].push_back({source, std::abs(u[i]), Shared::kRig, dof});
  }
};

Values Change(const Values& to, const Values& from) {
  Values change = to - from;
  change[2] = WrapDeg(change[2]);
  return change;
}

void AddCorners(const BoardProblem& problem, const BoardProblem::Solved& base, const Refined& refined,
                const Lens& lens, Budgets& budgets) {
  Values window = Values::Zero();
  for (const Corners& corners : refined.by_window) {
    if (const auto solved = problem.Solve(corners, lens, base.poses.data()))
      window = window.cwiseMax(Change(solved->values, base.values).cwiseAbs());
  }
  budgets.Add("corner-refinement window", window);
  std::vector<Values> left_out;
  Values mean = Values::Zero();
  for (std::size_t g = 0; g < kGroups; ++g) {
    const auto solved = problem.Solve(refined.mean, lens, base.poses.data(), g);
    if (!solved) continue;
    left_out.push_back(Change(solved->values, base.values));
    mean += left_out.back();
  }
  const auto n = static_cast<double>(left_out.size());
  if (n < 2.0) return;
  mean /= n;
  Values sum = Values::Zero();
  for (const Values& one : left_out) sum += (one - mean).cwiseAbs2();
  budgets.Add("corners (left out in turn)", (sum * (n - 1.0) / n).cwiseSqrt(), n - 1.0);
}

void AddLens(const BoardProblem& problem, const BoardProblem::Solved& base, const Refined& refined,
             const WorkingCamera& work, const ScaleCamera& camera, Budgets& budgets) {
  const auto moved = [&](const Lens& lens) {
    const auto solved = problem.Solve(refined.mean, lens, base.poses.data());
    return solved ? Change(solved->values, base.values) : Values(Values::Zero());
  };
  if (work.calibrated) {
    if (!work.lens.covariance) return;
    const Eigen::SelfAdjointEigenSolver<Eigen::Matrix<double, 9, 9>> axes(*work.lens.covariance);
    Values square = Values::Zero();
    for (int i = 0; i < 9; ++i) {
      if (!(axes.eigenvalues()[i] > 0.0)) continue;
      const calib::LensVector step = std::sqrt(axes.eigenvalues()[i]) * axes.eigenvectors().col(i);
      Lens up = work.lens, down = work.lens;
      calib::SetParameters(up, calib::ParametersOf(work.lens) + step);
      calib::SetParameters(down, calib::ParametersOf(work.lens) - step);
      square += (0.5 * (moved(up) - moved(down))).cwiseAbs2();
    }
    budgets.Add("lens (as calibrated)", square.cwiseSqrt());
    return;
  }
  Lens bent = base.lens;
  bent.k1 = calib::UsualDistortion(bent);
  budgets.Add("lens not calibrated", moved(bent));
  if (problem.distance_mm > 0.0) {
    BoardProblem farther = problem;
    farther.distance_mm += camera.distance_mm->u;
    if (const auto solved = farther.Solve(refined.mean, work.lens, base.poses.data()))
      budgets.Add("camera distance", Change(solved->values, base.values));
    return;
  }
  Lens longer = work.lens;
  longer.fx_px *= 1.0 + work.u_focal_part;
  longer.fy_px = longer.fx_px;
  budgets.Add(work.focal_words, moved(longer));
}

}  // namespace

ScaleReading ScaleFromBoard(const cv::Mat& grey, const Board& board, std::optional<cv::Point2d> at_px,
                            const ScaleCamera& camera, const ScaleOptions& options) {
  const auto found = FindBoard(grey, board);
  if (!found) {
    throw calib::InputError(fmt::format(
        "the whole board of {} x {} inner corners is not seen in the picture\ncheck --columns and "
        "--rows (inner corners, not squares), light without glare, and a white margin around it",
        board.columns, board.rows));
  }
  const Refined refined = Refine(grey, *found, board);
  const WorkingCamera work = CameraToWorkWith(grey.size(), camera);
  ScaleReading reading;
  if (at_px) {
    reading.at_px = *at_px;
  } else {
    for (const cv::Point2f& corner : refined.mean)
      reading.at_px += cv::Point2d(corner) / static_cast<double>(refined.mean.size());
  }
  BoardProblem problem{board, reading.at_px, options.axis_deg};
  if (!work.focal_known && camera.distance_mm) problem.distance_mm = camera.distance_mm->value;
  const auto base = problem.Solve(refined.mean, work.lens);
  if (!base) throw calib::InputError("the board's place in space cannot be told from this picture");

  Budgets budgets;
  AddCorners(problem, *base, refined, work.lens, budgets);
  AddLens(problem, *base, refined, work, camera, budgets);
  const double u_align = options.u_align_deg.value_or(kAlignDeg);
  const std::string align = options.u_align_deg ? std::string("board against the nozzle's axis")
                                                : fmt::format(
                                                      "board against the nozzle's axis (assumed {:g} "
                                                      "deg)",
                                                      u_align);
  for (const std::size_t i : {1U, 2U}) budgets.of[i].push_back({align, u_align, Shared::kRig});

  const double value = AtTheExit(base->values.x(), base->lens.fx_px / base->values.x(), kLengthShare,
                                 kOffsetMm, options, budgets.of[0]);
  reading.px_per_mm = calib::Combine(value, std::move(budgets.of[0]));
  reading.axis_deg = calib::Combine(WrapDeg(base->values[2]), std::move(budgets.of[2]));
  if (!work.focal_known && !(problem.distance_mm > 0.0)) {
    reading.no_tilt = "tilt needs --lens, --focal-px or --distance-mm";
    return reading;
  }
  double tilt = base->values[1];
  if (base->other && base->poses[1].rms < kClearlyBetter * base->poses[0].rms) {
    // Far away, a board leaning to the camera looks like one leaning from it.
    const double other = (*base->other)[1];
    budgets.of[1].push_back({"two poses fit alike", 0.5 * std::abs(other - tilt), Shared::kRig});
    tilt = 0.5 * (tilt + other);
    reading.warnings.push_back(fmt::format(
        "two poses of the board fit alike, tilt {:.2f} or {:.2f} deg; go closer or take a larger board",
        base->values[1], other));
  }
  reading.tilt_deg = calib::Combine(tilt, std::move(budgets.of[1]));
  return reading;
}

}  // namespace conebook::vision

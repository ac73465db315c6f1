#include "vision/lens_calibration.h"

#include <algorithm>
#include <cmath>
#include <numbers>

#include <fmt/format.h>
#include <opencv2/calib3d.hpp>

#include <calib/error.h>

#include "vision/statistics.h"

namespace conebook::vision {
namespace {

using calib::InputError;
using calib::Lens;
using calib::LensVector;
using Corners = std::vector<cv::Point2f>;
using Covariance = Eigen::Matrix<double, 9, 9>;

struct Fit {
  Lens lens;
  LensVector sd = LensVector::Zero();  // the fit's own
  std::vector<double> view_rms_px;
  std::vector<cv::Mat> turns;  // of the board, Rodrigues vectors
};

Fit FitLens(const std::vector<const Corners*>& views, const Board& board, cv::Size size) {
  const std::vector<std::vector<cv::Point3f>> objects(views.size(), CornersOnBoard(board));
  std::vector<Corners> images;
  images.reserve(views.size());
  for (const Corners* view : views) images.push_back(*view);
  cv::Mat camera, distortion, sd, sd_views, rms;
  std::vector<cv::Mat> turns, shifts;
  Fit fit;
  try {
    fit.lens.rms_px =
        cv::calibrateCamera(objects, images, size, camera, distortion, turns, shifts, sd, sd_views, rms);
  } catch (const cv::Exception&) {
    throw InputError("no lens fits these views; are all of them of one camera and one board?");
  }
  LensVector v;
  v << camera.at<double>(0, 0), camera.at<double>(1, 1), camera.at<double>(0, 2), camera.at<double>(1, 2),
      distortion.at<double>(0), distortion.at<double>(1), distortion.at<double>(2), distortion.at<double>(3),
      distortion.at<double>(4);
  if (!v.allFinite() || !(v[0] > 0.0))
    throw InputError("no lens fits these views; are all of them of one camera and one board?");
  calib::SetParameters(fit.lens, v);
  fit.lens.width_px = size.width;
  fit.lens.height_px = size.height;
  for (int i = 0; i < 9; ++i) fit.sd[i] = sd.at<double>(i);
  for (std::size_t i = 0; i < views.size(); ++i)
    fit.view_rms_px.push_back(rms.at<double>(static_cast<int>(i)));
  fit.turns = turns;
  return fit;
}

double TiltDeg(const cv::Mat& turn) {
  cv::Mat rotation;
  cv::Rodrigues(turn, rotation);
  return std::acos(std::clamp(std::abs(rotation.at<double>(2, 2)), 0.0, 1.0)) * 180.0 / std::numbers::pi;
}

// Delete-a-group jackknife: (g - 1) / g times the sum of squares about the mean (B. Efron, R. Tibshirani, An
// Introduction to the Bootstrap, 1993, ch. 11; from memory).
Covariance Jackknife(const std::vector<const Corners*>& views, const Board& board, cv::Size size,
                     int most_groups) {
  const auto groups = std::min(views.size(), static_cast<std::size_t>(most_groups));
  std::vector<LensVector> fits;
  LensVector mean = LensVector::Zero();
  for (std::size_t g = 0; g < groups; ++g) {
    std::vector<const Corners*> rest;
    for (std::size_t i = 0; i < views.size(); ++i) {
      if (i % groups != g) rest.push_back(views[i]);
    }
    fits.push_back(calib::ParametersOf(FitLens(rest, board, size).lens));
    mean += fits.back() / static_cast<double>(groups);
  }
  Covariance sum = Covariance::Zero();
  for (const LensVector& fit : fits) sum += (fit - mean) * (fit - mean).transpose();
  return sum * (static_cast<double>(groups) - 1.0) / static_cast<double>(groups);
}

// The same correlations with other standard uncertainties.
Covariance Rescaled(const Covariance& from, const LensVector& u) {
  Covariance to = Covariance::Zero();
  for (int i = 0; i < 9; ++i) {
    for (int k = 0; k < 9; ++k) {
      const double scale = std::sqrt(from(i, i) * from(k, k));
      to(i, k) = i == k ? u[i] * u[i] : scale > 0.0 ? from(i, k) / scale * u[i] * u[k] : 0.0;
    }
  }
  return to;
}

double CoveredShare(const std::vector<Corners>& views, cv::Size size) {
  constexpr int kAcross = 8, kDown = 6;
  std::vector<char> seen(kAcross * kDown, 0);
  for (const Corners& view : views) {
    for (const cv::Point2f& corner : view) {
      const int x =
          std::clamp(static_cast<int>(corner.x * kAcross / static_cast<float>(size.width)), 0, kAcross - 1);
      const int y =
          std::clamp(static_cast<int>(corner.y * kDown / static_cast<float>(size.height)), 0, kDown - 1);
      seen[static_cast<std::size_t>(y * kAcross + x)] = 1;
    }
  }
  return static_cast<double>(std::count(seen.begin(), seen.end(), 1)) / (kAcross * kDown);
}

struct Views {
  cv::Size size;
  std::vector<std::size_t> picture;           // of each view
  std::vector<std::vector<Corners>> refined;  // [window][view]
  std::vector<Corners> mean;
  double least_spacing_px = 1e9;
  std::string closest;  // the view of that spacing
};

Views FindViews(const std::vector<Picture>& pictures, const Board& board,
                const LensCalibrationOptions& options) {
  Views views;
  views.refined.resize(options.half_windows_px.size());
  for (std::size_t i = 0; i < pictures.size(); ++i) {
    const Picture& picture = pictures[i];
    if (views.size.empty()) views.size = picture.grey.size();
    if (picture.grey.size() != views.size) {
      throw InputError(
          fmt::format("{}: is {} x {} px, {} is {} x {} px; one lens file is of one camera mode: "
                      "calibrate with pictures of one size",
                      picture.name, picture.grey.cols, picture.grey.rows, pictures[0].name, views.size.width,
                      views.size.height));
    }
    const auto found = FindBoard(picture.grey, board);
    if (!found) continue;
    const double spacing = LeastSpacingPx(*found, board);
    if (spacing < views.least_spacing_px) {
      views.least_spacing_px = spacing;
      views.closest = picture.name;
    }
    views.picture.push_back(i);
    Corners mean(found->size());
    for (std::size_t w = 0; w < options.half_windows_px.size(); ++w) {
      views.refined[w].push_back(RefineCorners(picture.grey, *found, options.half_windows_px[w]));
      for (std::size_t c = 0; c < mean.size(); ++c)
        mean[c] += views.refined[w].back()[c] / static_cast<float>(options.half_windows_px.size());
    }
    views.mean.push_back(std::move(mean));
  }
  if (views.mean.size() < static_cast<std::size_t>(options.least_views)) {
    throw InputError(fmt::format(
        "the whole board of {} x {} inner corners is seen in {} of {} pictures; at least {} are "
        "needed\ncheck --columns and --rows (inner corners, not squares), light without glare, and "
        "a white margin around the board",
        board.columns, board.rows, views.mean.size(), pictures.size(), options.least_views));
  }
  return views;
}

std::vector<const Corners*> PointersTo(const std::vector<Corners>& views) {
  std::vector<const Corners*> pointers;
  for (const Corners& view : views) pointers.push_back(&view);
  return pointers;
}

void Warn(const Views& views, const Fit& fit, const LensCalibrationOptions& options, LensCalibration& out) {
  if (out.covered < options.least_covered) {
    out.warnings.push_back(
        fmt::format("corners cover {:.0f} % of the frame; film the board in every corner of the picture, for "
                    "outside it the distortion is a guess",
                    100.0 * out.covered));
  }
  if (out.tilted_views < options.least_tilted_views) {
    out.warnings.push_back(fmt::format(
        "{} of {} views are tilted by {:.0f} deg or more; tilt the board to all sides, for head-on views "
        "cannot tell the focal length from the distance",
        out.tilted_views, out.views_used, options.tilted_deg));
  }
  if (out.views_used < 8)
    out.warnings.push_back(fmt::format("{} views only; take ten or more", out.views_used));
  const int widest = *std::max_element(options.half_windows_px.begin(), options.half_windows_px.end());
  if (views.least_spacing_px < 2.0 * widest) {
    out.warnings.push_back(
        fmt::format("{}: squares of {:.0f} px are smaller than the widest refinement window ({} px), which "
                    "then reaches the next corner; go closer or use larger squares",
                    views.closest, views.least_spacing_px, 2 * widest + 1));
  }
  std::vector<double> rms = fit.view_rms_px;
  const double median = MedianInPlace(std::span<double>(rms));
  for (std::size_t i = 0; i < fit.view_rms_px.size(); ++i) {
    if (fit.view_rms_px[i] <= options.odd_view * median) continue;
    out.warnings.push_back(
        fmt::format("{}: {:.2f} px off where the median view is {:.2f} px off; smeared, bent, or a "
                    "corner was mistaken: leave it out and compare",
                    out.views[views.picture[i]].name, fit.view_rms_px[i], median));
  }
}

}  // namespace

LensCalibration CalibrateLens(const std::vector<Picture>& pictures, const Board& board,
                              const LensCalibrationOptions& options) {
  const Views views = FindViews(pictures, board, options);
  const std::vector<const Corners*> mean = PointersTo(views.mean);
  const Fit fit = FitLens(mean, board, views.size);
  const LensVector best = calib::ParametersOf(fit.lens);

  LensCalibration out;
  out.lens = fit.lens;
  for (const Picture& picture : pictures) out.views.push_back({picture.name, false, 0.0, 0.0});
  for (std::size_t i = 0; i < views.picture.size(); ++i) {
    LensView& view = out.views[views.picture[i]];
    view.found = true;
    view.rms_px = fit.view_rms_px[i];
    view.tilt_deg = TiltDeg(fit.turns[i]);
    if (view.tilt_deg >= options.tilted_deg) ++out.tilted_views;
  }
  out.views_used = static_cast<int>(views.mean.size());
  out.covered = CoveredShare(views.mean, views.size);

  LensVector u_window = LensVector::Zero();
  Covariance of_windows = Covariance::Zero();
  for (const std::vector<Corners>& refined : views.refined) {
    out.by_window.push_back(FitLens(PointersTo(refined), board, views.size).lens);
    const LensVector change = calib::ParametersOf(out.by_window.back()) - best;
    u_window = u_window.cwiseMax(change.cwiseAbs());
    of_windows += change * change.transpose();
  }
  const Covariance of_views = Jackknife(mean, board, views.size, options.most_groups);
  const LensVector u_views = of_views.diagonal().cwiseSqrt().cwiseMax(fit.sd);
  out.lens.covariance = Rescaled(of_views, u_views) + Rescaled(of_windows, u_window);

  const double dof = std::min(out.views_used, options.most_groups) - 1.0;
  for (int i = 0; i < 9; ++i) {
    out.parameters.emplace_back(
        calib::kLensParameters[i],
        calib::Combine(best[i],
                       {{fmt::format("corner-refinement window (half windows of {} to {} px)",
                                     options.half_windows_px.front(), options.half_windows_px.back()),
                         u_window[i], calib::Shared::kRig},
                        {"views (left out in turn)", u_views[i], calib::Shared::kRig, dof}}));
  }
  Warn(views, fit, options, out);
  return out;
}

}  // namespace conebook::vision

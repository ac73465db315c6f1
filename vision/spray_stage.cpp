#include "vision/spray_stage.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>
#include <utility>

#include <Eigen/Dense>
#include <fmt/format.h>

#include "vision/hyperboloid.h"
#include "vision/statistics.h"

namespace conebook::vision {
namespace {

constexpr double kDegPerRad = 180.0 / std::numbers::pi;
constexpr double kHangs = 0.8;         // bend from which on it may close soon
constexpr double kMostRaggedPx = 1.2;  // of a noisy picture

struct Name {
  SprayStage stage;
  const char* name;
  const char* words;
};
constexpr std::array<Name, 5> kNames{
    Name{SprayStage::kDribble, "dribble", "dribble"},
    Name{SprayStage::kDistortedPencil, "distorted_pencil", "distorted pencil"},
    Name{SprayStage::kOnion, "onion", "onion"}, Name{SprayStage::kTulip, "tulip", "tulip"},
    Name{SprayStage::kFullyDeveloped, "fully_developed", "fully developed"}};

// Half widths, smoothed by a running median over a few exit radii' worth of rows.
std::vector<double> Smoothed(const std::vector<OutlineRow>& rows) {
  const int half = std::max<int>(1, static_cast<int>(rows.size()) / 40);
  std::vector<double> smooth;
  for (int i = 0; i < static_cast<int>(rows.size()); ++i) {
    std::vector<double> window;
    for (int j = std::max(0, i - half); j <= std::min(static_cast<int>(rows.size()) - 1, i + half); ++j)
      window.push_back(rows[static_cast<std::size_t>(j)].HalfWidth());
    smooth.push_back(MedianInPlace(window));
  }
  return smooth;
}

// Gauss-Newton from t and k L, far residuals capped.
std::optional<BellFit> FitBellFrom(std::span<const double> z, std::span<const double> w, double r0,
                                   double length, double t, double k) {
  Eigen::Vector3d x(t, k, 0.0);
  std::vector<double> residuals(z.size());
  const auto residual_of = [&](const Eigen::Vector3d& at) {
    for (std::size_t i = 0; i < z.size(); ++i) {
      const double bell = at[0] * z[i] * (1.0 - at[1] * z[i] / length);
      residuals[i] = w[i] - std::hypot(r0, bell) - at[2];
    }
    std::vector<double> sizes(residuals);
    for (double& v : sizes) v = std::abs(v);
    return 1.4826 * MedianInPlace(sizes);
  };
  double spread = residual_of(x);
  for (int pass = 0; pass < 60; ++pass) {
    Eigen::Matrix3d normal = Eigen::Matrix3d::Zero();
    Eigen::Vector3d right = Eigen::Vector3d::Zero();
    const double cut = 2.5 * spread + 1e-6 * length;
    for (std::size_t i = 0; i < z.size(); ++i) {
      const double u = z[i] * (1.0 - x[1] * z[i] / length);
      const double r = std::hypot(r0, x[0] * u);
      const Eigen::Vector3d d(x[0] * u * u / r, -x[0] * x[0] * u * z[i] * z[i] / (length * r), 1.0);
      const double weight = std::abs(residuals[i]) <= cut ? 1.0 : cut / std::abs(residuals[i]);
      normal += weight * d * d.transpose();
      right += weight * residuals[i] * d;
    }
    normal.diagonal() *= 1.0 + 1e-9;
    const Eigen::Vector3d step = normal.ldlt().solve(right);
    if (!step.allFinite()) return std::nullopt;
    Eigen::Vector3d next = x + step;
    next[0] = std::clamp(next[0], 0.5 * x[0], 2.0 * x[0]);
    next[1] = std::clamp(next[1], -1.0, 1.0);
    const double moved = (next - x).cwiseAbs().maxCoeff();
    x = next;
    spread = residual_of(x);
    if (moved < 1e-7) break;
  }
  return BellFit{x[0], x[1] / length, x[2], spread};
}

}  // namespace

const char* NameOf(SprayStage stage) {
  return kNames[static_cast<std::size_t>(stage)].name;
}

const char* InWords(SprayStage stage) {
  return kNames[static_cast<std::size_t>(stage)].words;
}

std::optional<SprayStage> StageNamed(std::string_view name) {
  for (const Name& known : kNames) {
    if (name == known.name) return known.stage;
  }
  return std::nullopt;
}

std::optional<BellFit> FitBell(std::span<const double> z, std::span<const double> w, double r0) {
  if (z.size() < 10 || z.size() != w.size()) return std::nullopt;
  const double length = *std::max_element(z.begin(), z.end());
  const std::optional<Line> line = FitRobustLine(z, w, RobustLineOptions{});
  if (!line || !(length > 0.0)) return std::nullopt;
  const auto near =
      static_cast<std::size_t>(std::count_if(z.begin(), z.end(), [&](double v) { return v < 0.4 * length; }));
  const std::optional<Line> first =
      near >= 10 ? FitRobustLine(z.first(near), w.first(near), RobustLineOptions{}) : line;
  std::optional<BellFit> best;
  for (const double start : {0.0, 0.4, 0.8}) {
    const std::optional<BellFit> fit =
        FitBellFrom(z, w, r0, length, std::max(0.05, first ? first->slope : line->slope), start);
    if (fit && (!best || fit->spread < best->spread)) best = fit;
  }
  return best;
}

namespace {

class Judge {
 public:
  Judge(const Outline& outline, const StageOptions& options)
      : outline_(outline), options_(options), d_(2.0 * outline.exit_radius) {}

  StageReading Run() {
    for (const OutlineRow& row : outline_.rows) {
      seen_ = std::max(seen_, row.found);
      // Jumping by several pixels and a good part of its width from row to row: noise, not liquid.
      const bool noise = row.ragged > std::max(2.0 * outline_.pixel, options_.noise_part * row.HalfWidth());
      if (row.found >= options_.least_found && !noise) rows_.push_back(row);
    }
    if (!(seen_ > 0.0)) {
      reading_.why = "nothing hangs below the exit";
      return reading_;
    }
    view_ = outline_.rows.back().z;
    reading_.length = rows_.empty() ? 0.0 : rows_.back().z;
    smooth_ = Smoothed(rows_);
    if (TooShort() || !AboutTheAxis() || HangingDrop() || Jet()) return reading_;
    if (!FindSheet() || Closes()) return reading_;
    Sides();
    return reading_;
  }

 private:
  void Is(SprayStage stage, std::string why) {
    reading_.stage = stage;
    reading_.undeveloped = stage != SprayStage::kFullyDeveloped;
    reading_.hollow = stage == SprayStage::kOnion || stage == SprayStage::kTulip;
    reading_.why = std::move(why);
  }

  bool TooShort() {
    const double length = reading_.length;
    const auto share = static_cast<double>(rows_.size()) / static_cast<double>(outline_.rows.size());
    if (rows_.size() >= 16 && share >= 0.1 && (length >= options_.least_length * d_ || OpensToItsEnd()))
      return false;
    // A hanging drop is about as wide as it is long; a sheet that short would be open at its end.
    const double widest = smooth_.empty() ? 0.0 : *std::max_element(smooth_.begin(), smooth_.end());
    if (length < 0.35 * view_ && widest < 0.8 * std::max(length, 1.2 * d_)) {
      Is(SprayStage::kDribble,
         fmt::format("liquid hangs together over {:.1f} exit diameters only", length / d_));
    } else {
      reading_.why = fmt::format("only {:.1f} exit diameters of the outline can be seen", length / d_);
    }
    return true;
  }

  // A drop that hangs is round at its end. What goes on widening there is a sheet, however soon it breaks up.
  bool OpensToItsEnd() const {
    constexpr double kLeastOpening = 1.5, kAtTheEnd = 0.9;
    if (smooth_.empty() || reading_.length < options_.least_sheet * d_) return false;
    const double widest = smooth_[Top()];
    return widest > kLeastOpening * AtExit() && smooth_.back() > kAtTheEnd * widest;
  }

  // One spray, from the exit on; it may lean.
  bool AboutTheAxis() {
    std::vector<double> z, centre;
    for (const OutlineRow& row : rows_) {
      z.push_back(row.z);
      centre.push_back(0.5 * (row.right - row.left));
    }
    const std::optional<Line> lean = FitRobustLine(z, centre, RobustLineOptions{});
    const std::optional<Line> opening = FitRobustLine(z, smooth_, RobustLineOptions{});
    // As an angle: the middle between a wide cone's sides moves by more than the tangent of its lean.
    constexpr double kMostLeanDeg = 11.5;
    const double lean_deg =
        lean && opening
            ? 0.5 * kDegPerRad *
                  (std::atan(opening->slope + lean->slope) - std::atan(opening->slope - lean->slope))
            : 0.0;
    std::vector<double> aside;
    for (std::size_t i = 0; lean && i < z.size(); ++i)
      aside.push_back(std::abs(centre[i] - lean->Y(z[i])) / std::max(smooth_[i], outline_.pixel));
    const bool straight = lean && opening && std::abs(lean_deg) < kMostLeanDeg &&
                          std::abs(lean->intercept) < std::max(d_, 6.0 * outline_.pixel);
    const bool about = straight && MedianInPlace(aside) <= options_.most_aside;
    const bool from_exit = rows_.front().z <= std::max(6.0 * d_, 0.25 * view_);
    if (about && from_exit) return true;
    reading_.shapeless = !about;
    reading_.why = about ? "its outline cannot be seen near the exit"
                         : "the outline does not lie about the axis from the exit on";
    return false;
  }

  std::size_t Top() const {
    return static_cast<std::size_t>(std::max_element(smooth_.begin(), smooth_.end()) - smooth_.begin());
  }
  double AtExit() const {
    const std::size_t near = std::max<std::size_t>(1, smooth_.size() / 5);
    return *std::min_element(smooth_.begin(), smooth_.begin() + static_cast<std::ptrdiff_t>(near));
  }

  // Round at its lower end, and nothing below.
  bool HangingDrop() {
    const double widest = smooth_[Top()];
    const double end = rows_.back().HalfWidth();
    if (!(reading_.length < options_.drop_length * 2.0 * widest && reading_.length < 0.6 * view_ &&
          end < 0.6 * widest && 2.0 * widest < 1.3 * outline_.largest_drop))
      return false;
    Is(SprayStage::kDribble, "what hangs from the exit is rounded off like a drop");
    return true;
  }

  bool Jet() {
    std::vector<double> z;
    for (const OutlineRow& row : rows_) z.push_back(row.z);
    const std::optional<Line> line = FitRobustLine(z, smooth_, RobustLineOptions{});
    line_deg_ = line ? std::atan(line->slope) * kDegPerRad : 0.0;
    reading_.half_angle_deg = line_deg_;
    // A jet may open a little, but what has become narrower again was hollow.
    const std::size_t top = Top();
    const double below = *std::min_element(smooth_.begin() + static_cast<std::ptrdiff_t>(top), smooth_.end());
    const double bulge = smooth_[top] / std::max(AtExit(), below);
    // Nor does it spread first and run parallel then, as a bell does.
    const double first = line ? line->Y(z.front()) / AtExit() : 0.0;
    if (!line || std::abs(line_deg_) > options_.pencil_deg || std::max(bulge, first) > options_.jet_bulge ||
        AtExit() > std::max(3.0 * outline_.exit_radius, 4.0 * outline_.pixel)) {
      return false;
    }
    Is(SprayStage::kDistortedPencil,
       fmt::format("its sides are parallel to {:.1f} deg: a jet", std::abs(line_deg_)));
    return true;
  }

  // The continuous sheet (and the jet below an onion): as long as its edge stands still in time and runs
  // smoothly.
  bool FindSheet() {
    std::vector<double> ragged;
    for (std::size_t i = 0; i < rows_.size(); ++i) {
      if (rows_[i].z < 0.3 * reading_.length) ragged.push_back(rows_[i].ragged);
    }
    const double usual = ragged.empty() ? 0.0 : MedianInPlace(ragged);
    // Down to where still rows outweigh the others most: a place where something else crosses the edge (a
    // drop on a window) does not end the sheet, a spray of drops, with a still row here and there, does.
    constexpr int kAgainst = 3;  // still rows that one other takes back
    int score = 0;
    int best = 0;
    for (std::size_t i = 0; i < rows_.size(); ++i) {
      const double w = smooth_[i];
      const double smooth_enough =
          std::max({options_.most_ragged_px * outline_.pixel, options_.most_ragged_part * w,
                    std::min(options_.most_ragged_times * usual, kMostRaggedPx * outline_.pixel)});
      const bool still = rows_[i].ragged <= smooth_enough &&
                         rows_[i].scatter <= std::max(options_.most_scatter * w, 3.0 * outline_.pixel);
      // The nozzle's own edge disturbs the first rows.
      const bool forgiven = best == 0 && rows_[i].z < 0.2 * reading_.length;
      if (still) {
        ++score;
      } else if (!forgiven) {
        score -= kAgainst;
      }
      if (still && score > best) {
        best = score;
        sheet_ = i + 1;
      }
    }
    reading_.length = sheet_ > 0 ? rows_[sheet_ - 1].z : 0.0;
    constexpr std::size_t kLeastRows = 16;
    if (sheet_ >= kLeastRows && reading_.length >= 2.0 * d_) return true;
    // Shorter (a rim that is lost for a stretch), it may still be a cone; it cannot be judged.
    reading_.shapeless = sheet_ < kLeastRows || reading_.length < d_;
    reading_.why = "its edge does not stand still long enough to be judged";
    return false;
  }

  // True: decided.
  bool Closes() {
    const std::size_t top = Top();
    if (top + 2 >= sheet_) return false;
    const double narrowest = *std::min_element(smooth_.begin() + static_cast<std::ptrdiff_t>(top),
                                               smooth_.begin() + static_cast<std::ptrdiff_t>(sheet_));
    const double widening = smooth_[top] - AtExit();
    const double lost = widening > 0.0 ? (smooth_[top] - narrowest) / widening : 0.0;
    const double bulge = smooth_[top] / AtExit();
    if (lost < options_.open_part) return false;
    if (lost >= options_.closed_part && bulge >= options_.hollow_bulge) {
      Is(SprayStage::kOnion, fmt::format("it is widest {:.1f} exit diameters below the exit and closes again",
                                         rows_[top].z / d_));
      return true;
    }
    reading_.hollow = true;
    reading_.undeveloped = true;
    reading_.why =
        bulge < options_.hollow_bulge
            ? fmt::format("it bulges to {:.1f} times its width at the exit: between pencil and onion", bulge)
            : fmt::format("it loses {:.0f} % of its widening again: between onion and tulip", 100.0 * lost);
    return true;
  }

  void Sides() {
    std::vector<double> z;
    for (std::size_t i = 0; i < sheet_; ++i) z.push_back(rows_[i].z);
    const std::span<const double> w(smooth_.data(), sheet_);
    const std::optional<BellFit> bell = FitBell(z, w, kFilmOfExit * outline_.exit_radius);
    if (!bell) {
      reading_.why = "its sides follow no curve of a sheet";
      return;
    }
    reading_.half_angle_deg = std::atan(bell->tan_a) * kDegPerRad;
    reading_.bend = bell->Bend(reading_.length);
    // A bell bends at a constant rate. What is straight but for its last fifth is a rim that was lost there.
    constexpr double kUpperPart = 0.8;
    if (reading_.bend > options_.straight_bend) {
      const auto upper = static_cast<std::size_t>(
          std::count_if(z.begin(), z.end(), [&](double v) { return v < kUpperPart * reading_.length; }));
      const std::optional<BellFit> above = FitBell(std::span<const double>(z).first(upper), w.first(upper),
                                                   kFilmOfExit * outline_.exit_radius);
      if (above && above->Bend(reading_.length) <= options_.straight_bend) {
        reading_.half_angle_deg = std::atan(above->tan_a) * kDegPerRad;
        reading_.bend = above->Bend(reading_.length);
      }
    }
    if (reading_.half_angle_deg < options_.open_deg) {
      reading_.undeveloped = true;
      reading_.why = fmt::format("its sides open by {:.1f} deg: between a jet and a hollow cone",
                                 reading_.half_angle_deg);
    } else if (reading_.bend <= options_.straight_bend) {
      Is(SprayStage::kFullyDeveloped, fmt::format("its sides are straight: bend {:.2f}", reading_.bend));
    } else if (reading_.bend >= kHangs && sheet_ == rows_.size() && reading_.length < 0.9 * view_) {
      // No ragged edge: what is seen ends because it fades, and may well close below.
      reading_.undeveloped = reading_.hollow = true;
      reading_.why = "its sides hang inward, but what follows below cannot be seen: tulip or onion";
    } else if (reading_.bend >= options_.tulip_bend) {
      Is(SprayStage::kTulip,
         reading_.bend < 1.0 ? fmt::format("its sides have lost {:.0f} % of their slope where the sheet ends",
                                           100.0 * reading_.bend)
                             : std::string("its sides hang inward where the sheet ends"));
    } else {
      reading_.why = fmt::format(
          "its sides have lost {:.0f} % of their slope where the sheet ends: between tulip and fully "
          "developed",
          100.0 * reading_.bend);
    }
  }

  const Outline& outline_;
  const StageOptions& options_;
  const double d_;
  double seen_ = 0.0, view_ = 0.0, line_deg_ = 0.0;
  std::vector<OutlineRow> rows_;  // that show liquid often enough
  std::vector<double> smooth_;    // their half widths
  std::size_t sheet_ = 0;         // rows of the continuous sheet
  StageReading reading_;
};

}  // namespace

double LargestDropMm(double exit_diameter_mm) {
  constexpr double kWaterMm2 = 7.4;
  return std::cbrt(6.0 * kWaterMm2 * exit_diameter_mm);
}

StageReading StageOf(const Outline& outline, const StageOptions& options) {
  return Judge(outline, options).Run();
}

}  // namespace conebook::vision

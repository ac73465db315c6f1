#include "vision/refusal.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>

#include <fmt/format.h>

#include "vision/cone_guess.h"
#include "vision/statistics.h"

namespace conebook::vision {
namespace {

using calib::Flag;
using calib::Severity;

Flag ClipFlag(const char* code, Severity severity, std::string message, std::string advice) {
  return {code, severity, std::nullopt, std::nullopt, std::move(message), std::move(advice)};
}

double MedianHead(const RecordSpool& spool, const std::vector<std::size_t>& frames,
                  float FrameRecord::*member) {
  std::vector<double> values;
  for (const std::size_t f : frames) values.push_back(static_cast<double>(spool.Head(f).*member));
  return values.empty() ? 0.0 : MedianInPlace(values);
}

// Width of the boundary itself: from 0.46 to 0.14 of the level, px, median over rows and some frames.
std::optional<double> EdgeWidthPx(const RecordSpool& spool, const std::vector<std::size_t>& frames) {
  std::vector<double> widths;
  std::vector<std::int16_t> edges;
  const std::size_t step = std::max<std::size_t>(1, frames.size() / 20);
  for (std::size_t k = 0; k < frames.size(); k += step) {
    spool.ReadEdges(frames[k], 0, spool.Rows() / 2, edges);
    for (std::size_t r = 0; r + kLadder <= edges.size(); r += kLadder) {
      if (edges[r] == kNoEdge || edges[r + kLadder - 1] == kNoEdge) continue;
      widths.push_back((edges[r] - edges[r + kLadder - 1]) / static_cast<double>(kEdgeUnitsPerPx));
    }
  }
  if (widths.size() < 30) return std::nullopt;
  return MedianInPlace(widths);
}

// A background at full scale hides how bright it is: the boundary, a share of it, then lies too far in, and
// the more so the softer the rim.
void CheckBackground(const ClipModel& model, double clipped, bool cone, const RefusalOptions& options,
                     std::vector<Flag>& flags) {
  if (model.illumination != Illumination::kBacklit || !(clipped > options.doubt_background_clipped)) return;
  const auto level = static_cast<double>(std::min(model.level[0], model.level[1]));
  const std::string seen =
      fmt::format("{:.0f} % of the background along the spray's edge is at full scale", 100.0 * clipped);
  if (clipped > options.most_background_clipped && (!cone || level < options.least_level_if_clipped)) {
    flags.push_back(
        ClipFlag("overexposed", Severity::kReject,
                 fmt::format("{}, and the rim takes away {:.0f} % of that only: its edge cannot be told",
                             seen, 100.0 * level),
                 "shorten the exposure or dim the light until the background is light grey"));
    return;
  }
  flags.push_back(
      ClipFlag("overexposed_in_part", Severity::kWarn,
               fmt::format("{}: how bright it is, and so where the edge lies, cannot be told well", seen),
               "shorten the exposure or dim the light until the background is light grey"));
}

// Time means across the rays between some ray rows, in parts of the level. A sheet fills all rays, or, clear
// and lit from behind, leaves them empty but for the rims; a jet between the sides has background left and
// right.
struct Across {
  int jets = 0;       // separate rises to a rim's level
  bool line = false;  // something thin, which may stand between two rays
  double film = 0.0;  // the middle one of the rays
};

using AcrossRays = std::array<double, kRays>;

Across Judge(const AcrossRays& mean, const AcrossRays& texture) {
  constexpr double kJet = 0.5;
  constexpr double kGap = 0.15;
  // Fine texture is taken over all columns about a ray, the signal over three.
  constexpr double kLineTexture = 0.04;
  constexpr double kLineOverOthers = 8.0;
  Across across;
  bool gap = false;  // background since the last jet
  bool jet = false;
  for (const double m : mean) {
    if (m < kGap) {
      if (gap && jet) ++across.jets;
      gap = true;
      jet = false;
    } else if (m > kJet) {
      jet = true;
    }
  }
  std::vector<double> all(mean.begin(), mean.end());
  across.film = MedianInPlace(all);
  all.assign(texture.begin(), texture.end());
  const double least = std::max(kLineTexture, kLineOverOthers * MedianInPlace(all));
  // The outermost rays meet the sides themselves.
  across.line = std::any_of(texture.begin() + 2, texture.end() - 2, [&](double t) { return t > least; });
  return across;
}

// In three bands of rows: thick jets part only some way down.
std::array<Across, 3> LookAcross(const ClipModel& model, const RecordSpool& spool,
                                 const std::vector<std::size_t>& frames) {
  constexpr std::size_t kBands = 3;
  const auto rows = static_cast<std::size_t>(spool.RayRows());
  const auto first_row = [&](std::size_t band) { return (2 * band + 1) * rows / 8; };
  std::array<AcrossRays, kBands> mean{};
  std::array<AcrossRays, kBands> texture{};
  RayValues rays;
  const std::size_t step = std::max<std::size_t>(1, frames.size() / 40);
  for (std::size_t k = 0; k < frames.size(); k += step) {
    spool.ReadRays(frames[k], rays);
    for (std::size_t band = 0; band < kBands; ++band) {
      for (std::size_t row = first_row(band); row < first_row(band + 1); ++row) {
        for (std::size_t ray = 0; ray < kRays; ++ray) {
          mean[band][ray] += rays.signal[row * kRays + ray];
          texture[band][ray] += rays.texture[row * kRays + ray];
        }
      }
    }
  }
  const double level = std::max(1e-6, 0.5 * static_cast<double>(model.level[0] + model.level[1]));
  std::array<Across, kBands> found;
  for (std::size_t band = 0; band < kBands; ++band) {
    const std::size_t height = std::max<std::size_t>(1, first_row(band + 1) - first_row(band));
    const std::size_t taken = (frames.size() + step - 1) / step;
    const double count = static_cast<double>(taken) * static_cast<double>(height);
    for (double& m : mean[band]) m /= count * static_cast<double>(kSignalUnits) * level;
    for (double& t : texture[band]) t /= count * static_cast<double>(kTextureUnits) * level;
    found[band] = Judge(mean[band], texture[band]);
  }
  return found;
}

// In front light the sheet of a cone mirrors the lamp along one line; but there the sheet itself is seen, if
// faintly, left and right of it.
bool NoFilm(const ClipModel& model, const Across& across) {
  constexpr double kFilm = 0.04;
  return model.illumination != Illumination::kFrontlit || across.film < kFilm;
}

int JetsInside(const ClipModel& model, const std::array<Across, 3>& bands) {
  int most = 0;
  for (const Across& across : bands) {
    if (across.jets > 1 || NoFilm(model, across)) most = std::max(most, across.jets);
  }
  return most;
}

}  // namespace

bool LineInside(const ClipModel& model, const RecordSpool& spool, const std::vector<std::size_t>& frames) {
  const std::array<Across, 3> bands = LookAcross(model, spool, frames);
  if (JetsInside(model, bands) > 0) return false;  // has its own flag
  return model.illumination == Illumination::kFrontlit &&
         std::any_of(bands.begin(), bands.end(),
                     [&](const Across& across) { return across.line && NoFilm(model, across); });
}

std::optional<double> BodyBlurPx(const ClipModel& model) {
  if (model.background_from_spray && model.background.empty()) return std::nullopt;
  const double d = model.exit_diameter_px;
  const int y0 = std::max(0, static_cast<int>(model.exit_px.y - std::max(4.0 * d, 24.0)));
  const int y1 = static_cast<int>(model.exit_px.y - std::max(0.5 * d, 4.0));
  const int x0 = std::max(1, static_cast<int>(model.exit_px.x - std::max(8.0 * d, 60.0)));
  const int x1 =
      std::min(model.background.cols - 2, static_cast<int>(model.exit_px.x + std::max(8.0 * d, 60.0)));
  std::vector<double> blurs;
  float top = 0.0F;
  for (int y = 0; y < model.background.rows; y += 8) {
    for (int x = 0; x < model.background.cols; x += 8) top = std::max(top, model.background(y, x));
  }
  for (int y = y0; y < std::min(y1, model.background.rows); ++y) {
    const float* b = model.background[y];
    float low = 1e9F;
    float high = -1e9F;
    float steepest = 0.0F;
    float middle = 0.0F;
    for (int x = x0; x <= x1; ++x) {
      low = std::min(low, b[x]);
      high = std::max(high, b[x]);
      const float slope = 0.5F * std::abs(b[x + 1] - b[x - 1]);
      if (slope > steepest) {
        steepest = slope;
        middle = b[x];
      }
    }
    if (high - low < 0.15F * top || !(steepest > 0.0F)) continue;
    // Half the step on the side where it is less: on the other a round body's shading may carry on.
    const float step = 2.0F * std::min(middle - low, high - middle);
    blurs.push_back(static_cast<double>(step / steepest));
  }
  if (blurs.size() < 6) return std::nullopt;
  return MedianInPlace(blurs);
}

std::vector<Flag> CheckClip(const ClipModel& model, const RecordSpool& spool,
                            const std::vector<std::size_t>& frames, const RefusalOptions& options) {
  std::vector<Flag> flags;
  if (frames.empty()) {
    flags.push_back(ClipFlag("no_steady_spray", Severity::kReject, "no stretch of steady spray was found",
                             "film at least a second of steady spray at each pressure"));
    return flags;
  }
  std::size_t with_cone = 0;
  for (const std::size_t f : frames) with_cone += spool.Head(f).width > 0.0F ? 1U : 0U;
  const double cone_share = static_cast<double>(with_cone) / static_cast<double>(frames.size());
  const double found = FoundShareInPicture(model, MedianHead(spool, frames, &FrameRecord::found_share));
  const bool cone = cone_share >= options.least_frames_with_cone && found >= options.least_found;
  CheckBackground(model, MedianHead(spool, frames, &FrameRecord::clipped_outside_share), cone, options,
                  flags);
  if (!flags.empty() && flags.front().severity == Severity::kReject) return flags;
  if (!cone) {
    flags.push_back(ClipFlag(
        "no_cone", Severity::kReject,
        fmt::format(
            "edges were found on {:.0f} % of the rows, on both sides of a cone in {:.0f} % of the frames",
            100.0 * found, 100.0 * cone_share),
        "check exit_px and axis_deg, light the spray evenly, and keep moving things out of the picture"));
    return flags;
  }
  const double half_deg = 0.5 *
                          (std::atan(model.axis_slope - model.guess[0].slope) +
                           std::atan(model.guess[1].slope - model.axis_slope)) *
                          180.0 / std::numbers::pi;
  if (half_deg < options.least_half_angle_deg) {
    flags.push_back(
        ClipFlag("not_a_cone", Severity::kReject,
                 fmt::format("the liquid opens by {:.1f} deg only: a jet, not a cone", half_deg),
                 "check the element's inlets and the pressure; a swirl element opens with pressure"));
  } else if (half_deg < options.doubt_half_angle_deg) {
    flags.push_back(
        ClipFlag("barely_open", Severity::kWarn,
                 fmt::format("the half angle is {:.1f} deg: the cone has barely opened", half_deg),
                 "raise the pressure, or check the inlets for blockage"));
  }
  if (const int jets = JetsInside(model, LookAcross(model, spool, frames)); jets > 0) {
    flags.push_back(
        ClipFlag("not_a_cone", Severity::kWarn,
                 fmt::format("{} between the sides with background left and right of {}: jets, not "
                             "the sheet of a cone; the angle is that of the outer ones",
                             jets == 1 ? std::string("a jet stands") : fmt::format("{} jets stand", jets),
                             jets == 1 ? "it" : "each"),
                 "check that the element is a swirl element, and its exit for damage or dirt"));
  }
  const double clipped = MedianHead(spool, frames, &FrameRecord::clipped_share);
  if (clipped > options.most_clipped) {
    flags.push_back(ClipFlag("overexposed", Severity::kReject,
                             fmt::format("{:.0f} % of the spray's rim is at full scale", 100.0 * clipped),
                             "shorten the exposure or dim the light until the rim shows no clipped pixels"));
  } else if (clipped > options.doubt_clipped) {
    flags.push_back(ClipFlag("overexposed_in_part", Severity::kWarn,
                             fmt::format("{:.0f} % of the spray's rim is at full scale", 100.0 * clipped),
                             "shorten the exposure or dim the light"));
  }
  const std::optional<double> body = BodyBlurPx(model);
  const std::optional<double> edge = EdgeWidthPx(spool, frames);
  if (body && edge && *body > options.most_blur_px && *edge > options.most_edge_px) {
    flags.push_back(
        ClipFlag("defocused", Severity::kReject,
                 fmt::format("edges of the nozzle body are {:.0f} px wide, those of the spray {:.1f} px",
                             *body, *edge),
                 "focus on the nozzle's exit and lock the focus before the valve opens"));
  } else if (body && edge && *body > options.doubt_blur_px && *edge > options.doubt_edge_px) {
    flags.push_back(
        ClipFlag("soft_focus", Severity::kWarn,
                 fmt::format("edges of the nozzle body are {:.0f} px wide, those of the spray {:.1f} px",
                             *body, *edge),
                 "focus on the nozzle's exit and lock the focus before the valve opens"));
  }
  return flags;
}

}  // namespace conebook::vision

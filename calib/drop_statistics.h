// Characteristic diameters of a set of measured drops, with u and intervals. Diameters in micrometres, all
// above a stated cut-off: what the camera could not resolve is not in the set, and raises every mean (number
// means most).
//
// Means: D[p,q] = (sum w d^p / sum w d^q)^(1 / (p - q)), Mugele & Evans (1951), Ind. Eng. Chem. 43:1317 (from
// memory; ISO 9276-2). w is 1, or the border weight below. Percentiles: cumulated share to the middle of each
// drop's own share, linear in d between drops. Span = (DV90 - DV10) / DV50.
//
// Intervals: bootstrap. Means: studentised, on the logarithm, the replicate's own standard error from the
// influence of its units (bootstrap-t, Efron 1982; from memory). Percentiles and span: bias-corrected and
// accelerated (Efron 1987, J. Am. Stat. Assoc. 82:171, from memory). A unit is a drop, or all drops of one
// frame where frames are told: drops of one frame, and one drop seen in several, are not independent; ten
// frames at least. u is the spread of the bootstrap. Both hold the scatter of the sample only: not the pixel
// scale, the threshold, the blur, or what lies below the cut-off.
#pragma once

#include <cstdint>
#include <limits>
#include <optional>
#include <string>
#include <variant>
#include <vector>

namespace conebook::calib {

// Weight of a drop that lies wholly inside the window: 1 / P, P = (W - feret_x)(H - feret_y) / (W H) the
// chance that a drop of its size does (Miles 1978, Lantuejoul; ISO 13322-1). Any unit, the same for all four.
// Nothing where the weight exceeds `largest`: a drop nearly as large as the window says nothing of how many
// there are.
std::optional<double> BorderWeight(double window_width, double window_height, double feret_x, double feret_y,
                                   double largest = 4.0);

struct DropSample {
  std::vector<double> diameter_um;
  std::vector<double> weight;  // empty: all 1
  std::vector<int> frame;      // empty: every drop for itself
};

struct DropStatisticsOptions {
  double cutoff_um = 0.0;  // smaller drops are left out, and counted
  int bins_per_decade = 10;
  int min_count = 20;  // fewer drops above the cut-off: no statistics
  // Of the bootstrap. Beyond 20 000 drops fewer, down to 199: time goes with the product, the intervals are
  // narrow.
  int replicates = 999;
  std::uint64_t seed = 1;        // same drops, same intervals
  double relative_error = 0.05;  // wanted of a mean at 95 %, for the sample-size verdict
  std::optional<std::string> Problem() const;
};

// In the unit of the holder's name. 95 % interval, not symmetric.
struct DropEstimate {
  double value = 0.0, u = 0.0, lo95 = 0.0, hi95 = 0.0;
};

// Classes of equal ratio. Shares add up to 1 each.
struct DropHistogram {
  std::vector<double> edge_um;  // one more than classes
  std::vector<double> number_share, volume_share;
};

// Number distribution, cut off below: ln d normal. Maximum likelihood of the truncated distribution; u from
// the scatter of the drops' own scores (sandwich), so weights and frames are in it.
struct LogNormalFit {
  double median_um = 0.0,
         u_median_um = 0.0;  // number median, of the whole distribution, the part below the cut-off too
  double sigma_ln = 0.0, u_sigma_ln = 0.0;  // ln of the geometric standard deviation
  double largest_gap = 0.0;  // of the cumulated volume above the cut-off, fit against drops; 0 to 1

  // Hatch & Choate: D[p,q] = median exp((p + q) sigma^2 / 2), of the whole distribution (from memory,
  // standard).
  double MeanUm(double p, double q) const;
  double VolumePercentileUm(double share) const;
};

// Volume distribution: 1 - Q = exp(-(d / X)^q), Rosin & Rammler (1933). Fitted to the drops weighted by
// volume, cut off below, by the likelihood's maximum; u as above.
struct RosinRammlerFit {
  double x_um = 0.0, u_x_um = 0.0;
  double q = 0.0, u_q = 0.0;
  double largest_gap = 0.0;

  // X (Gamma(1 + (a - 3) / q) / Gamma(1 + (b - 3) / q))^(1 / (a - b)); nothing unless a, b > 3 - q.
  std::optional<double> MeanUm(double a, double b) const;
  double VolumePercentileUm(double share) const;  // X (-ln(1 - share))^(1 / q)
};

// How many drops a mean needs. Masuda & Iinoya (1971), J. Chem. Eng. Japan 4:60, as ISO 13322-1 uses it (from
// memory): n = z^2 alpha^2 s^2 (2 c^2 s^2 + 1) / error^2, c = beta + alpha / 2, s = ln sigma_g. alpha 3, beta
// 0: the volume mean; z 1.96: 95 %.
double MasudaIinoyaCount(double sigma_ln, double relative_error, double alpha = 3.0, double beta = 0.0,
                         double z = 1.96);
// The same for D[p,q] of a log-normal by the delta method: relative variance (exp(p^2 s^2) + exp(q^2 s^2) - 2
// exp(p q s^2)) / ((p - q)^2 n). Derived; p and q differ.
double LogNormalCount(double sigma_ln, double relative_error, double p, double q, double z = 1.96);

enum class SampleVerdict { kEnough, kTooFew, kWidthUnknown };  // unknown: no log-normal width to be had
struct SampleSize {
  SampleVerdict verdict = SampleVerdict::kWidthUnknown;
  double effective_count = 0.0;  // (sum w)^2 / sum w^2
  double relative_error = 0.0;
  double needed = 0.0;          // Masuda & Iinoya, volume mean
  double needed_for_d32 = 0.0;  // delta method
};

struct DropStatistics {
  int count = 0;         // above the cut-off
  int below_cutoff = 0;  // left out
  double cutoff_um = 0.0;
  DropEstimate d10_um, d20_um, d30_um, d32_um, d43_um;
  DropEstimate dn50_um, dv10_um, dv50_um, dv90_um;
  DropEstimate span;
  DropHistogram histogram;
  // Missing where the drops do not determine it: all of a size, or the cut-off hides the mode altogether.
  std::optional<LogNormalFit> log_normal;
  std::optional<RosinRammlerFit> rosin_rammler;
  SampleSize sample_size;
  double largest_um = 0.0, smallest_um = 0.0;
  double largest_volume_share = 0.0;  // leverage of the largest drop
  double d32_without_largest_um = 0.0;
};

enum class NoDropStatistics { kNoDropAboveCutoff, kTooFewDrops };
const char* ReasonOf(NoDropStatistics reason);

// Throws std::logic_error where an option has a Problem, lengths differ, or a diameter or weight is not above
// zero.
std::variant<DropStatistics, NoDropStatistics> Summarise(const DropSample& sample,
                                                         const DropStatisticsOptions& options = {});

// D[p,q] of drops (weight empty: all 1). p = q: exp(sum w d^p ln d / sum w d^p).
double MeanDiameterUm(const std::vector<double>& diameter_um, const std::vector<double>& weight, double p,
                      double q);

// Diameter below which `share` of the amount lies; amount per class, linear between the class edges.
double ClassPercentileUm(const std::vector<double>& edge_um, const std::vector<double>& amount, double share);

std::optional<LogNormalFit> FitLogNormal(const DropSample& sample, double cutoff_um);
std::optional<RosinRammlerFit> FitRosinRammler(const DropSample& sample, double cutoff_um);

}  // namespace conebook::calib

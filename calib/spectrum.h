// Does a series swing at a rate of its own? Mean, scatter, autocorrelation time, Welch spectrum, and the one
// strongest line with its amplitude, its u and the chance that noise alone would show as strong a one.
// Series: one value a frame, in a unit of the holder's choosing ("unit" below), times in seconds.
//
// Spectrum: Welch (1967), IEEE Trans. Audio Electroacoust. 15:70: Hann window, half overlap, each segment's
// mean out; one side, unit^2 / Hz, its integral is the variance.
//
// Line: two explanations of the series are held against each other: background alone, an autoregressive
// model (Burg; order by Schwarz's criterion), and such a background of the same order with one sine. The
// sine's worth is the share that it takes off the fresh noise; the chance of as much in noise alone is that
// of the largest of a least-squares periodogram (Baluev 2008, MNRAS 385:1279, level found from the same
// series; from memory). The line must stand out of the sixteen bins about it as clearly, too (F test): where
// no such model fits, as with a slow drift under white noise, this one holds. The larger chance counts. So a
// hump or a slope of the background is no line. A hump narrower than 1 / duration is one, as far as the
// record can tell; one of two bins passes about twice as often as stated.
//
// Amplitude, phase and frequency: least squares on the values as sampled, at their own
// times; u from the background at the line's frequency and Cramer-Rao's bound for the frequency (Rife &
// Boorstyn 1974, IEEE Trans. Inf. Theory 20:591, from memory). The amplitude is the fundamental's: half peak
// to peak of a swing that is a sine. A line found near its limit reads high: those that noise lowers are not
// found.
//
// What no analysis can tell: a swing faster than half the frame rate, which shows at an alias (AliasesHz);
// one blurred by a long exposure (ExposureFactor).
#pragma once

#include <optional>
#include <string>
#include <variant>
#include <vector>

#include <calib/quantity.h>

namespace conebook::calib {

struct Series {
  std::vector<double> t_s, value;  // rising times, nearly even; lost frames are gaps
};

struct SpectrumOptions {
  double false_alarm = 0.01;  // noise alone may pass for a line this often
  double min_cycles = 3.0;    // slower than so many cycles in the record: drift, not a line
  int min_values = 32;
  double max_lost =
      0.2;  // share of frames lost that is still filled in (straight) for spectrum and background
  double max_jitter = 0.2;  // of the frame interval, rms, that still counts as even
  int segments = 8;         // of the Welch spectrum, at least; fewer in short records
  int max_order = 8;        // of the background
  std::optional<std::string> Problem() const;
};

struct Line {
  double hz = 0.0, u_hz = 0.0;
  double amplitude = 0.0, u_amplitude = 0.0;  // unit; half peak to peak
  double phase_rad = 0.0;                     // amplitude * cos(2 pi hz (t - first t) - phase_rad)
  double false_alarm = 1.0;                   // probability
  double cycles = 0.0;                        // in the record
};

struct Spectrum {
  double mean = 0.0, u_mean = 0.0;  // u_mean with the values' correlation
  double standard_deviation = 0.0;
  double autocorrelation_time_s =
      0.0;               // record over effective number of values: time between two that are as good as free
  double rate_hz = 0.0;  // of the frames
  double duration_s = 0.0;
  double resolution_hz = 0.0;        // 1 / duration: lines closer than this are one
  double nyquist_hz = 0.0;           // faster swings show at an alias
  double lowest_hz = 0.0;            // slower than this is drift
  int lost = 0;                      // frames missing between the first and the last
  std::vector<double> hz, density;   // Welch, unit^2 / Hz
  std::vector<double> background;    // the model's, at the same frequencies
  double welch_resolution_hz = 0.0;  // 1 / segment
  double welch_dof = 0.0;            // of each density's chi-squared: 95 % band = dof * density / quantiles
  int order = 0;                     // of the background
  Line strongest;                    // whether it is one or not
  bool significant = false;          // strongest.false_alarm < options.false_alarm
  // A sine of this amplitude in the middle of the band would be found nine times in ten, about (83 to 95 % in
  // simulated white noise of 60 to 600 frames); smaller ones may be missed.
  double detectable_amplitude = 0.0;
};

enum class NoSpectrum { kTooFewValues, kTimesNotEven, kTooManyLost, kNoScatter };
const char* ReasonOf(NoSpectrum reason);

// Throws std::logic_error where options have a Problem, lengths differ, a value is not finite or times do not
// rise.
std::variant<Spectrum, NoSpectrum> Analyse(const Series& series, const SpectrumOptions& options = {});

// Chance that the largest of a least-squares periodogram of white noise takes this share of the variance or
// more; values: their number; band_hz: width of the band searched.
double FalseAlarmProbability(double share_of_variance, double values, double band_hz, double duration_s);

// The line's values at the series' times, about its level.
std::vector<double> ValuesOf(const Line& line, const Series& series);

// Frequencies up to highest_hz that sampling at rate_hz shows at hz (0 to rate / 2), rising, hz first.
std::vector<double> AliasesHz(double hz, double rate_hz, double highest_hz);

// What an exposure leaves of a sine's amplitude: |sin(pi hz exposure) / (pi hz exposure)|.
double ExposureFactor(double hz, double exposure_s);

}  // namespace conebook::calib

#include "vision/evenness_reduction.h"

#include <algorithm>
#include <cmath>
#include <numbers>
#include <span>
#include <utility>
#include <variant>

#include <calib/abel.h>

#include "vision/statistics.h"

namespace conebook::vision {
namespace {

using calib::Contribution;
using calib::Quantity;
using calib::Shared;

constexpr double kDeg = 180.0 / std::numbers::pi;

// Four figures, more than any of it is known to: files stay small.
void Round(std::vector<double>& values) {
  constexpr double kFigures = 1e4;
  for (double& value : values) {
    if (value == 0.0) continue;
    const double unit = std::pow(10.0, std::floor(std::log10(std::abs(value))) + 1.0) / kFigures;
    value = std::round(value / unit) * unit;
  }
}

double MeanOf(const std::vector<double>& values, std::size_t from, std::size_t to) {
  double sum = 0.0;
  for (std::size_t k = from; k < to; ++k) sum += values[k];
  return to > from ? sum / static_cast<double>(to - from) : 0.0;
}

// Cells across the spray and where they lie.
class Across {
 public:
  Across(int cells, double most_part, double air_from)
      : cells_(static_cast<std::size_t>(cells)), most_(most_part) {
    const double from = std::max(air_from, most_part - 0.25);
    while (air_ < cells_ / 4 && Part(cells_ - 1 - air_) - 0.5 * Step() >= from) ++air_;
    air_ = std::max<std::size_t>(air_, 2);
  }
  double Step() const { return 2.0 * most_ / static_cast<double>(cells_); }
  double Part(std::size_t cell) const { return (static_cast<double>(cell) + 0.5) * Step() - most_; }
  std::size_t Cells() const { return cells_; }
  std::size_t AirCells() const { return air_; }  // outermost, on each side
  std::size_t Mirrored(std::size_t cell) const { return cells_ - 1 - cell; }

  // Less the air beside the spray, a straight line.
  std::vector<double> LessAir(const std::vector<double>& absorbance) const {
    const double left = MeanOf(absorbance, 0, air_);
    const double right = MeanOf(absorbance, cells_ - air_, cells_);
    const double at = Part(cells_ - 1) - 0.5 * static_cast<double>(air_ - 1) * Step();
    std::vector<double> less(cells_);
    for (std::size_t k = 0; k < cells_; ++k)
      less[k] = absorbance[k] - 0.5 * (left + right) - 0.5 * (right - left) * Part(k) / at;
    return less;
  }
  double Balance(const std::vector<double>& less_air) const {
    const double left = MeanOf(less_air, 0, cells_ / 2);
    const double right = MeanOf(less_air, cells_ / 2, cells_);
    return (right - left) / (right + left);
  }

 private:
  std::size_t cells_, air_ = 0;
  double most_;
};

double ScatterOf(const std::vector<double>& blocks, double otherwise) {
  return UncertaintyOfMean(std::span<const double>(blocks)).value_or(otherwise);
}

// Straight across what is marked.
std::vector<double> Bridged(const std::vector<double>& profile, const std::vector<char>& marked) {
  std::vector<double> bridged = profile;
  for (std::size_t k = 0; k < profile.size();) {
    if (marked[k] == 0) {
      ++k;
      continue;
    }
    std::size_t end = k;
    while (end < profile.size() && marked[end] != 0) ++end;
    const double before = profile[k > 0 ? k - 1 : std::min(end, profile.size() - 1)];
    const double after = end < profile.size() ? profile[end] : before;
    for (std::size_t i = k; i < end; ++i)
      bridged[i] =
          before + (after - before) * static_cast<double>(i - k + 1) / static_cast<double>(end - k + 1);
    k = end;
  }
  return bridged;
}

// By how much the profile exceeds its own running median, as a part of that; what is marked is in no median.
std::vector<double> Excess(const Across& across, const std::vector<double>& profile,
                           const std::vector<char>& marked) {
  constexpr double kHalfWindow = 0.2;
  const auto reach = static_cast<std::ptrdiff_t>(std::lround(kHalfWindow / across.Step()));
  const auto n = static_cast<std::ptrdiff_t>(profile.size());
  const auto window = [&](const std::vector<double>& of, std::ptrdiff_t k, std::ptrdiff_t half) {
    half = std::min({half, k, n - 1 - k});
    return std::vector<double>(of.begin() + (k - half), of.begin() + (k + half + 1));
  };
  const std::vector<double> bridged = Bridged(profile, marked);
  std::vector<double> median(profile.size());
  for (std::ptrdiff_t k = 0; k < n; ++k) {
    std::vector<double> near = window(bridged, k, reach);
    median[static_cast<std::size_t>(k)] = MedianInPlace(std::span<double>(near));
  }
  std::vector<double> excess(profile.size(), 0.0);
  for (std::ptrdiff_t k = 0; k < n; ++k) {
    const std::vector<double> near = window(median, k, std::max<std::ptrdiff_t>(1, reach / 2));
    const double smooth = MeanOf(near, 0, near.size());
    if (smooth > 0.0)
      excess[static_cast<std::size_t>(k)] = profile[static_cast<std::size_t>(k)] / smooth - 1.0;
  }
  return excess;
}

class Reduction {
 public:
  Reduction(const EvennessRequest& request, const EvennessOptions& options, MeanProfiles mean)
      : whole_(std::move(mean.whole)),
        strips_(std::move(mean.strips)),
        request_(request),
        options_(options),
        across_(static_cast<int>(whole_.all.size()), mean.most_part, options.air_from_part),
        at_px_(mean.at_px) {
    half_width_px_ = 0.5 * (request.side[1].X(at_px_) - request.side[0].X(at_px_));
  }

  EvennessResult Result(Evenness into) {
    Air();
    const double mean = MeanOf(whole_.all, across_.Cells() / 4, across_.Cells() - across_.Cells() / 4);
    if (!(mean > options_.least_absorbance) || mean < 3.0 * u_air_)
      return {std::nullopt, "the drops hide hardly more light than the background is uneven"};
    for (std::size_t k = 0; k < across_.Cells(); ++k) {
      into.angle_deg.push_back(std::atan(across_.Part(k) * half_width_px_ / at_px_) * kDeg);
      into.absorbance.push_back(whole_.all[k]);
      std::vector<double> blocks;
      for (const auto& block : whole_.blocks) blocks.push_back(block[k]);
      into.u_absorbance.push_back(std::hypot(ScatterOf(blocks, 0.0), u_air_));
    }
    for (std::vector<double>* values : {&into.angle_deg, &into.absorbance, &into.u_absorbance})
      Round(*values);
    Balance(into);
    Streaks(into);
    Radial(into);
    return {std::move(into), ""};
  }

 private:
  bool Linear() const { return request_.model->format.transfer == Transfer::kLinear; }

  // What the air beside the spray scatters by, before it is taken off.
  void Air() {
    const std::size_t n = across_.Cells();
    const std::size_t air = across_.AirCells();
    const double tail =
        std::max(MeanOf(whole_.all, air / 2, air) - MeanOf(whole_.all, 0, air / 2),
                 MeanOf(whole_.all, n - air, n - air + air / 2) - MeanOf(whole_.all, n - air + air / 2, n));
    std::vector<double> left, right;
    for (auto& block : whole_.blocks) {
      left.push_back(MeanOf(block, 0, air));
      right.push_back(MeanOf(block, n - air, n));
    }
    const double blocks = std::hypot(ScatterOf(left, 0.0), ScatterOf(right, 0.0)) / std::numbers::sqrt2;
    whole_.all = across_.LessAir(whole_.all);
    for (auto& block : whole_.blocks) block = across_.LessAir(block);
    for (auto& strip : strips_) strip = across_.LessAir(strip);
    std::vector<double> rest(whole_.all.begin(), whole_.all.begin() + static_cast<std::ptrdiff_t>(air));
    rest.insert(rest.end(), whole_.all.end() - static_cast<std::ptrdiff_t>(air), whole_.all.end());
    u_air_ = std::hypot(blocks, 0.5 * RobustSpread(rest));
    tail_ = tail;
  }

  void Balance(Evenness& into) const {
    const double value = across_.Balance(whole_.all);
    std::vector<double> blocks;
    for (const auto& block : whole_.blocks) blocks.push_back(across_.Balance(block));
    std::vector<double> tilted = whole_.all;
    double total = 0.0;
    for (std::size_t k = 0; k < tilted.size(); ++k) {
      total += whole_.all[k];
      tilted[k] += u_air_ * across_.Part(k) / across_.Part(across_.Cells() - 1);
    }
    const std::size_t half = across_.Cells() / 2;
    const double at_middle = 0.5 * (whole_.all[half - 1] + whole_.all[half]);
    const double moved = std::tan(options_.middle_deg / kDeg) * at_px_ / half_width_px_ / across_.Step();
    std::vector<Contribution> budget{
        {"scatter between blocks of frames", ScatterOf(blocks, 0.0), Shared::kFrames,
         std::max(1.0, static_cast<double>(blocks.size()) - 1.0)},
        {"light of the air beside the spray", std::abs(across_.Balance(tilted) - value), Shared::kClip},
        {"middle between the sides", 2.0 * std::abs(at_middle) * moved / total, Shared::kClip}};
    if (!Linear())
      budget.push_back({"tone curve (assumed 10 %)", options_.curve_part * std::abs(value), Shared::kModel});
    into.balance = calib::Combine(value, std::move(budget));
  }

  // The profile's excess over its surroundings, in all frames and in parts of them.
  struct Excesses {
    std::vector<double> all, u;
    std::vector<std::vector<double>> strips, blocks;
    double usual_u = 0.0;  // a cell whose blocks happen to agree is no better known than its neighbours
  };
  Excesses ExcessesBut(const std::vector<char>& marked) const {
    Excesses of;
    of.all = Excess(across_, whole_.all, marked);
    for (const auto& strip : strips_) of.strips.push_back(Excess(across_, strip, marked));
    for (const auto& block : whole_.blocks) of.blocks.push_back(Excess(across_, block, marked));
    std::vector<double> inner;
    for (std::size_t k = 0; k < across_.Cells(); ++k) {
      std::vector<double> values;
      for (const auto& block : of.blocks) values.push_back(block[k]);
      of.u.push_back(ScatterOf(values, 1.0));
      if (InReach(k)) inner.push_back(of.u[k]);
    }
    of.usual_u = MedianInPlace(std::span<double>(inner));
    return of;
  }
  bool InReach(std::size_t cell) const { return std::abs(across_.Part(cell)) <= options_.streak_from_part; }
  double UOf(const Excesses& of, std::size_t cell) const { return std::max(of.u[cell], of.usual_u); }

  bool IsStreak(const Excesses& of, std::size_t cell) const {
    const double value = of.all[cell];
    // What lies on a window, or stands behind the spray, is in one place and not along a ray.
    int like = 0, opposed = 0;
    for (const auto& strip : of.strips) {
      like += strip[cell] * value > 0.0 && std::abs(strip[cell]) > 0.4 * std::abs(value) ? 1 : 0;
      opposed += strip[cell] * value <= 0.0 ? 1 : 0;
    }
    if (opposed > 0 || like + 1 < static_cast<int>(of.strips.size())) return false;
    int same = 0;
    for (const auto& block : of.blocks) same += block[cell] * value > 0.0 ? 1 : 0;
    const double mirrored = of.all[across_.Mirrored(cell)];
    const bool own_side = std::abs(across_.Part(cell)) < 0.15 || std::abs(mirrored) < 0.5 * std::abs(value) ||
                          mirrored * value < 0.0;
    return std::abs(value) > options_.streak_in_u * UOf(of, cell) &&
           same + 1 >= static_cast<int>(of.blocks.size()) && own_side;
  }

  void Streaks(Evenness& into) const {
    const std::size_t n = across_.Cells();
    constexpr double kReach = 0.12;
    const auto reach = static_cast<std::size_t>(std::lround(kReach / across_.Step()));
    const auto mark = [&](std::vector<char>& cells, std::size_t about) {
      for (std::size_t k = about - std::min(about, reach); k <= std::min(n - 1, about + reach); ++k)
        cells[k] = 1;
    };
    // Strongest first; those found are taken out before the next is looked for.
    std::vector<char> found(n, 0), looked_at(n, 0);
    std::vector<std::size_t> streaks;
    Excesses of = ExcessesBut(found);
    into.least_streak = std::max(options_.least_streak, options_.streak_in_u * of.usual_u);
    for (;;) {
      std::size_t best = n;
      for (std::size_t k = 0; k < n; ++k) {
        if (looked_at[k] != 0 || !InReach(k)) continue;
        if (best == n || std::abs(of.all[k]) > std::abs(of.all[best])) best = k;
      }
      if (best == n || std::abs(of.all[best]) < into.least_streak) break;
      mark(looked_at, best);
      if (!IsStreak(of, best)) continue;
      streaks.push_back(best);
      mark(found, best);
      of = ExcessesBut(found);
    }
    for (const std::size_t cell : streaks) {
      const double value = of.all[cell];
      double weight = 0.0, place = 0.0;
      for (std::size_t k = cell - std::min(cell, reach); k <= std::min(n - 1, cell + reach); ++k) {
        if (of.all[k] * value < 0.0 || std::abs(of.all[k]) < 0.5 * std::abs(value)) continue;
        weight += of.all[k];
        place += of.all[k] * across_.Part(k);
      }
      std::vector<Contribution> budget{{"scatter between blocks of frames", UOf(of, cell), Shared::kFrames,
                                        std::max(1.0, static_cast<double>(of.blocks.size()) - 1.0)}};
      if (!Linear())
        budget.push_back(
            {"tone curve (assumed 10 %)", options_.curve_part * std::abs(value), Shared::kModel});
      into.streaks.push_back({std::atan(place / weight * half_width_px_ / at_px_) * kDeg,
                              calib::Combine(value, std::move(budget))});
    }
  }

  struct Inverted {
    double radius = 0.0, hollowness = 0.0;
    calib::RadialExtinction full;
  };
  std::optional<Inverted> Invert(const std::vector<double>& less_air, double moved_mm, int draws,
                                 std::string* why = nullptr) const {
    calib::AbelProfile profile;
    for (std::size_t k = 0; k < across_.Cells(); ++k)
      profile.x_mm.push_back(across_.Part(k) * half_width_px_ / request_.px_per_mm + moved_mm);
    profile.absorbance = less_air;
    calib::AbelOptions options;
    options.outer_mm = OuterMm() + std::abs(moved_mm);
    options.draws = draws;
    const calib::AbelResult result = calib::InvertAbel(profile, options);
    if (const auto* none = std::get_if<calib::NoInversion>(&result)) {
      if (why != nullptr) *why = calib::ReasonOf(*none);
      return std::nullopt;
    }
    const auto& full = std::get<calib::RadialExtinction>(result);
    return Inverted{full.peak_radius_mm.value, full.hollowness.value, full};
  }
  double OuterMm() const {
    return (across_.Part(across_.Cells() - 1) + 0.5 * across_.Step()) * half_width_px_ / request_.px_per_mm;
  }

  void Radial(Evenness& into) const {
    if (!Linear()) {
      into.no_profile =
          "the footage is display-encoded: a tone curve that is not known bends the profile; raw "
          "frames of 12 or 16 bits, or a recording in linear light, give one";
      return;
    }
    if (!request_.u_px_per_mm) {
      into.no_profile = "no scale is stated";
      return;
    }
    const double most = *std::max_element(whole_.all.begin(), whole_.all.end());
    if (tail_ > 0.06 * most) {
      into.no_profile = "the spray reaches beyond what is in view: its light has not come back to the air's";
      return;
    }
    constexpr int kDraws = 400, kFewDraws = 50;
    const auto nominal = Invert(whole_.all, 0.0, kDraws, &into.no_profile);
    if (!nominal) return;
    ExtinctionProfile profile;
    profile.radius_mm = nominal->full.radius_mm;
    profile.extinction_per_mm = nominal->full.extinction_per_mm;
    profile.peak_on_axis = nominal->full.peak_on_axis;
    std::vector<double> radii, hollow;
    std::vector<std::vector<double>> at(profile.radius_mm.size());
    for (const auto& block : whole_.blocks) {
      const auto part = Invert(block, 0.0, kFewDraws);
      if (!part) continue;
      radii.push_back(part->radius);
      hollow.push_back(part->hollowness);
      for (std::size_t k = 0; k < at.size(); ++k) at[k].push_back(part->full.extinction_per_mm[k]);
    }
    for (std::size_t k = 0; k < at.size(); ++k)
      profile.u_per_mm.push_back(std::max(nominal->full.u_per_mm[k], ScatterOf(at[k], 0.0)));

    const double z_mm = at_px_ / request_.px_per_mm;
    const double middle_mm = std::tan(options_.middle_deg / kDeg) * z_mm;
    std::vector<double> brighter = whole_.all;
    for (double& value : brighter) value += u_air_;
    const auto aside = Invert(whole_.all, middle_mm, kFewDraws);
    const auto other_air = Invert(brighter, 0.0, kFewDraws);
    // Each side for itself, as if the other were its mirror image.
    std::array<std::optional<Inverted>, 2> side;
    for (const std::size_t of : {0U, 1U}) {
      std::vector<double> both = whole_.all;
      for (std::size_t k = 0; k < both.size(); ++k) {
        const bool right = 2 * k >= both.size();
        if (right != (of == 1)) both[k] = whole_.all[across_.Mirrored(k)];
      }
      side[of] = Invert(both, 0.0, kFewDraws);
    }
    const auto quantity = [&](const Quantity& found, const std::vector<double>& blocks, auto of) {
      const double scatter = ScatterOf(blocks, 0.0);
      std::vector<Contribution> budget = found.budget;
      budget.push_back({"scatter between blocks of frames beyond it",
                        std::sqrt(std::max(0.0, scatter * scatter - found.u * found.u)), Shared::kFrames});
      if (aside)
        budget.push_back({"middle between the sides", std::abs(of(*aside) - found.value), Shared::kClip});
      if (other_air)
        budget.push_back(
            {"light of the air beside the spray", std::abs(of(*other_air) - found.value), Shared::kClip});
      if (side[0] && side[1])
        budget.push_back(
            {"left against right", std::abs(of(*side[1]) - of(*side[0])) / std::sqrt(12.0), Shared::kModel});
      return budget;
    };
    const Quantity& radius = nominal->full.peak_radius_mm;
    std::vector<Contribution> budget = quantity(radius, radii, [](const Inverted& i) { return i.radius; });
    std::vector<Contribution> angle;
    const double to_deg = z_mm / (z_mm * z_mm + radius.value * radius.value) * kDeg;
    for (Contribution part : budget) {
      part.u *= to_deg;
      angle.push_back(std::move(part));
    }
    profile.peak_angle_deg = calib::Combine(std::atan(radius.value / z_mm) * kDeg, std::move(angle));
    budget.push_back({"scale", radius.value * *request_.u_px_per_mm / request_.px_per_mm, Shared::kRig});
    profile.peak_radius_mm = calib::Combine(radius.value, std::move(budget));
    profile.hollowness = calib::Combine(
        nominal->full.hollowness.value,
        quantity(nominal->full.hollowness, hollow, [](const Inverted& i) { return i.hollowness; }));
    for (std::vector<double>* values : {&profile.radius_mm, &profile.extinction_per_mm, &profile.u_per_mm})
      Round(*values);
    into.profile = std::move(profile);
  }

  Profile whole_;
  std::vector<std::vector<double>> strips_;
  const EvennessRequest& request_;
  const EvennessOptions& options_;
  Across across_;
  double at_px_, half_width_px_ = 0.0, u_air_ = 0.0, tail_ = 0.0;
};

}  // namespace

EvennessResult ReduceEvenness(const EvennessRequest& request, const EvennessOptions& options,
                              MeanProfiles mean, Evenness into) {
  return Reduction(request, options, std::move(mean)).Result(std::move(into));
}

}  // namespace conebook::vision

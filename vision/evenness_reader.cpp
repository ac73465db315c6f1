#include "vision/evenness_reader.h"

#include <algorithm>
#include <cmath>
#include <numbers>
#include <span>
#include <utility>
#include <variant>

#include <calib/abel.h>

#include "vision/read_frame.h"
#include "vision/reading_frame.h"
#include "vision/statistics.h"

namespace conebook::vision {
namespace {

using calib::Contribution;
using calib::Quantity;
using calib::Shared;

constexpr double kDeg = 180.0 / std::numbers::pi;
constexpr std::int16_t kOutside = -1;

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

// A mean profile over the cells: what its own blocks of frames say, too.
struct Profile {
  std::vector<double> all;
  std::vector<std::vector<double>> blocks;
};

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
  Reduction(const EvennessRequest& request, const EvennessOptions& options, Across across, double at_px)
      : request_(request), options_(options), across_(across), at_px_(at_px) {
    half_width_px_ = 0.5 * (request.side[1].X(at_px) - request.side[0].X(at_px));
  }

  Profile whole;
  std::vector<std::vector<double>> strips;

  EvennessResult Result(Evenness into) {
    Air();
    const double mean = MeanOf(whole.all, across_.Cells() / 4, across_.Cells() - across_.Cells() / 4);
    if (!(mean > options_.least_absorbance) || mean < 3.0 * u_air_)
      return {std::nullopt, "the drops hide hardly more light than the background is uneven"};
    for (std::size_t k = 0; k < across_.Cells(); ++k) {
      into.angle_deg.push_back(std::atan(across_.Part(k) * half_width_px_ / at_px_) * kDeg);
      into.absorbance.push_back(whole.all[k]);
      std::vector<double> blocks;
      for (const auto& block : whole.blocks) blocks.push_back(block[k]);
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
        std::max(MeanOf(whole.all, air / 2, air) - MeanOf(whole.all, 0, air / 2),
                 MeanOf(whole.all, n - air, n - air + air / 2) - MeanOf(whole.all, n - air + air / 2, n));
    std::vector<double> left, right;
    for (auto& block : whole.blocks) {
      left.push_back(MeanOf(block, 0, air));
      right.push_back(MeanOf(block, n - air, n));
    }
    const double blocks = std::hypot(ScatterOf(left, 0.0), ScatterOf(right, 0.0)) / std::numbers::sqrt2;
    whole.all = across_.LessAir(whole.all);
    for (auto& block : whole.blocks) block = across_.LessAir(block);
    for (auto& strip : strips) strip = across_.LessAir(strip);
    std::vector<double> rest(whole.all.begin(), whole.all.begin() + static_cast<std::ptrdiff_t>(air));
    rest.insert(rest.end(), whole.all.end() - static_cast<std::ptrdiff_t>(air), whole.all.end());
    u_air_ = std::hypot(blocks, 0.5 * RobustSpread(rest));
    tail_ = tail;
  }

  void Balance(Evenness& into) const {
    const double value = across_.Balance(whole.all);
    std::vector<double> blocks;
    for (const auto& block : whole.blocks) blocks.push_back(across_.Balance(block));
    std::vector<double> tilted = whole.all;
    double total = 0.0;
    for (std::size_t k = 0; k < tilted.size(); ++k) {
      total += whole.all[k];
      tilted[k] += u_air_ * across_.Part(k) / across_.Part(across_.Cells() - 1);
    }
    const std::size_t half = across_.Cells() / 2;
    const double at_middle = 0.5 * (whole.all[half - 1] + whole.all[half]);
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
    of.all = Excess(across_, whole.all, marked);
    for (const auto& strip : strips) of.strips.push_back(Excess(across_, strip, marked));
    for (const auto& block : whole.blocks) of.blocks.push_back(Excess(across_, block, marked));
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
    const double most = *std::max_element(whole.all.begin(), whole.all.end());
    if (tail_ > 0.06 * most) {
      into.no_profile = "the spray reaches beyond what is in view: its light has not come back to the air's";
      return;
    }
    constexpr int kDraws = 400, kFewDraws = 50;
    const auto nominal = Invert(whole.all, 0.0, kDraws, &into.no_profile);
    if (!nominal) return;
    ExtinctionProfile profile;
    profile.radius_mm = nominal->full.radius_mm;
    profile.extinction_per_mm = nominal->full.extinction_per_mm;
    profile.peak_on_axis = nominal->full.peak_on_axis;
    std::vector<double> radii, hollow;
    std::vector<std::vector<double>> at(profile.radius_mm.size());
    for (const auto& block : whole.blocks) {
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
    std::vector<double> brighter = whole.all;
    for (double& value : brighter) value += u_air_;
    const auto aside = Invert(whole.all, middle_mm, kFewDraws);
    const auto other_air = Invert(brighter, 0.0, kFewDraws);
    // Each side for itself, as if the other were its mirror image.
    std::array<std::optional<Inverted>, 2> side;
    for (const std::size_t of : {0U, 1U}) {
      std::vector<double> both = whole.all;
      for (std::size_t k = 0; k < both.size(); ++k) {
        const bool right = 2 * k >= both.size();
        if (right != (of == 1)) both[k] = whole.all[across_.Mirrored(k)];
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

  const EvennessRequest& request_;
  const EvennessOptions& options_;
  Across across_;
  double at_px_, half_width_px_ = 0.0, u_air_ = 0.0, tail_ = 0.0;
};

}  // namespace

EvennessReader::EvennessReader(EvennessRequest request, const EvennessOptions& options)
    : request_(std::move(request)), options_(options) {
  LayOut();
}

void EvennessReader::LayOut() {
  const ClipModel& model = *request_.model;
  if (model.illumination == Illumination::kFrontlit) {
    why_ = "in front light what is bright hangs on the lamp: extinction is read in back light only";
    return;
  }
  if (model.format.transfer == Transfer::kHdr) {
    why_ = "the clip is tone-mapped: how much light is gone cannot be had from it";
    return;
  }
  if (request_.frames.size() < static_cast<std::size_t>(options_.least_frames)) {
    why_ = "too few frames";
    return;
  }
  const double last = model.reading.height_px - 3.0 - model.exit_px.y;
  from_px_ = options_.from_of_breakup * request_.breakup_px;
  const double least = options_.least_of_breakup * request_.breakup_px;
  // Half widths in view at a distance below the exit.
  const auto in_view = [&](double dy) {
    const double left = request_.side[0].X(dy);
    const double right = request_.side[1].X(dy);
    const double half = 0.5 * (right - left);
    const double room =
        std::min(0.5 * (left + right) - 2.0, model.reading.width_px - 3.0 - 0.5 * (left + right));
    return half > 0.0 ? room / half : 0.0;
  };
  to_px_ = std::min(last, options_.to_of_breakup * request_.breakup_px);
  while (to_px_ - from_px_ > least && in_view(to_px_) < options_.least_part) to_px_ -= 1.0;
  if (to_px_ - from_px_ < least || in_view(to_px_) < options_.least_part) {
    why_ = to_px_ - from_px_ < least
               ? "too little of the spray is in view below the end of its sheet"
               : "too little of the picture lies beside the spray below the end of its sheet";
    return;
  }
  at_px_ = 0.5 * (from_px_ + to_px_);
  most_part_ = std::min({options_.most_part, in_view(from_px_), in_view(to_px_)});
  const double half_above = 0.5 * (request_.side[1].X(from_px_) - request_.side[0].X(from_px_));
  cells_ = std::clamp(static_cast<int>(most_part_ * half_above / 2.0), 20, options_.most_cells / 2) * 2;
  if (half_above < 15.0) {
    why_ = "the spray is too narrow in the picture";
    return;
  }
  const int y0 = static_cast<int>(std::lround(model.exit_px.y + from_px_));
  const int y1 = static_cast<int>(std::lround(model.exit_px.y + to_px_));
  for (int y = y0; y < y1; ++y) {
    const double dy = y - model.exit_px.y;
    const double left = request_.side[0].X(dy);
    const double right = request_.side[1].X(dy);
    const double middle = 0.5 * (left + right);
    const double half = 0.5 * (right - left);
    Row row;
    row.y = y;
    row.x0 = std::max(0, static_cast<int>(std::ceil(middle - most_part_ * half)));
    for (int x = row.x0; x < model.reading.width_px; ++x) {
      const double place = ((x - middle) / half + most_part_) / (2.0 * most_part_) * cells_;
      if (place >= cells_) break;
      row.cell.push_back(place < 0.0 ? kOutside : static_cast<std::int16_t>(place));
    }
    rows_.push_back(std::move(row));
  }
}

std::vector<FrameVisit> EvennessReader::Visits() {
  std::vector<FrameVisit> visits;
  if (!why_.empty()) return visits;
  for (const std::size_t k :
       EvenIndices(request_.frames.size(), static_cast<std::size_t>(options_.most_frames)))
    visits.push_back({request_.frames[k], [this](const LumaFrame& frame) { Take(frame); }});
  return visits;
}

void EvennessReader::Take(const LumaFrame& frame) {
  if (!why_.empty()) return;
  const ClipModel& model = *request_.model;
  cv::Mat turned, turned_again;
  const RowsView view = ViewRows(model.reading, model.format, frame, turned, turned_again);
  std::vector<float> work;
  const float per_gain = 1.0F / FrameGain(model, view, work);
  const auto n = static_cast<std::size_t>(cells_);
  std::array<std::vector<double>, kStrips> light, pixels;
  for (std::size_t strip = 0; strip < kStrips; ++strip) {
    light[strip].assign(n, 0.0);
    pixels[strip].assign(n, 0.0);
  }
  for (std::size_t r = 0; r < rows_.size(); ++r) {
    const Row& row = rows_[r];
    std::vector<double>& sum = light[kStrips * r / rows_.size()];
    std::vector<double>& count = pixels[kStrips * r / rows_.size()];
    const float* field = model.field[row.y];
    for (std::size_t k = 0; k < row.cell.size(); ++k) {
      if (row.cell[k] == kOutside) continue;
      const auto x = static_cast<std::size_t>(row.x0) + k;
      const std::size_t code =
          model.format.bits > 8 ? view.Row<std::uint16_t>(row.y)[x] : view.Row<std::uint8_t>(row.y)[x];
      const auto cell = static_cast<std::size_t>(row.cell[k]);
      sum[cell] += static_cast<double>(model.light[code] * per_gain * field[x]);
      count[cell] += 1.0;
    }
  }
  constexpr double kDarkest = 0.005;
  Cells cells;
  for (std::size_t strip = 0; strip < kStrips; ++strip) {
    cells.absorbance[strip].resize(n);
    for (std::size_t k = 0; k < n; ++k)
      cells.absorbance[strip][k] =
          -std::log(std::max(kDarkest, light[strip][k] / std::max(1.0, pixels[strip][k])));
  }
  taken_.push_back(std::move(cells));
}

EvennessResult EvennessReader::Result() const {
  if (!why_.empty()) return {std::nullopt, why_};
  if (taken_.size() < static_cast<std::size_t>(options_.least_frames))
    return {std::nullopt, "too few frames"};
  Reduction reduction(request_, options_, Across(cells_, most_part_, options_.air_from_part), at_px_);
  const auto mean = [&](std::size_t from, std::size_t to, std::size_t strip0, std::size_t strip1) {
    std::vector<double> sum(static_cast<std::size_t>(cells_), 0.0);
    const double all = static_cast<double>((to - from) * (strip1 - strip0));
    for (std::size_t f = from; f < to; ++f) {
      for (std::size_t strip = strip0; strip < strip1; ++strip) {
        for (std::size_t k = 0; k < sum.size(); ++k) sum[k] += taken_[f].absorbance[strip][k] / all;
      }
    }
    return sum;
  };
  reduction.whole.all = mean(0, taken_.size(), 0, kStrips);
  for (std::size_t strip = 0; strip < kStrips; ++strip)
    reduction.strips.push_back(mean(0, taken_.size(), strip, strip + 1));
  for (const Block& block : ContiguousBlocks(taken_.size(), options_.blocks, 3))
    reduction.whole.blocks.push_back(mean(block.first, block.last, 0, kStrips));
  Evenness evenness;
  evenness.from_mm = from_px_ / request_.px_per_mm;
  evenness.to_mm = to_px_ / request_.px_per_mm;
  evenness.at_mm = at_px_ / request_.px_per_mm;
  evenness.frames = static_cast<int>(taken_.size());
  return reduction.Result(std::move(evenness));
}

}  // namespace conebook::vision

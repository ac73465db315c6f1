#include "src/size.h"

#include <algorithm>
#include <cmath>
#include <map>
#include <numbers>
#include <random>
#include <tuple>

#include <fmt/core.h>

#include <calib/error.h>
#include <calib/flow_numbers.h>

namespace conebook::src {
namespace {

constexpr double kPaPerBar = 1e5;
constexpr std::size_t kMostCombinations = 100000;
constexpr double kLeastChance = 0.01;
constexpr int kTriedMore = 4;  // times the candidates wanted, before those that extrapolate less go first
constexpr double kMeasuredFlowU = 0.005, kMeasuredTangentU = 0.02;  // of the next element's test
constexpr double kGaugedMm = 0.01;
constexpr double kAsGood = 1.02;
constexpr std::size_t kLookedAtClosely = 60;
const double kRootThree = std::sqrt(3.0);

double NormalCdf(double z) {
  return 0.5 * std::erfc(-z * 0.7071067811865476);
}
double ChanceWithin(double lo, double hi, double mean, double sd) {
  return NormalCdf((hi - mean) / sd) - NormalCdf((lo - mean) / sd);
}
double LnTangent(double deg) {
  return std::log(std::tan(deg * std::numbers::pi / 180.0));
}

// Standard uncertainties of the logarithms as drilled: each hole anywhere within its limits.
std::vector<double> DrilledU(const SizeGeometry& geometry, double tolerance_mm) {
  const double u = tolerance_mm / kRootThree;
  return {u / geometry.exit.mm, u / geometry.inlet.mm / std::sqrt(static_cast<double>(geometry.inlets)),
          u / geometry.chamber.mm, 0.0};
}

double LinearSpread(const SizeModel& model, const SizeGeometry& geometry, const SizeFlow& flow,
                    double tolerance_mm) {
  const std::vector<SizeSlopes> slopes = SlopesAt(model, geometry, flow);
  const std::vector<double> u = DrilledU(geometry, tolerance_mm);
  double variance = 0.0;
  for (std::size_t k = 0; k < u.size(); ++k) variance += std::pow(slopes[k].ln_flow_area * u[k], 2);
  return std::sqrt(variance);
}

struct Tried {
  SizeGeometry geometry;
  int elements = 0;
  double flow_chance = 0.0, angle_chance = 0.0, score = 0.0;
};

// What fits the plate, worked out once for each number.
class Layouts {
 public:
  explicit Layouts(const SizeTarget& target) : target_(target) {}

  const std::optional<calib::PlateLayout>& Of(int n) {
    const auto found = known_.find(n);
    if (found != known_.end()) return found->second;
    std::optional<calib::PlateLayout> best;
    if (target_.layout != calib::LayoutKind::kHexagonal) best = calib::RingsOf(n, target_.Space());
    if (target_.layout != calib::LayoutKind::kRings) {
      auto lattice = calib::HexagonalOf(n, target_.Space());
      if (lattice && (!best || lattice->least_pitch_mm > best->least_pitch_mm * (1.0 + 1e-9)))
        best = std::move(lattice);
    }
    return known_.emplace(n, std::move(best)).first->second;
  }

 private:
  const SizeTarget& target_;
  std::map<int, std::optional<calib::PlateLayout>> known_;
};

std::vector<SizeGeometry> Makeable(const SizeTarget& target, int& impossible) {
  std::vector<SizeGeometry> all;
  for (const double exit : target.exit_mm) {
    const std::vector<double> lengths = target.exit_length_diameters
                                            ? std::vector<double>{*target.exit_length_diameters * exit}
                                            : target.exit_length_mm;
    for (const double inlet : target.inlet_mm)
      for (const int inlets : target.inlet_counts)
        for (const double chamber : target.chamber_mm)
          for (const double length : lengths) {
            // An inlet enters along the chamber's wall, beside the exit; and all stand side by side round it.
            const bool fits = inlet <= 0.5 * (chamber - exit) && inlets * inlet <= std::numbers::pi * chamber;
            if (!fits)
              ++impossible;
            else
              all.push_back({{exit, 0.0}, {inlet, 0.0}, {chamber, 0.0}, inlets, SizeLength{length, 0.0}});
          }
  }
  return all;
}

double OutermostMm(const calib::PlateLayout& layout) {
  double outermost = 0.0;
  for (const calib::Ring& ring : layout.rings) outermost = std::max(outermost, ring.radius_mm);
  return outermost;
}

enum Why { kImpossible, kNoNumber, kNoRoom, kBodies, kFlow, kAngle, kReasons };

std::vector<LeftOutCombination> InWords(const SizeTarget& target, const std::vector<int>& counts) {
  const std::vector<std::string> words{
      "inlets do not fit beside the exit into the chamber",
      fmt::format("would take fewer than {} or more than {} elements", target.fewest, target.most),
      "as many as it takes do not fit on the plate",
      "chambers would run into each other, or over the plate's edge",
      fmt::format("no whole number of them is likely to flow within {:g} % of the target",
                  target.flow_within_percent),
      fmt::format("cone half angle not likely within {:g} to {:g} deg", target.angle_lo_deg,
                  target.angle_hi_deg)};
  std::vector<LeftOutCombination> out;
  for (std::size_t k = 0; k < counts.size(); ++k)
    if (counts[k] > 0) out.push_back({words[k], counts[k]});
  return out;
}

// The best number of elements of this geometry, or why there is none.
std::optional<Tried> Try(const SizeModel& model, const SizeTarget& target, const SizeGeometry& geometry,
                         Layouts& layouts, std::vector<int>& why) {
  const SizeFlow flow = target.Flow();
  const SizeMoments moments = MomentsOf(model, geometry, flow);
  Tried best;
  best.geometry = geometry;
  best.angle_chance = ChanceWithin(LnTangent(target.angle_lo_deg), LnTangent(target.angle_hi_deg),
                                   moments.ln_tangent, moments.common_tangent_sd);
  const double one_kg_s = std::exp(moments.ln_flow_area) * 1e-6 *
                          std::sqrt(2.0 * flow.density_kg_m3 * flow.pressure_drop_bar * kPaPerBar);
  const double wanted = target.total_flow_kg_s / one_kg_s;
  if (!(wanted < 1e6)) {
    ++why[kNoNumber];
    return std::nullopt;
  }
  const auto refuse = [&](Why reason) {
    ++why[reason];
    return std::optional<Tried>();
  };
  bool number = false, room = false;
  std::vector<int> numbers;
  for (const int n : {static_cast<int>(std::floor(wanted)), static_cast<int>(std::floor(wanted)) + 1}) {
    if (n < std::max(1, target.fewest) || n > target.most) continue;
    number = true;
    const auto& layout = layouts.Of(n);
    if (!layout) continue;
    room = true;
    const bool on_plate = OutermostMm(*layout) + 0.5 * geometry.chamber.mm <= 0.5 * target.plate_diameter_mm;
    if (on_plate && layout->least_pitch_mm > geometry.chamber.mm) numbers.push_back(n);
  }
  if (!number) return refuse(kNoNumber);
  if (!room) return refuse(kNoRoom);
  if (numbers.empty()) return refuse(kBodies);
  if (best.angle_chance < kLeastChance) return refuse(kAngle);
  const double band = target.flow_within_percent / 100.0;
  const double drilled = LinearSpread(model, geometry, flow, target.tolerance_mm);
  for (const int n : numbers) {
    const double own = (std::pow(moments.element_area_sd, 2) + drilled * drilled) / n;
    const double sd =
        std::sqrt(std::pow(moments.common_area_sd, 2) + own + std::pow(0.5 * flow.u_ln_density, 2));
    const double chance = ChanceWithin(std::log1p(-band), std::log1p(band), std::log(n / wanted), sd);
    if (chance > best.flow_chance) {
      best.flow_chance = chance;
      best.elements = n;
    }
  }
  if (best.flow_chance < kLeastChance) return refuse(kFlow);
  best.score = best.flow_chance * best.angle_chance;
  return best;
}

SizeCandidate WorkedOut(const SizeModel& model, const SizeTarget& target, const Tried& tried,
                        Layouts& layouts) {
  SizeCandidate out;
  out.elements = tried.elements;
  out.flow_chance = tried.flow_chance;
  out.angle_chance = tried.angle_chance;
  out.score = tried.score;
  out.layout = *layouts.Of(tried.elements);
  const SizeFlow flow = target.Flow();
  PredictOptions options;
  options.as_made_u_ln = DrilledU(tried.geometry, target.tolerance_mm);
  out.one = PredictSize(model, tried.geometry, flow, options);
  options.elements = tried.elements;
  for (double& u : options.as_made_u_ln) u /= std::sqrt(static_cast<double>(tried.elements));
  SizeValue total = PredictSize(model, tried.geometry, flow, options).flow_kg_s;
  for (double* number : {&total.value, &total.u, &total.interval95.lo, &total.interval95.hi})
    *number *= tried.elements;
  out.total_flow_kg_s = total;
  out.wall = ConeMeets(0.5 * target.wall_diameter_mm - OutermostMm(out.layout), tried.geometry.exit.mm,
                       out.one.cone_half_angle_deg);
  if (tried.elements > 1)
    out.neighbours =
        ConeMeets(0.5 * out.layout.least_pitch_mm, tried.geometry.exit.mm, out.one.cone_half_angle_deg);
  out.drilling = SpreadByDrilling(model, tried.geometry, flow, target.tolerance_mm);
  out.element_to_element = std::hypot(out.drilling.drawn, model.cd.fit.element_sd);
  return out;
}

// As those on record were tested: mean over them.
SizeFlow TestFlow(const SizeModel& model, const SizeFlow& otherwise) {
  const std::vector<SizeElement>& elements = model.record.elements;
  if (elements.empty()) return otherwise;
  SizeFlow flow;
  const double n = static_cast<double>(elements.size());
  for (const SizeElement& element : elements) {
    flow.pressure_drop_bar += element.pressure_bar / n;
    flow.density_kg_m3 += element.density_kg_m3 / n;
    flow.viscosity_pa_s += element.viscosity_pa_s / n;
  }
  flow.liquid = elements.front().liquid;
  return flow;
}

// Quick: share of the law's variance at x that a test at `made` takes away.
double Taken(const calib::LawFit& fit, const std::vector<double>& x, const std::vector<double>& made,
             double u) {
  const auto away = [&](const std::vector<double>& at) {
    Eigen::VectorXd v(static_cast<Eigen::Index>(at.size() + 1));
    v[0] = 1.0;
    for (std::size_t j = 0; j < at.size(); ++j) v[static_cast<Eigen::Index>(j + 1)] = at[j] - fit.centre[j];
    return v;
  };
  const Eigen::VectorXd there = away(x), here = away(made);
  const double spread = fit.element_sd * fit.element_sd + fit.group_sd * fit.group_sd + u * u;
  const double cross = there.dot(fit.covariance * here);
  return cross * cross / (here.dot(fit.covariance * here) + spread) / there.dot(fit.covariance * there);
}

}  // namespace

MeetsAt ConeMeets(double from_axis_mm, double exit_mm, const SizeValue& half_angle_deg) {
  const double clear = std::sqrt(std::max(0.0, from_axis_mm * from_axis_mm - 0.25 * exit_mm * exit_mm));
  const auto at = [&](double deg) { return clear / std::tan(deg * std::numbers::pi / 180.0); };
  return {at(half_angle_deg.value), at(half_angle_deg.interval95.hi), at(half_angle_deg.interval95.lo)};
}

bool DrillingSpread::Agree() const {
  return std::abs(linear - drawn) <= 0.15 * std::max(linear, drawn);
}

DrillingSpread SpreadByDrilling(const SizeModel& model, const SizeGeometry& geometry, const SizeFlow& flow,
                                double tolerance_mm, int draws, std::uint32_t seed) {
  DrillingSpread out;
  out.linear = LinearSpread(model, geometry, flow, tolerance_mm);
  out.draws = draws;
  const std::vector<SizeSlopes> slopes = SlopesAt(model, geometry, flow);
  const double u = tolerance_mm / kRootThree;
  out.common_drill = std::sqrt(std::pow(slopes[0].ln_flow_area * u / geometry.exit.mm, 2) +
                               std::pow(slopes[1].ln_flow_area * u / geometry.inlet.mm, 2) +
                               std::pow(slopes[2].ln_flow_area * u / geometry.chamber.mm, 2));
  std::mt19937_64 random(seed);
  // Not the library's distribution, whose draws differ from one library to the next.
  const auto hole = [&](double nominal_mm) {
    const double part = static_cast<double>(random() >> 11) * 0x1.0p-53;
    return std::max(0.01 * nominal_mm, nominal_mm + tolerance_mm * (2.0 * part - 1.0));
  };
  double sum = 0.0, squares = 0.0;
  const double centre = MomentsOf(model, geometry, flow).ln_flow_area;
  for (int k = 0; k < draws; ++k) {
    SizeGeometry made = geometry;
    made.exit.mm = hole(geometry.exit.mm);
    made.chamber.mm = std::max(hole(geometry.chamber.mm), 1.001 * made.exit.mm);
    double area = 0.0;
    for (int i = 0; i < geometry.inlets; ++i) area += std::pow(hole(geometry.inlet.mm), 2);
    made.inlet.mm = std::sqrt(area / geometry.inlets);
    const double off = MomentsOf(model, made, flow).ln_flow_area - centre;
    sum += off;
    squares += off * off;
  }
  if (draws > 1) out.drawn = std::sqrt(std::max(0.0, (squares - sum * sum / draws) / (draws - 1)));
  return out;
}

TestUncertainty AsTested(const SizeModel& model, const SizeGeometry& geometry, const SizeFlow& flow) {
  const std::vector<SizeSlopes> slopes = SlopesAt(model, geometry, flow);
  const double lengths_mm[] = {geometry.exit.mm, geometry.inlet.mm, geometry.chamber.mm,
                               geometry.exit_length ? geometry.exit_length->mm : geometry.exit.mm};
  TestUncertainty u{kMeasuredFlowU * kMeasuredFlowU, kMeasuredTangentU * kMeasuredTangentU};
  for (std::size_t k = 0; k < slopes.size(); ++k) {
    u.ln_flow_area += std::pow(slopes[k].ln_flow_area * kGaugedMm / lengths_mm[k], 2);
    u.ln_tangent += std::pow(slopes[k].ln_tangent * kGaugedMm / lengths_mm[k], 2);
  }
  return {std::sqrt(u.ln_flow_area), std::sqrt(u.ln_tangent)};
}

NextElement NextToTest(const SizeModel& model, const SizePrediction& wanted,
                       const std::vector<SizeGeometry>& makeable) {
  const SizeFlow test_flow = TestFlow(model, wanted.flow);
  struct Choice {
    const SizeGeometry* geometry = nullptr;
    double left = 1.0;  // product of what is left of both laws' variances
  };
  // First quickly, as if all could be gauged alike well; then those that do best, each with its own u.
  std::vector<Choice> choices;
  for (const SizeGeometry& geometry : makeable) {
    const std::vector<double> made = SizeGroups(geometry, test_flow);
    choices.push_back(
        {&geometry, (1.0 - Taken(model.cd.fit, wanted.groups, made, kMeasuredFlowU)) *
                        (1.0 - Taken(model.tangent.fit, wanted.groups, made, kMeasuredTangentU))});
  }
  std::stable_sort(choices.begin(), choices.end(),
                   [](const Choice& a, const Choice& b) { return a.left < b.left; });
  if (choices.size() > kLookedAtClosely) choices.resize(kLookedAtClosely);
  choices.push_back({&wanted.geometry});
  const auto after = [&](const SizeGeometry& geometry) {
    const TestUncertainty u = AsTested(model, geometry, test_flow);
    const std::vector<double> made = SizeGroups(geometry, test_flow);
    return std::pair(calib::SdAfterOneMore(model.cd.fit, wanted.groups, made, u.ln_flow_area),
                     calib::SdAfterOneMore(model.tangent.fit, wanted.groups, made, u.ln_tangent));
  };
  for (Choice& choice : choices) {
    const auto [flow, tangent] = after(*choice.geometry);
    choice.left = flow * tangent;
  }
  const Choice itself = choices.back();
  const auto best = std::min_element(choices.begin(), choices.end(),
                                     [](const Choice& a, const Choice& b) { return a.left < b.left; });
  const Choice chosen = itself.left <= kAsGood * best->left ? itself : *best;
  NextElement next;
  next.geometry = *chosen.geometry;
  next.is_the_candidate = chosen.geometry == itself.geometry;
  next.considered = static_cast<int>(makeable.size()) + 1;
  const auto [flow_sd, tangent_sd] = after(next.geometry);
  const auto halves = [&](const calib::LawFit& fit, double sd, double& now, double& then) {
    const calib::LawPrediction prediction = calib::PredictLaw(fit, wanted.groups);
    now = 0.5 * (std::exp(prediction.interval95.hi - prediction.mean) -
                 std::exp(prediction.interval95.lo - prediction.mean));
    then = now * sd / prediction.sd;
  };
  halves(model.cd.fit, flow_sd, next.flow_now, next.flow_after);
  halves(model.tangent.fit, tangent_sd, next.tangent_now, next.tangent_after);
  return next;
}

Sizing SizePlate(const SizeModel& model, const SizeTarget& target, int most) {
  const std::size_t lengths = target.exit_length_diameters ? 1 : target.exit_length_mm.size();
  const std::size_t combinations = target.exit_mm.size() * target.inlet_mm.size() *
                                   target.inlet_counts.size() * target.chamber_mm.size() * lengths;
  if (combinations > kMostCombinations)
    throw calib::InputError(
        fmt::format("{}: [drills]: {} combinations of exit, inlet, number of inlets, chamber and length; at "
                    "most {} can be gone "
                    "through: name fewer",
                    target.path, combinations, kMostCombinations));
  Sizing out;
  out.target = target;
  out.combinations = static_cast<int>(combinations);
  std::vector<int> why(kReasons, 0);
  const std::vector<SizeGeometry> makeable = Makeable(target, why[kImpossible]);
  Layouts layouts(target);
  std::vector<Tried> tried;
  for (const SizeGeometry& geometry : makeable)
    if (const auto one = Try(model, target, geometry, layouts, why)) tried.push_back(*one);
  out.left_out = InWords(target, why);
  const auto order = [](const Tried& one) {
    return std::tuple(-one.score, one.elements * (one.geometry.inlets + 1), one.geometry.exit.mm,
                      one.geometry.inlet.mm, one.geometry.chamber.mm);
  };
  std::stable_sort(tried.begin(), tried.end(),
                   [&](const Tried& a, const Tried& b) { return order(a) < order(b); });
  if (tried.size() > static_cast<std::size_t>(most * kTriedMore))
    tried.resize(static_cast<std::size_t>(most * kTriedMore));
  // Of those about as likely, first what extrapolates less.
  std::vector<std::pair<double, Tried>> ranked;
  for (const Tried& one : tried) {
    const SizePrediction prediction = PredictSize(model, one.geometry, target.Flow());
    double factor = std::max(prediction.flow_reach.WorstFactor(), prediction.angle_reach.WorstFactor());
    if (!std::isfinite(factor)) factor = prediction.flow_reach.WorstFactor();
    if (!std::isfinite(factor)) factor = 1.0;
    // Each doubling out of the record counts as half the chance.
    ranked.emplace_back(one.score / factor, one);
  }
  std::stable_sort(ranked.begin(), ranked.end(),
                   [](const auto& a, const auto& b) { return a.first > b.first; });
  for (std::size_t k = 0; k < ranked.size() && k < static_cast<std::size_t>(most); ++k)
    out.candidates.push_back(WorkedOut(model, target, ranked[k].second, layouts));
  const calib::PlateSpace space = target.Space();
  out.most_that_fit = calib::MostThatFit(space);
  // Counted only where there can be few enough to draw.
  if (out.most_that_fit <= 4000) {
    out.fullest_rings = static_cast<int>(calib::FullestRings(space).places.size());
    out.fullest_hexagonal = static_cast<int>(calib::FullestHexagonal(space).places.size());
  }
  if (!out.candidates.empty()) out.next = NextToTest(model, out.candidates.front().one, makeable);
  out.pressure_ratio = target.pressure_drop_bar / target.chamber_bar;
  out.saturation_margin = target.chamber_bar * kPaPerBar / target.liquid.vapour_pressure_pa;
  out.cavitation_number = calib::CavitationNumber(
      target.pressure_drop_bar * kPaPerBar, target.chamber_bar * kPaPerBar, target.liquid.vapour_pressure_pa);
  return out;
}

}  // namespace conebook::src

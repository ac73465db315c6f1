#include "src/size_model.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <map>
#include <numbers>
#include <set>

#include <fmt/core.h>

#include <calib/convex_hull.h>

namespace conebook::src {
namespace {

constexpr double kPaPerBar = 1e5;
constexpr double kUnknownLengthULn = 0.5;
constexpr double kMostTheoryDeg = 85.0;
constexpr double kRangeSlack = 1.005;  // half a per cent beyond a range is still in it
constexpr double kHullSlack = 0.005;
constexpr std::size_t kMostShared = 24;  // columns for errors that elements share
constexpr double kDegPerRad = 180.0 / std::numbers::pi;

double Tangent(double deg) {
  return std::tan(deg / kDegPerRad);
}
double DegOfLnTangent(double ln) {
  return std::atan(std::exp(ln)) * kDegPerRad;
}

calib::SwirlFlow AsSwirlFlow(const SizeFlow& flow) {
  return {flow.pressure_drop_bar * kPaPerBar, flow.density_kg_m3, flow.viscosity_pa_s};
}

double ExitLengthOver(const SizeGeometry& geometry) {
  return geometry.exit_length ? geometry.exit_length->mm / geometry.exit.mm : 1.0;
}

SizeFlow FlowOf(const SizeElement& element, double pressure_bar) {
  return {pressure_bar, element.density_kg_m3, element.viscosity_pa_s, 0.0, element.liquid};
}

// exit, inlet, chamber, exit length.
constexpr std::size_t kLengths = 4;
SizeGeometry Scaled(SizeGeometry geometry, std::size_t length, double by) {
  switch (length) {
    case 0:
      geometry.exit.mm *= by;
      // A length that is not known stays as many exit diameters as it was taken for.
      break;
    case 1:
      geometry.inlet.mm *= by;
      break;
    case 2:
      geometry.chamber.mm *= by;
      break;
    default:
      if (geometry.exit_length) geometry.exit_length->mm *= by;
  }
  return geometry;
}

struct LengthEffect {
  double ln_theory_cd = 0.0, ln_theory_tangent = 0.0;
  std::vector<double> groups;
};

// What the logarithm of each length moves, by differences.
std::vector<LengthEffect> EffectsOf(const SizeGeometry& geometry, const SizeFlow& flow) {
  constexpr double kStep = 1e-4;
  std::vector<LengthEffect> effects;
  for (std::size_t length = 0; length < kLengths; ++length) {
    const SizeGeometry more = Scaled(geometry, length, std::exp(kStep)),
                       less = Scaled(geometry, length, std::exp(-kStep));
    LengthEffect effect;
    effect.ln_theory_cd = std::log(TheoryCd(more) / TheoryCd(less)) / (2.0 * kStep);
    effect.ln_theory_tangent =
        std::log(Tangent(TheoryHalfAngleDeg(more, flow)) / Tangent(TheoryHalfAngleDeg(less, flow))) /
        (2.0 * kStep);
    const std::vector<double> up = SizeGroups(more, flow), down = SizeGroups(less, flow);
    for (std::size_t j = 0; j < up.size(); ++j) effect.groups.push_back((up[j] - down[j]) / (2.0 * kStep));
    effects.push_back(std::move(effect));
  }
  // Not known: only the group itself is in doubt.
  if (!geometry.exit_length) effects.back().groups = {0.0, 0.0, 1.0, 0.0};
  return effects;
}

std::vector<double> LengthU(const SizeGeometry& geometry) {
  return {geometry.exit.u_ln, geometry.inlet.u_ln, geometry.chamber.u_ln,
          geometry.exit_length ? geometry.exit_length->u_ln : kUnknownLengthULn};
}

// Elements that the law cannot tell apart by its groups: of one batch, or of one geometry where no batch is
// said.
int GroupNumber(const SizeElement& element, std::map<std::string, int>& numbers) {
  const SizeGeometry& g = element.geometry;
  const std::string key = element.batch.empty() ? fmt::format("geometry {:.2g} {:.2g} {:.2g} {}", g.exit.mm,
                                                              g.inlet.mm, g.chamber.mm, g.inlets)
                                                : "batch " + element.batch;
  return numbers.emplace(key, static_cast<int>(numbers.size())).first->second;
}

// Which errors that elements share get a column of their own: those that more than one element has, the
// weightiest. The others go into the element's own u.
std::vector<std::string> SharedKeys(const std::vector<const SizeReading*>& readings) {
  std::map<std::string, std::pair<int, double>> sums;
  for (const SizeReading* reading : readings) {
    for (const auto& [key, u] : reading->shared) {
      ++sums[key].first;
      sums[key].second += u * u;
    }
  }
  std::vector<std::pair<double, std::string>> sorted;
  for (const auto& [key, sum] : sums)
    if (sum.first > 1) sorted.emplace_back(-sum.second, key);
  std::sort(sorted.begin(), sorted.end());
  if (sorted.size() > kMostShared) sorted.resize(kMostShared);
  std::vector<std::string> keys;
  for (const auto& [weight, key] : sorted) keys.push_back(key);
  std::sort(keys.begin(), keys.end());
  return keys;
}

enum class Quantity { kCd, kTangent };

SizeLaw FitOne(const SizeRecord& record, const SizePrior& prior, Quantity quantity) {
  const bool cd = quantity == Quantity::kCd;
  SizeLaw law;
  std::vector<const SizeReading*> readings;
  for (std::size_t i = 0; i < record.elements.size(); ++i) {
    const auto& reading = cd ? record.elements[i].flow_area_mm2 : record.elements[i].cone_half_angle_deg;
    if (!reading) continue;
    readings.push_back(&*reading);
    law.elements.push_back(i);
  }
  const std::vector<std::string> keys = SharedKeys(readings);
  std::vector<calib::LawRow> rows;
  std::vector<double> theory;
  std::map<std::string, int> groups;
  for (std::size_t r = 0; r < readings.size(); ++r) {
    const SizeElement& element = record.elements[law.elements[r]];
    const SizeFlow flow = FlowOf(element, element.pressure_bar);
    calib::LawRow row;
    row.x = SizeGroups(element.geometry, flow);
    const double exit_area = std::numbers::pi / 4.0 * element.geometry.exit.mm * element.geometry.exit.mm;
    const double measured =
        cd ? std::log(readings[r]->value / exit_area) : std::log(Tangent(readings[r]->value));
    theory.push_back(cd ? std::log(TheoryCd(element.geometry))
                        : std::log(Tangent(TheoryHalfAngleDeg(element.geometry, flow))));
    row.y = measured - theory.back();
    double own = readings[r]->u_ln * readings[r]->u_ln;
    row.shared.assign(keys.size(), 0.0);
    for (const auto& [key, u] : readings[r]->shared) {
      const auto at = std::lower_bound(keys.begin(), keys.end(), key);
      if (at != keys.end() && *at == key)
        row.shared[static_cast<std::size_t>(at - keys.begin())] = u;
      else
        own += u * u;
    }
    row.u = std::sqrt(own);
    const std::vector<LengthEffect> effects = EffectsOf(element.geometry, flow);
    const std::vector<double> u = LengthU(element.geometry);
    for (std::size_t k = 0; k < kLengths; ++k) {
      const double area = cd && k == 0 ? 2.0 : 0.0;  // Cd refers to the exit as measured
      row.dimensions.push_back(
          {u[k], -area - (cd ? effects[k].ln_theory_cd : effects[k].ln_theory_tangent), effects[k].groups});
    }
    row.group = GroupNumber(element, groups);
    rows.push_back(std::move(row));
    for (const double pressure : {element.pressure_lo_bar, element.pressure_hi_bar})
      law.corners.push_back(SizeGroups(element.geometry, FlowOf(element, pressure)));
  }
  calib::LawPrior law_prior;
  for (const double centre : prior.centre) law_prior.centre.push_back(std::log(centre));
  law_prior.constant_sd = cd ? prior.cd_constant_sd : prior.tangent_constant_sd;
  law_prior.slope_sd = prior.slope_sd;
  law_prior.element_sd = law_prior.group_sd = cd ? prior.cd_element_sd : prior.tangent_element_sd;
  const auto fit = calib::FitLaw(rows, law_prior);
  if (!fit) throw std::logic_error("size: a law with proper priors has no fit");
  law.fit = *fit;
  for (std::size_t r = 0; r < rows.size(); ++r) {
    const SizeElement& element = record.elements[law.elements[r]];
    SizeRow out;
    out.id = element.id;
    out.batch = element.batch;
    out.imported = element.imported;
    const auto back = [&](double y) { return cd ? std::exp(y + theory[r]) : DegOfLnTangent(y + theory[r]); };
    out.measured = back(rows[r].y);
    double variance = rows[r].u * rows[r].u;
    for (const double u : rows[r].shared) variance += u * u;
    out.u = 0.5 * (back(rows[r].y + std::sqrt(variance)) - back(rows[r].y - std::sqrt(variance)));
    out.fitted = back(calib::PredictLawMoments(law.fit, rows[r].x).mean);
    const calib::LeftOut& left = law.fit.left_out[r];
    out.left_out = back(left.mean);
    out.left_out95 = {back(left.interval95.lo), back(left.interval95.hi)};
    out.held = left.interval95.lo <= rows[r].y && rows[r].y <= left.interval95.hi;
    law.left_out_held += out.held ? 1 : 0;
    law.left_out_rms += std::pow(rows[r].y - left.mean, 2) / static_cast<double>(rows.size());
    law.rows.push_back(std::move(out));
  }
  law.left_out_rms = std::sqrt(law.left_out_rms);
  return law;
}

void AddRange(std::vector<Extrapolation>& out, const std::string& what, const std::string& unit, double value,
              const std::vector<double>& on_record) {
  if (on_record.empty()) return;
  const auto [lowest, highest] = std::minmax_element(on_record.begin(), on_record.end());
  const double factor = value > *highest ? value / *highest : *lowest / value;
  if (!(factor > kRangeSlack)) return;
  Extrapolation extrapolation{what, factor, value, *lowest, *highest, ""};
  const std::string range = *lowest * kRangeSlack < *highest
                                ? fmt::format("{:.3g} to {:.3g}{}", *lowest, *highest, unit)
                                : fmt::format("{:.3g}{} alone", *lowest, unit);
  extrapolation.words = fmt::format("extrapolates by {:.{}f} in {}: {:.3g}{}, on record {}", factor,
                                    factor < 1.1 ? 2 : 1, what, value, unit, range);
  out.push_back(std::move(extrapolation));
}

Reach ReachOf(const SizeModel& model, const SizeLaw& law, const SizeGeometry& geometry, const SizeFlow& flow,
              const std::vector<double>& groups) {
  Reach reach;
  reach.elements = static_cast<int>(law.elements.size());
  if (law.elements.empty()) return reach;
  std::vector<double> exit, inlet, count, chamber, length, pressure;
  for (const std::size_t i : law.elements) {
    const SizeElement& element = model.record.elements[i];
    exit.push_back(element.geometry.exit.mm);
    inlet.push_back(element.geometry.inlet.mm);
    count.push_back(element.geometry.inlets);
    chamber.push_back(element.geometry.chamber.mm);
    if (element.geometry.exit_length) length.push_back(element.geometry.exit_length->mm);
    pressure.push_back(element.pressure_lo_bar);
    pressure.push_back(element.pressure_hi_bar);
  }
  std::vector<Extrapolation>& out = reach.extrapolations;
  AddRange(out, "exit diameter", " mm", geometry.exit.mm, exit);
  AddRange(out, "inlet diameter", " mm", geometry.inlet.mm, inlet);
  AddRange(out, "number of inlets", "", geometry.inlets, count);
  AddRange(out, "chamber diameter", " mm", geometry.chamber.mm, chamber);
  if (geometry.exit_length) AddRange(out, "exit length", " mm", geometry.exit_length->mm, length);
  AddRange(out, "pressure drop", " bar", flow.pressure_drop_bar, pressure);
  for (std::size_t j = 0; j < kSizeGroups; ++j) {
    if (j == 2 && (!geometry.exit_length || length.empty())) continue;
    std::vector<double> values;
    for (const std::vector<double>& corner : law.corners) values.push_back(std::exp(corner[j]));
    AddRange(out, NameOfGroup(j), "", std::exp(groups[j]), values);
  }
  std::stable_sort(out.begin(), out.end(),
                   [](const Extrapolation& a, const Extrapolation& b) { return a.factor > b.factor; });
  const double distance = calib::DistanceFromHull(law.corners, groups).distance;
  if (distance > kHullSlack) reach.outside_hull = std::expm1(distance);
  reach.leverage_ratio = calib::LeverageRatio(law.fit, groups, law.corners);
  return reach;
}

SizeValue ValueOf(const calib::LawPrediction& prediction, double ln_theory, double scale) {
  SizeValue value;
  value.value = scale * std::exp(ln_theory + prediction.mean);
  value.u = value.value * prediction.sd;
  value.interval95 = {scale * std::exp(ln_theory + prediction.interval95.lo),
                      scale * std::exp(ln_theory + prediction.interval95.hi)};
  value.law_share = prediction.law_sd;
  value.batch_share = prediction.group_sd;
  value.element_share = prediction.element_sd;
  value.dimension_share = prediction.dimension_sd;
  return value;
}

}  // namespace

const char* NameOfGroup(std::size_t group) {
  static const char* const kNames[kSizeGroups] = {"inlet area / (exit x chamber)", "chamber / exit diameter",
                                                  "exit length / diameter", "Reynolds number"};
  return kNames[group];
}

calib::SwirlGeometry AsSwirl(const SizeGeometry& geometry) {
  return {geometry.exit.mm, geometry.InletAreaMm2(), geometry.chamber.mm,
          geometry.exit_length ? std::optional(geometry.exit_length->mm) : std::nullopt, std::nullopt};
}

std::vector<double> SizeGroups(const SizeGeometry& geometry, const SizeFlow& flow) {
  return {std::log(calib::AtomizerConstant(AsSwirl(geometry))),
          std::log(geometry.chamber.mm / geometry.exit.mm), std::log(ExitLengthOver(geometry)),
          std::log(calib::ReynoldsAtExit(geometry.exit.mm, AsSwirlFlow(flow)))};
}

double TheoryCd(const SizeGeometry& geometry) {
  const calib::SwirlGeometry swirl = AsSwirl(geometry);
  return std::sqrt(calib::InviscidCd(calib::AirCoreShare(calib::AtomizerConstant(swirl))) *
                   calib::RizkLefebvreCd(swirl));
}

double TheoryHalfAngleDeg(const SizeGeometry& geometry, const SizeFlow& flow) {
  const calib::SwirlGeometry swirl = AsSwirl(geometry);
  const double inviscid =
      calib::InviscidHalfAngleBySwirlDeg(calib::AirCoreShare(calib::AtomizerConstant(swirl)));
  const double published = calib::RizkLefebvreHalfAngleDeg(swirl, AsSwirlFlow(flow));
  return DegOfLnTangent(0.5 * (std::log(Tangent(std::min(inviscid, kMostTheoryDeg))) +
                               std::log(Tangent(std::min(published, kMostTheoryDeg)))));
}

SizeModel FitSizeModel(SizeRecord record, const SizePrior& prior) {
  SizeModel model;
  model.prior = prior;
  model.record = std::move(record);
  model.cd = FitOne(model.record, prior, Quantity::kCd);
  model.tangent = FitOne(model.record, prior, Quantity::kTangent);
  return model;
}

bool Reach::Outside() const {
  return elements == 0 || !extrapolations.empty() || outside_hull > 0.0 || leverage_ratio > 1.0;
}

double Reach::WorstFactor() const {
  if (elements == 0) return std::numeric_limits<double>::infinity();
  return std::max(extrapolations.empty() ? 1.0 : extrapolations.front().factor, 1.0 + outside_hull);
}

std::vector<SizeSlopes> SlopesAt(const SizeModel& model, const SizeGeometry& geometry, const SizeFlow& flow) {
  std::vector<SizeSlopes> slopes;
  const std::vector<LengthEffect> effects = EffectsOf(geometry, flow);
  for (std::size_t k = 0; k < kLengths; ++k) {
    SizeSlopes slope{effects[k].ln_theory_cd + (k == 0 ? 2.0 : 0.0), effects[k].ln_theory_tangent};
    for (std::size_t j = 0; j < kSizeGroups; ++j) {
      const auto at = static_cast<Eigen::Index>(j + 1);
      slope.ln_flow_area += model.cd.fit.mean[at] * effects[k].groups[j];
      slope.ln_tangent += model.tangent.fit.mean[at] * effects[k].groups[j];
    }
    slopes.push_back(slope);
  }
  return slopes;
}

SizePrediction PredictSize(const SizeModel& model, const SizeGeometry& geometry, const SizeFlow& flow,
                           const PredictOptions& options) {
  SizePrediction out;
  out.geometry = geometry;
  out.flow = flow;
  out.groups = SizeGroups(geometry, flow);
  out.theory_cd = TheoryCd(geometry);
  out.theory_half_angle_deg = TheoryHalfAngleDeg(geometry, flow);
  const std::vector<LengthEffect> effects = EffectsOf(geometry, flow);
  std::vector<double> u = options.as_made_u_ln;
  if (u.empty()) u.assign(kLengths, 0.0);
  if (!geometry.exit_length) u[3] = kUnknownLengthULn;
  std::vector<calib::DimensionError> of_cd, of_area, of_tangent;
  for (std::size_t k = 0; k < kLengths; ++k) {
    of_cd.push_back({u[k], effects[k].ln_theory_cd, effects[k].groups});
    of_area.push_back({u[k], effects[k].ln_theory_cd + (k == 0 ? 2.0 : 0.0), effects[k].groups});
    of_tangent.push_back({u[k], effects[k].ln_theory_tangent, effects[k].groups});
  }
  std::vector<calib::DimensionError> of_flow = of_area;
  of_flow.push_back({0.5 * flow.u_ln_density, 1.0, {}});
  const double exit_area_mm2 = std::numbers::pi / 4.0 * geometry.exit.mm * geometry.exit.mm;
  const double ln_cd = std::log(out.theory_cd);
  out.cd = ValueOf(calib::PredictLaw(model.cd.fit, out.groups, options.elements, of_cd), ln_cd, 1.0);
  out.flow_area_mm2 =
      ValueOf(calib::PredictLaw(model.cd.fit, out.groups, options.elements, of_area), ln_cd, exit_area_mm2);
  const double to_flow =
      exit_area_mm2 * 1e-6 * std::sqrt(2.0 * flow.density_kg_m3 * flow.pressure_drop_bar * kPaPerBar);
  out.flow_kg_s =
      ValueOf(calib::PredictLaw(model.cd.fit, out.groups, options.elements, of_flow), ln_cd, to_flow);
  const calib::LawPrediction tangent =
      calib::PredictLaw(model.tangent.fit, out.groups, options.elements, of_tangent);
  const double ln_tangent = std::log(Tangent(out.theory_half_angle_deg));
  SizeValue& angle = out.cone_half_angle_deg;
  angle = ValueOf(tangent, ln_tangent, 1.0);
  angle.value = DegOfLnTangent(ln_tangent + tangent.mean);
  angle.interval95 = {DegOfLnTangent(ln_tangent + tangent.interval95.lo),
                      DegOfLnTangent(ln_tangent + tangent.interval95.hi)};
  // da = sin 2a / 2 d ln tan a
  angle.u = 0.5 * std::sin(2.0 * angle.value / kDegPerRad) * kDegPerRad * tangent.sd;
  out.flow_reach = ReachOf(model, model.cd, geometry, flow, out.groups);
  out.angle_reach = ReachOf(model, model.tangent, geometry, flow, out.groups);
  return out;
}

SizeMoments MomentsOf(const SizeModel& model, const SizeGeometry& geometry, const SizeFlow& flow) {
  const std::vector<double> groups = SizeGroups(geometry, flow);
  const calib::LawPrediction cd = calib::PredictLawMoments(model.cd.fit, groups),
                             tangent = calib::PredictLawMoments(model.tangent.fit, groups);
  const double exit_area_mm2 = std::numbers::pi / 4.0 * geometry.exit.mm * geometry.exit.mm;
  return {std::log(exit_area_mm2 * TheoryCd(geometry)) + cd.mean,
          std::hypot(cd.law_sd, cd.group_sd),
          cd.element_sd,
          std::log(Tangent(TheoryHalfAngleDeg(geometry, flow))) + tangent.mean,
          std::hypot(tangent.law_sd, tangent.group_sd),
          tangent.element_sd};
}

}  // namespace conebook::src

#include "src/size_record.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <numbers>
#include <set>

#include <fmt/core.h>

#include <calib/liquid.h>

namespace conebook::src {
namespace {

constexpr double kPaPerBar = 1e5;
// Where a length comes without u: what gauges and microscopes leave, and what a drawing does not say.
constexpr double kGaugedUMm = 0.01;
constexpr double kDrawnShare = 0.02;
constexpr double kRoomTemperatureC = 20.0;
const std::string kAssumed = " (assumed)";

std::optional<SizeLength> LengthOf(const std::string& name, const ElementFacts* facts,
                                   const RunReadings& run) {
  const auto known = GeometryOf(name, facts, &run);
  if (!known || !(known->value > 0.0)) return std::nullopt;
  SizeLength length{known->value, 0.0};
  std::string how = run.measured_by;
  if (!known->from_rig) {
    how.clear();
    if (const auto found = facts->texts.find("measured_by"); found != facts->texts.end()) how = found->second;
  }
  const bool gauged = how == "pin_gauge" || how == "microscope";
  const double u_mm = known->u ? *known->u : gauged ? kGaugedUMm : kDrawnShare * known->value;
  length.u_ln = u_mm / known->value;
  return length;
}

// Why the geometry is not enough, or nothing.
std::string ReadGeometry(const ElementFacts* facts, const RunReadings& run, SizeGeometry& geometry) {
  const auto exit = LengthOf("exit_diameter_mm", facts, run),
             inlet = LengthOf("inlet_diameter_mm", facts, run),
             chamber = LengthOf("chamber_diameter_mm", facts, run);
  const auto count = GeometryOf("inlet_count", facts, &run);
  std::string missing;
  const auto need = [&](bool there, const char* name) {
    if (!there) missing += (missing.empty() ? "" : ", ") + std::string(name);
  };
  need(exit.has_value(), "exit_diameter_mm");
  need(inlet.has_value(), "inlet_diameter_mm");
  need(count.has_value() && count->value >= 1.0, "inlet_count");
  need(chamber.has_value(), "chamber_diameter_mm");
  if (!missing.empty()) {
    const bool disputed = facts != nullptr && !facts->disputed.empty();
    return "geometry not on record: " + missing + (disputed ? " (or two statements differ)" : "");
  }
  if (!(chamber->mm > exit->mm)) return "the chamber on record is not wider than the exit";
  geometry = {*exit, *inlet, *chamber, static_cast<int>(std::lround(count->value)),
              LengthOf("exit_length_mm", facts, run)};
  return "";
}

std::string KindOf(const ElementFacts* facts, const RunReadings& run) {
  if (!run.kind.empty()) return run.kind;
  if (facts != nullptr) {
    if (const auto found = facts->texts.find("kind"); found != facts->texts.end()) return found->second;
  }
  return "swirl";
}

std::optional<calib::LiquidKind> LiquidOf(std::string name) {
  if (name.ends_with(kAssumed)) name.resize(name.size() - kAssumed.size());
  if (name.empty()) name = "water";
  return calib::LiquidFromName(name);
}

// Weighed mean of a run's points, and its shares, all as parts of the value.
struct RunMean {
  double ln = 0.0;
  Shares shares;
};

std::optional<RunMean> MeanOf(const RunReadings& run, ReadQuantity quantity, bool tangent, int& points) {
  double weight_sum = 0.0, frames = 0.0;
  RunMean mean;
  for (const PointReadings& point : run.points) {
    const auto &value = point[quantity], &pressure = point[ReadQuantity::kPressureBar];
    if (!value || !(value->value > 0.0)) continue;
    // Without a pressure (an angle alone) all points alike.
    const double weight = pressure && pressure->value > 0.0 ? pressure->value : 1.0;
    // d ln tan a = 2 da / sin 2a
    const double radians = value->value * std::numbers::pi / 180.0;
    if (tangent && !(value->value < 89.0)) continue;
    const double per =
        tangent ? 2.0 / std::sin(2.0 * radians) * std::numbers::pi / 180.0 : 1.0 / value->value;
    mean.ln += weight * (tangent ? std::log(std::tan(radians)) : std::log(value->value));
    frames += std::pow(weight * per * value->shares.frames, 2);
    for (double Shares::*share : {&Shares::clip, &Shares::rig, &Shares::meter, &Shares::day, &Shares::model})
      mean.shares.*share += weight * per * value->shares.*share;
    weight_sum += weight;
    ++points;
  }
  if (!(weight_sum > 0.0)) return std::nullopt;
  mean.ln /= weight_sum;
  mean.shares.frames = std::sqrt(frames) / weight_sum;
  for (double Shares::*share : {&Shares::clip, &Shares::rig, &Shares::meter, &Shares::day, &Shares::model})
    mean.shares.*share /= weight_sum;
  return mean;
}

std::optional<SizeReading> ReadingOf(const std::vector<const RunReadings*>& runs, ReadQuantity quantity,
                                     bool tangent) {
  SizeReading reading;
  std::vector<RunMean> means;
  std::vector<const RunReadings*> of;
  for (const RunReadings* run : runs) {
    if (const auto mean = MeanOf(*run, quantity, tangent, reading.points)) {
      means.push_back(*mean);
      of.push_back(run);
    }
  }
  if (means.empty()) return std::nullopt;
  const double n = static_cast<double>(means.size());
  double ln = 0.0, own = 0.0, scatter = 0.0;
  for (std::size_t i = 0; i < means.size(); ++i) {
    ln += means[i].ln / n;
    own += std::pow(means[i].shares.Own() / n, 2);
    // What cannot be told apart by a key belongs to all: the careful reading.
    reading.shared["meter " + of[i]->meter_shared] += means[i].shares.meter / n;
    reading.shared["rig " + of[i]->rig_shared] += means[i].shares.rig / n;
    reading.shared["day " + of[i]->date] += means[i].shares.day / n;
    reading.shared["model"] += means[i].shares.model / n;
  }
  // Runs of one element that scatter more than their own u lets expect (mounting, days): the mean is as good
  // as they agree.
  for (const RunMean& mean : means) scatter += std::pow(mean.ln - ln, 2);
  if (means.size() > 1) own = std::max(own, scatter / (n - 1.0) / n);
  std::erase_if(reading.shared, [](const auto& entry) { return entry.second == 0.0; });
  reading.u_ln = std::sqrt(own);
  reading.value = tangent ? std::atan(std::exp(ln)) * 180.0 / std::numbers::pi : std::exp(ln);
  reading.runs = static_cast<int>(means.size());
  return reading;
}

// Mean liquid and pressures over the points that have a flow area or an angle. Why not, or nothing.
std::string ReadConditions(const std::vector<const RunReadings*>& runs, SizeElement& element) {
  double weight = 0.0;
  element.pressure_lo_bar = std::numeric_limits<double>::infinity();
  for (const RunReadings* run : runs) {
    const auto kind = LiquidOf(run->liquid);
    if (!kind) return "its liquid's viscosity is not in the index (" + run->liquid + ")";
    if (!element.liquid.empty() && element.liquid != calib::NameOf(*kind))
      return "tested with more than one liquid";
    element.liquid = calib::NameOf(*kind);
    for (const PointReadings& point : run->points) {
      const auto& pressure = point[ReadQuantity::kPressureBar];
      if (!pressure || !(pressure->value > 0.0)) continue;
      if (!point[ReadQuantity::kFlowAreaMm2] && !point[ReadQuantity::kConeHalfAngleDeg]) continue;
      const double temperature = point.temperature_c.value_or(kRoomTemperatureC);
      element.density_kg_m3 +=
          pressure->value * calib::DensityKgM3(*kind, temperature, (1.0 + pressure->value) * kPaPerBar).value;
      element.viscosity_pa_s += pressure->value * calib::ViscosityPaS(*kind, temperature).value;
      element.pressure_bar += pressure->value * pressure->value;
      element.pressure_lo_bar = std::min(element.pressure_lo_bar, pressure->value);
      element.pressure_hi_bar = std::max(element.pressure_hi_bar, pressure->value);
      weight += pressure->value;
    }
  }
  if (!(weight > 0.0)) return "no point with a pressure drop";
  for (double* mean : {&element.density_kg_m3, &element.viscosity_pa_s, &element.pressure_bar})
    *mean /= weight;
  return "";
}

}  // namespace

double SizeGeometry::InletAreaMm2() const {
  return inlets * std::numbers::pi / 4.0 * inlet.mm * inlet.mm;
}

SizeRecord SizeRecordOf(const std::vector<RunReadings>& runs,
                        const std::map<std::string, ElementFacts>& facts) {
  std::map<std::string, std::vector<const RunReadings*>> by_element;
  for (const RunReadings& run : runs) by_element[run.element].push_back(&run);
  SizeRecord record;
  for (const auto& [id, of] : by_element) {
    const auto found = facts.find(id);
    const ElementFacts* fact = found == facts.end() ? nullptr : &found->second;
    std::vector<const RunReadings*> used;
    for (const RunReadings* run : of) {
      const bool has = std::any_of(run->points.begin(), run->points.end(), [](const PointReadings& point) {
        return point[ReadQuantity::kFlowAreaMm2] || point[ReadQuantity::kConeHalfAngleDeg];
      });
      if (has && KindOf(fact, *run) == "swirl") used.push_back(run);
    }
    if (used.empty()) {
      const std::string kind = KindOf(fact, *of.front());
      record.unused.push_back({id, kind == "swirl" ? "no flow area and no cone half angle on record"
                                                   : "not a swirl element (" + kind + ")"});
      continue;
    }
    SizeElement element;
    element.id = id;
    const RunReadings& latest = *used.back();
    element.batch = latest.batch;
    if (element.batch.empty() && fact != nullptr) {
      if (const auto batch = fact->texts.find("batch"); batch != fact->texts.end())
        element.batch = batch->second;
    }
    std::string reason = ReadGeometry(fact, latest, element.geometry);
    if (reason.empty()) reason = ReadConditions(used, element);
    if (!reason.empty()) {
      record.unused.push_back({id, reason});
      continue;
    }
    element.imported = std::any_of(used.begin(), used.end(),
                                   [](const RunReadings* run) { return run->origin == "imported"; });
    element.flow_area_mm2 = ReadingOf(used, ReadQuantity::kFlowAreaMm2, false);
    element.cone_half_angle_deg = ReadingOf(used, ReadQuantity::kConeHalfAngleDeg, true);
    record.elements.push_back(std::move(element));
  }
  return record;
}

}  // namespace conebook::src

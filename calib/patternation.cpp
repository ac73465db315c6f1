#include "calib/patternation.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <map>
#include <numbers>
#include <stdexcept>
#include <utility>

#include <Eigen/Core>
#include <fmt/format.h>

#include "calib/error.h"

namespace conebook::calib {
namespace {

constexpr double kDegPerRad = 180.0 / std::numbers::pi;
const double kNoLimit = std::numeric_limits<double>::infinity();

// One collector's flow, g/s.
struct Flow {
  double value = 0.0, variance = 0.0, dof = kNoLimit;
  int repeats = 0;
};

using Key = std::pair<int, int>;  // sector, ring; -1: not told

void CheckRow(const CollectorRow& row, const CollectorRow& first) {
  const auto bad = [&](const std::string& text) { throw InputError(row.place + ": " + text); };
  if (!(row.mass_g >= 0.0) || !std::isfinite(row.mass_g))
    bad(fmt::format("mass {} g: expected 0 or above; take the empty collector's mass off", row.mass_g));
  if (!(row.time_s > 0.0) || !std::isfinite(row.time_s))
    bad(fmt::format("time {} s: expected above 0, how long it collected", row.time_s));
  if ((row.u_mass_g && !(*row.u_mass_g >= 0.0 && std::isfinite(*row.u_mass_g))) ||
      (row.u_time_s && !(*row.u_time_s >= 0.0 && std::isfinite(*row.u_time_s))))
    bad("an uncertainty is below 0: expected one standard deviation");
  if (!row.sector && !row.ring) bad("neither sector nor ring: say which collector this is");
  if ((row.sector && *row.sector < 0) || (row.ring && *row.ring < 0))
    bad("an index is below 0: count from 0");
  if (row.sector.has_value() != first.sector.has_value() || row.ring.has_value() != first.ring.has_value())
    bad("names other kinds of index than the first row: sector, ring or both, the same in all rows");
}

// Repeats of one collector: their mean, and the larger of stated u and scatter.
Flow MeanFlow(const std::vector<CollectorRow>& rows, const PatternationOptions& options) {
  Flow flow;
  const auto n = static_cast<double>(rows.size());
  std::vector<double> values;
  for (const CollectorRow& row : rows) {
    const double value = row.mass_g / row.time_s;
    const double by_mass = row.u_mass_g.value_or(options.u_mass_g) / row.time_s;
    const double by_time = value * row.u_time_s.value_or(options.u_time_s) / row.time_s;
    values.push_back(value);
    flow.value += value / n;
    flow.variance += (by_mass * by_mass + by_time * by_time) / (n * n);
  }
  flow.repeats = static_cast<int>(rows.size());
  if (rows.size() > 1) {
    double scatter = 0.0;
    for (const double v : values) scatter += (v - flow.value) * (v - flow.value);
    scatter /= (n - 1.0) * n;
    if (scatter > flow.variance) {
      flow.variance = scatter;
      flow.dof = n - 1.0;
    }
  }
  return flow;
}

Quantity Weighed(double value, double u, double dof = kNoLimit) {
  return Combine(value, {{"weighing, timing and repeats", u, Shared::kDay, dof}});
}

// Sum over collectors of slope * flow, first order; dof by Welch and Satterthwaite.
Quantity FirstOrder(double value, const std::vector<double>& slopes, const std::vector<Flow>& flows) {
  double variance = 0.0, fourth = 0.0;
  for (std::size_t i = 0; i < flows.size(); ++i) {
    const double v = slopes[i] * slopes[i] * flows[i].variance;
    variance += v;
    if (std::isfinite(flows[i].dof)) fourth += v * v / flows[i].dof;
  }
  return Weighed(value, std::sqrt(variance), fourth > 0.0 ? variance * variance / fourth : kNoLimit);
}

std::vector<Flow> SumBy(const std::map<Key, Flow>& flows, int Key::*which, int count) {
  std::vector<Flow> sums(static_cast<std::size_t>(count));
  std::vector<double> fourth(sums.size(), 0.0);
  for (const auto& [key, flow] : flows) {
    const auto i = static_cast<std::size_t>(key.*which);
    sums[i].value += flow.value;
    sums[i].variance += flow.variance;
    if (std::isfinite(flow.dof)) fourth[i] += flow.variance * flow.variance / flow.dof;
  }
  for (std::size_t i = 0; i < sums.size(); ++i)
    if (fourth[i] > 0.0) sums[i].dof = sums[i].variance * sums[i].variance / fourth[i];
  return sums;
}

std::vector<CollectorFlow> Shares(const std::vector<Flow>& flows, double total) {
  std::vector<CollectorFlow> result;
  for (std::size_t i = 0; i < flows.size(); ++i) {
    CollectorFlow c;
    c.index = static_cast<int>(i);
    c.flow_g_s = Weighed(flows[i].value, std::sqrt(flows[i].variance), flows[i].dof);
    const double share = flows[i].value / total;
    std::vector<double> slopes(flows.size(), -share / total);
    slopes[i] += 1.0 / total;
    c.share = FirstOrder(share, slopes, flows);
    result.push_back(c);
  }
  return result;
}

void ReadSectors(const std::vector<Flow>& flows, double total, const PatternationOptions& options,
                 Patternation& p) {
  const auto n = static_cast<double>(flows.size());
  p.sectors = Shares(flows, total);
  double half_sum = 0.0, smallest = kNoLimit, largest = 0.0;
  std::vector<double> sign(flows.size());
  for (std::size_t i = 0; i < flows.size(); ++i) {
    p.sectors[i].angle_deg = std::fmod(options.first_sector_deg + 360.0 * static_cast<double>(i) / n, 360.0);
    const double excess = p.sectors[i].share.value - 1.0 / n;
    half_sum += 0.5 * std::abs(excess);
    sign[i] = excess > 0.0 ? 0.5 : -0.5;
    // Mean of |noise|: sqrt(2 / pi) of its standard deviation.
    p.non_uniformity_by_noise += 0.5 * std::sqrt(2.0 / std::numbers::pi) * p.sectors[i].share.u;
    smallest = std::min(smallest, flows[i].value);
    largest = std::max(largest, flows[i].value);
  }
  double mean_sign = 0.0;
  for (std::size_t i = 0; i < flows.size(); ++i) mean_sign += sign[i] * p.sectors[i].share.value;
  std::vector<double> slopes(flows.size());
  for (std::size_t i = 0; i < flows.size(); ++i) slopes[i] = (sign[i] - mean_sign) / total;
  p.non_uniformity = FirstOrder(half_sum, slopes, flows);
  if (smallest > 0.0) p.largest_over_smallest = largest / smallest;
  if (flows.size() < 3) return;

  // b's components, and what each collector's flow does to them.
  const double step = std::numbers::pi / n;
  const double scale = 2.0 * step / std::sin(step);
  double x = 0.0, y = 0.0;
  for (const CollectorFlow& c : p.sectors) {
    x += scale * c.share.value * std::cos(c.angle_deg / kDegPerRad);
    y += scale * c.share.value * std::sin(c.angle_deg / kDegPerRad);
  }
  std::vector<double> by_x, by_y, by_b, by_angle;
  const double b = std::hypot(x, y);
  for (const CollectorFlow& c : p.sectors) {
    by_x.push_back((scale * std::cos(c.angle_deg / kDegPerRad) - x) / total);
    by_y.push_back((scale * std::sin(c.angle_deg / kDegPerRad) - y) / total);
    by_b.push_back(b > 0.0 ? (x * by_x.back() + y * by_y.back()) / b : by_x.back());
    by_angle.push_back(b > 0.0 ? (x * by_y.back() - y * by_x.back()) / (b * b) * kDegPerRad : 0.0);
  }
  Imbalance imbalance;
  imbalance.x = FirstOrder(x, by_x, flows);
  imbalance.y = FirstOrder(y, by_y, flows);
  imbalance.relative = FirstOrder(b, by_b, flows);
  if (b > 2.0 * std::max(imbalance.x.u, imbalance.y.u)) {
    double direction = std::atan2(y, x) * kDegPerRad;
    if (direction < 0.0) direction += 360.0;
    imbalance.direction_deg = FirstOrder(direction, by_angle, flows);
  }
  p.imbalance = imbalance;
}

void ReadRings(const std::vector<Flow>& flows, double total, const PatternationOptions& options,
               Patternation& p) {
  p.rings = Shares(flows, total);
  p.ring_edge_mm = options.ring_edge_mm;
  const std::vector<double>& edge = options.ring_edge_mm;
  if (edge.empty()) return;
  if (edge.size() != flows.size() + 1)
    throw InputError(fmt::format("patternation: {} ring edges for {} rings: expected one more than rings",
                                 edge.size(), flows.size()));
  double radius = 0.0;
  for (std::size_t i = 0; i < flows.size(); ++i) {
    const double area = std::numbers::pi * (edge[i + 1] * edge[i + 1] - edge[i] * edge[i]);
    p.rings[i].flux_g_s_mm2 =
        Weighed(flows[i].value / area, std::sqrt(flows[i].variance) / area, flows[i].dof);
    radius += p.rings[i].share.value * 0.5 * (edge[i] + edge[i + 1]);
  }
  std::vector<double> slopes;
  for (std::size_t i = 0; i < flows.size(); ++i)
    slopes.push_back((0.5 * (edge[i] + edge[i + 1]) - radius) / total);
  p.mean_radius_mm = FirstOrder(radius, slopes, flows);
}

}  // namespace

std::optional<std::string> PatternationOptions::Problem() const {
  if (!std::isfinite(first_sector_deg))
    return fmt::format("first_sector_deg = {}: must be finite", first_sector_deg);
  if (!(u_mass_g >= 0.0)) return fmt::format("u_mass_g = {}: must be 0 or above", u_mass_g);
  if (!(u_time_s >= 0.0)) return fmt::format("u_time_s = {}: must be 0 or above", u_time_s);
  for (std::size_t i = 0; i < ring_edge_mm.size(); ++i)
    if (!(ring_edge_mm[i] >= 0.0) || (i > 0 && !(ring_edge_mm[i] > ring_edge_mm[i - 1])))
      return fmt::format("ring_edge_mm = {}: must rise from 0 or above", ring_edge_mm[i]);
  return std::nullopt;
}

Patternation ReadPattern(const std::vector<CollectorRow>& rows, const PatternationOptions& options) {
  if (const auto problem = options.Problem()) throw InputError("patternation: " + *problem);
  if (rows.empty()) throw InputError("patternation: no rows: expected one a collector");
  std::map<Key, std::vector<CollectorRow>> table;
  int sectors = 0, rings = 0;
  for (const CollectorRow& row : rows) {
    CheckRow(row, rows.front());
    table[{row.sector.value_or(-1), row.ring.value_or(-1)}].push_back(row);
    if (row.sector) sectors = std::max(sectors, *row.sector + 1);
    if (row.ring) rings = std::max(rings, *row.ring + 1);
  }
  const auto wanted =
      static_cast<std::size_t>(std::max(1, sectors)) * static_cast<std::size_t>(std::max(1, rings));
  if (table.size() != wanted)
    for (int s = sectors > 0 ? 0 : -1; s < std::max(sectors, 0); ++s)
      for (int r = rings > 0 ? 0 : -1; r < std::max(rings, 0); ++r)
        if (!table.contains({s, r}))
          throw InputError(
              fmt::format("{}: no row for {}{}{}: expected every collector; write mass 0 where it stayed dry",
                          rows.back().place, s >= 0 ? fmt::format("sector {}", s) : "",
                          s >= 0 && r >= 0 ? ", " : "", r >= 0 ? fmt::format("ring {}", r) : ""));
  if (sectors == 1 && rings == 0)
    throw InputError(rows.back().place + ": one sector only: nothing to compare");

  Patternation p;
  std::map<Key, Flow> flows;
  std::vector<Flow> all;
  double total = 0.0;
  p.repeats = std::numeric_limits<int>::max();
  for (const auto& [key, repeated] : table) {
    all.push_back(MeanFlow(repeated, options));
    flows[key] = all.back();
    total += all.back().value;
    p.repeats = std::min(p.repeats, all.back().repeats);
  }
  if (!(total > 0.0)) throw InputError(rows.back().place + ": nothing was collected: all masses are 0");
  p.total_g_s = FirstOrder(total, std::vector<double>(all.size(), 1.0), all);
  if (sectors > 0) ReadSectors(SumBy(flows, &Key::first, sectors), total, options, p);
  if (rings > 0) ReadRings(SumBy(flows, &Key::second, rings), total, options, p);
  return p;
}

}  // namespace conebook::calib

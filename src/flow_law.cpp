#include "src/flow_law.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <map>

#include <fmt/core.h>

#include <calib/regression.h>

namespace conebook::src {
namespace {

using calib::Contribution;
using calib::Shared;

constexpr double kExponentTolerance = 0.01;  // losses and meters bend the law by this much without meaning

calib::Quantity FlowAreaFit(const std::vector<FlowLawPoint>& points) {
  std::vector<double> roots, flows;
  double xx = 0.0;
  for (const FlowLawPoint& point : points) {
    roots.push_back(point.root);
    flows.push_back(point.flow_kg_s);
    xx += point.root * point.root;
  }
  const calib::OriginFit fit = *calib::FitThroughOrigin(roots, flows);
  const double area_mm2 = fit.slope * 1e6;
  struct Sum {
    double linear = 0.0, squares = 0.0;
    bool independent = false;
    Shared shared = Shared::kClip;
  };
  std::map<std::string, Sum> sums;
  for (const FlowLawPoint& point : points) {
    const double weight = point.root * point.flow_kg_s / (xx * fit.slope);  // of the point's relative error
    for (const AreaShare& share : point.shares) {
      Sum& sum = sums[share.part.source];
      sum.independent = share.independent;
      sum.shared = share.part.shared;
      sum.linear += weight * share.part.u;
      sum.squares += weight * weight * share.part.u * share.part.u;
    }
  }
  std::vector<Contribution> budget;
  double statistics = 0.0;
  for (const auto& [source, sum] : sums) {
    if (sum.independent) {
      statistics += sum.squares;
    } else {
      budget.push_back({source, area_mm2 * sum.linear, sum.shared});
    }
  }
  // The points' own scatter and what their statistics let expect: the larger of the two.
  const double expected = area_mm2 * std::sqrt(statistics);
  const double seen = fit.sd_slope.value_or(0.0) * 1e6;
  if (seen > expected) {
    budget.push_back(
        {"scatter of the points about the law", seen, Shared::kClip, static_cast<double>(fit.dof)});
  } else {
    budget.push_back({"scatter of pressure and flow", expected, Shared::kFrames});
  }
  return calib::Combine(area_mm2, std::move(budget));
}

std::optional<calib::Quantity> ExponentFit(const std::vector<FlowLawPoint>& points) {
  if (points.size() < 3) return std::nullopt;
  const auto fit_with = [&](double added_share, const std::string& source) {
    std::vector<double> x, y;
    for (const FlowLawPoint& point : points) {
      double drop = point.drop_bar;
      for (const AreaShare& share : point.shares) {
        // The area's share is half the pressure's.
        if (share.part.source == source) drop *= 1.0 + added_share * 2.0 * share.part.u;
      }
      x.push_back(std::log(drop));
      y.push_back(std::log(point.flow_kg_s));
    }
    return calib::FitLine(x, y);
  };
  const auto fit = fit_with(0.0, "");
  if (!fit || !fit->sd_slope) return std::nullopt;
  double xx = 0.0, expected = 0.0;
  for (const FlowLawPoint& point : points) xx += std::pow(std::log(point.drop_bar) - fit->mean_x, 2);
  for (const FlowLawPoint& point : points) {
    const double weight = (std::log(point.drop_bar) - fit->mean_x) / xx;
    for (const AreaShare& share : point.shares) {
      if (share.independent) expected += weight * weight * share.part.u * share.part.u;
    }
  }
  std::vector<Contribution> budget;
  // An offset of the pressure (height of the tap, ambient) bends the law; a factor does not.
  for (const AreaShare& share : points.front().shares) {
    const std::string& source = share.part.source;
    const bool offset = source.rfind("height of the tap", 0) == 0 ||
                        source.rfind("ambient pressure", 0) == 0 || source == "pressure calibration" ||
                        source.rfind("zero of the pressure sensor", 0) == 0;
    if (!offset) continue;
    if (const auto bent = fit_with(1.0, source)) {
      budget.push_back({source, std::abs(bent->slope - fit->slope), share.part.shared});
    }
  }
  if (*fit->sd_slope > std::sqrt(expected)) {
    budget.push_back({"scatter of the points about the law", *fit->sd_slope, Shared::kClip,
                      static_cast<double>(fit->dof)});
  } else {
    budget.push_back({"scatter of pressure and flow", std::sqrt(expected), Shared::kFrames});
  }
  return calib::Combine(fit->slope, std::move(budget));
}

}  // namespace

Cd CdOf(const calib::Quantity& flow_area_mm2, const calib::Quantity& area_mm2, const std::string& kind) {
  std::vector<Contribution> budget;
  for (Contribution part : flow_area_mm2.budget) {
    part.u /= area_mm2.value;
    budget.push_back(std::move(part));
  }
  const double value = flow_area_mm2.value / area_mm2.value;
  for (Contribution part : area_mm2.budget) {
    part.u *= value / area_mm2.value;
    budget.push_back(std::move(part));
  }
  return {calib::Combine(value, std::move(budget)), kind, area_mm2};
}

FlowLaw FitFlowLaw(const std::vector<FlowLawPoint>& points, const calib::Quantity& area_mm2,
                   const std::string& kind, std::vector<calib::Flag>& flags) {
  FlowLaw law;
  law.flow_area_mm2 = FlowAreaFit(points);
  law.cd = CdOf(*law.flow_area_mm2, area_mm2, kind).cd;
  law.exponent = ExponentFit(points);
  const auto flag = [&](const char* code, calib::Severity severity, std::string message, const char* advice) {
    flags.push_back({code, severity, std::nullopt, std::string("exponent"), std::move(message), advice});
  };
  if (!law.exponent) {
    flag(
        "exponent_needs_points", calib::Severity::kInfo,
        fmt::format(
            "{} pressure point{} with flow: the exponent of the flow law needs three, at different pressures",
            points.size(), points.size() == 1 ? "" : "s"),
        "flow the element at three pressures or more");
    return law;
  }
  const calib::Interval interval = calib::Interval95(*law.exponent);
  const double off = std::abs(law.exponent->value - 0.5);
  if (off > kExponentTolerance && (interval.lo > 0.5 || interval.hi < 0.5)) {
    flag("exponent_off", calib::Severity::kWarn,
         fmt::format("flow goes with pressure drop to the power {:.3f} (u {:.3f}); a steady single-phase "
                     "element has 0.5",
                     law.exponent->value, law.exponent->u),
         "look for cavitation, a zero error of the pressure sensor, a meter below its range, or leaks");
  }
  return law;
}

}  // namespace conebook::src

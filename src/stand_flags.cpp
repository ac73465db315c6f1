#include "src/stand_flags.h"

#include <algorithm>
#include <cmath>
#include <string>

#include <fmt/core.h>

#include "src/discharge.h"

namespace conebook::src {
namespace {

using calib::Flag;
using calib::Severity;

constexpr const char* kAboveRated = "above_rated_pressure";
constexpr double kUnsteadyShare = 0.04;  // drift from end to end, or scatter of the rows

}  // namespace

void FlagRatedPressure(const Rig& rig, double highest_bar, std::vector<Flag>& flags) {
  if (!rig.stand.rated_bar) {
    flags.push_back({"rated_pressure_unknown", Severity::kInfo, std::nullopt, std::nullopt,
                     "the rig does not state the stand's rated pressure: nothing checks that it was kept",
                     "state [stand] rated_bar, the lowest rating of tank, hoses and fittings"});
    return;
  }
  if (!(highest_bar > *rig.stand.rated_bar)) return;
  flags.push_back(
      {kAboveRated, Severity::kWarn, std::nullopt, std::string("pressure_bar"),
       fmt::format("the pressure reached {:.2f} bar, above the stand's rated {:.2f} bar", highest_bar,
                   *rig.stand.rated_bar),
       "stop: have tank, hoses and fittings inspected by someone licensed to before the next test, and lower "
       "the regulator"});
}

void FlagAbsoluteSensor(const Rig& rig, const StandLog& log, std::vector<Flag>& flags) {
  if (ReadsAbsolute(rig) || rig.log.pressure_kind || log.flow.empty()) return;
  const double most = *std::max_element(log.flow.begin(), log.flow.end());
  std::vector<double> at_rest;
  for (std::size_t i = 0; i < log.Rows(); ++i) {
    if (log.flow[i] <= 0.005 * most) at_rest.push_back(log.pressure_bar[i]);
  }
  if (at_rest.size() < 5) return;
  const auto middle = at_rest.begin() + static_cast<std::ptrdiff_t>(at_rest.size() / 2);
  std::nth_element(at_rest.begin(), middle, at_rest.end());
  if (!(*middle > 0.85 && *middle < 1.1)) return;
  flags.push_back(
      {"pressure_maybe_absolute", Severity::kWarn, std::nullopt, std::string("pressure_bar"),
       fmt::format("without flow the log reads {:.2f} bar, as an absolute sensor would; it was taken as "
                   "pressure above ambient",
                   *middle),
       "state [log] pressure_kind, \"gauge\" or \"absolute\", in the rig"});
}

void FlagUnsteady(const std::vector<SteadyStretch>& stretches, std::vector<Flag>& flags) {
  for (std::size_t k = 0; k < stretches.size(); ++k) {
    const SteadyStretch& stretch = stretches[k];
    if (std::abs(stretch.drift_share) <= kUnsteadyShare && stretch.scatter_share <= kUnsteadyShare) continue;
    flags.push_back({"unsteady", Severity::kWarn, static_cast<int>(k), std::string("pressure_bar"),
                     fmt::format("the pressure drifts by {:.1f} % and scatters by {:.1f} % within the point",
                                 100.0 * stretch.drift_share, 100.0 * stretch.scatter_share),
                     "check the regulator; a longer run at steady pressure gives a smaller uncertainty"});
  }
}

void ExplainWhatIsMissing(const Rig& rig, Run& run) {
  if (run.GetVerdict() == Verdict::kRejected) return;
  const bool drops_view = rig.view.shows == vision::Shows::kDrops;
  const auto explained = [&](const char* quantity, int point) {
    return std::any_of(run.flags.begin(), run.flags.end(), [&](const Flag& flag) {
      return flag.quantity == quantity && (!flag.point || *flag.point == point);
    });
  };
  const auto check = [&](const char* quantity, auto missing, const char* code, const char* message) {
    std::vector<int> unexplained;
    for (std::size_t k = 0; k < run.points.size(); ++k) {
      const int point = static_cast<int>(k);
      if (missing(run.points[k]) && !explained(quantity, point)) unexplained.push_back(point);
    }
    if (unexplained.empty()) return;
    const bool all = unexplained.size() == run.points.size();
    for (const int point : all ? std::vector<int>{-1} : unexplained) {
      run.flags.push_back({code, Severity::kInfo, all ? std::nullopt : std::optional<int>(point),
                           std::string(quantity), fmt::format("{}: {}", quantity, message), ""});
    }
  };
  const bool stand =
      run.log.has_value() || std::any_of(run.points.begin(), run.points.end(),
                                         [](const Point& point) { return point.pressure_bar.has_value(); });
  const char* const no_log = "no log and no readings were given";
  check(
      "pressure_bar", [](const Point& p) { return !p.pressure_bar; }, stand ? "not_in_log" : "no_log",
      stand ? "the log holds no steady pressure for this stretch" : no_log);
  const char* const flow_code = stand ? "no_flow_reading" : "no_log";
  const char* const flow_reason = stand ? "there is no flow reading" : no_log;
  check(
      "flow_kg_s", [](const Point& p) { return !p.flow_kg_s; }, flow_code, flow_reason);
  check(
      "flow_area_mm2", [](const Point& p) { return !p.flow_area_mm2; }, flow_code, flow_reason);
  check(
      "cd", [](const Point& p) { return !p.cd; }, flow_code, flow_reason);
  const bool clip = run.footage.has_value();
  const char* const code = clip ? "not_measured" : "no_clip";
  const char* const reason = clip ? "the footage did not give it" : "flow-only run, no clip";
  if (!drops_view) {
    check(
        "half_angle_deg", [](const Point& p) { return !p.spray.half_angle; }, code, reason);
    check(
        "breakup_mm", [](const Point& p) { return !p.spray.breakup_mm && !p.spray.breakup_lower_bound_mm; },
        code, reason);
  }
  const char* const view_reason = drops_view ? "the clip is a close-up of drops" : reason;
  const char* const view_code = drops_view ? "drops_view" : code;
  check(
      "apparent_half_angle_deg", [](const Point& p) { return !p.spray.apparent_half_angle_deg; }, view_code,
      view_reason);
  check(
      "sheet_half_angle_deg", [](const Point& p) { return !p.spray.sheet_half_angle_deg; }, view_code,
      view_reason);
  check(
      "cone_half_angle_deg", [](const Point& p) { return !p.spray.cone_half_angle_deg; }, view_code,
      view_reason);
  check(
      "pulsation", [](const Point& p) { return !p.spray.pulsation; },
      clip && !drops_view ? "no_pulsation" : view_code,
      clip && !drops_view ? "no periodic swing of the angle stands out" : view_reason);
  check(
      "d32_um", [](const Point&) { return true; }, clip ? "drops_not_measured" : "no_clip",
      clip ? "drop sizes are not measured by this version" : reason);
}

void OrderFlags(std::vector<Flag>& flags) {
  const auto rank = [](const Flag& flag) {
    if (flag.code == kAboveRated) return 0;
    switch (flag.severity) {
      case Severity::kReject:
        return 1;
      case Severity::kWarn:
        return 2;
      case Severity::kInfo:
        return 3;
    }
    return 3;
  };
  std::stable_sort(flags.begin(), flags.end(),
                   [&](const Flag& a, const Flag& b) { return rank(a) < rank(b); });
}

}  // namespace conebook::src

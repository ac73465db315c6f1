#include "src/stand_flags.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <string>
#include <string_view>

#include <fmt/core.h>

#include "src/circuits.h"
#include "src/discharge.h"
#include "src/flow_numbers.h"
#include "src/liquid_state.h"
#include "src/rest_zero.h"
#include "src/stand_sensors.h"

namespace conebook::src {
namespace {

using calib::Flag;
using calib::Severity;

constexpr const char* kAboveRated = "above_rated_pressure";
constexpr double kUnsteadyShare = 0.04;  // drift from end to end, or scatter of the rows

// Remarks on how a number was had, or how good it is; none says why one is missing.
bool IsReason(const std::string& code) {
  static constexpr std::array kRemarks{"above_rated_pressure",
                                       "few_drops",
                                       "pulsation_found",
                                       "one_large_drop",
                                       "drops_partly",
                                       "drops_below_sheet_partly",
                                       "pressure_maybe_absolute",
                                       "unsteady",
                                       "line_loss_unknown",
                                       "pressure_out_of_range",
                                       "meter_out_of_range",
                                       "calibration_expired",
                                       "ambient_assumed",
                                       "zero_from_rest",
                                       "pressure_pulsates",
                                       "cd_drifts",
                                       "temperature_drifts",
                                       "zero_unknown",
                                       "meter_lags",
                                       "reference_area",
                                       "bore_uncertain",
                                       "sweep_too_fast",
                                       "sweep_law_breaks",
                                       "sweep_rises",
                                       "cd_above_one",
                                       "exponent_off",
                                       "exponent_needs_points",
                                       "edges_unsteady",
                                       "edges_seldom_found",
                                       "far_station_moved",
                                       "stations_too_close",
                                       "reference_level_moved",
                                       "back_pressure_needed"};
  const std::string_view end = "_unit_assumed";
  if (code.size() > end.size() && std::string_view(code).substr(code.size() - end.size()) == end)
    return false;
  return std::none_of(kRemarks.begin(), kRemarks.end(), [&](const char* remark) { return code == remark; });
}

class Explainer {
 public:
  explicit Explainer(Run& run) : run_(run), given_(run.flags) {}

  // One flag for all points, or one for each that lacks both the quantity and a reason.
  template <typename Missing>
  void Say(const char* quantity, Missing missing, const char* code, const char* reason, const char* advice) {
    std::vector<int> unexplained;
    for (std::size_t k = 0; k < run_.points.size(); ++k) {
      const int point = static_cast<int>(k);
      if (missing(run_.points[k]) && !Explained(quantity, point)) unexplained.push_back(point);
    }
    if (unexplained.empty()) return;
    const bool all = unexplained.size() == run_.points.size();
    for (const int point : all ? std::vector<int>{-1} : unexplained) {
      run_.flags.push_back({code, Severity::kInfo, all ? std::nullopt : std::optional<int>(point),
                            std::string(quantity), fmt::format("{}: {}", quantity, reason), advice});
    }
  }

  bool Raised(const std::string& code) const {
    return std::any_of(given_.begin(), given_.end(), [&](const Flag& flag) { return flag.code == code; });
  }
  bool Raised(const std::string& code, const Point& point) const {
    const auto at = static_cast<int>(&point - run_.points.data());
    return std::any_of(given_.begin(), given_.end(),
                       [&](const Flag& flag) { return flag.code == code && flag.point == at; });
  }

 private:
  bool Explained(const char* quantity, int point) const {
    return std::any_of(run_.flags.begin(), run_.flags.end(), [&](const Flag& flag) {
      return flag.quantity == quantity && (!flag.point || *flag.point == point) && IsReason(flag.code);
    });
  }

  Run& run_;
  std::vector<Flag> given_;
};

// Numbers of the flow that the rig's silence leaves out.
void ExplainNumbers(Explainer& explain, const Rig& rig) {
  const LiquidProperties liquid = PropertiesAt(rig, std::nullopt);
  const auto missing = [](auto number) {
    return [number](const Point& p) { return p.flow_kg_s && !(p.numbers.*number); };
  };
  if (!liquid.viscosity_pa_s) {
    const char* const reason = "the rig states the liquid's density, not its viscosity";
    const char* const advice = "state [stand] viscosity_pa_s, or name a known liquid";
    explain.Say("reynolds_exit", missing(&FlowNumbers::reynolds_exit), "viscosity_unknown", reason, advice);
    explain.Say("reynolds_inlets", missing(&FlowNumbers::reynolds_inlets), "viscosity_unknown", reason,
                advice);
  }
  if (rig.kind != "swirl") {
    explain.Say("reynolds_inlets", missing(&FlowNumbers::reynolds_inlets), "no_inlets",
                "an element of this kind has no inlets", "");
  }
  explain.Say("reynolds_inlets", missing(&FlowNumbers::reynolds_inlets), "inlets_unknown",
              "the rig does not state the inlets", "state [element] inlet_count and inlet_diameter_mm");
  explain.Say("weber", missing(&FlowNumbers::weber), "surface_tension_unknown",
              "the rig states the liquid's density, not its surface tension",
              "state [stand] surface_tension_n_m, or name a known liquid");
  if (!liquid.vapour_pressure_pa) {
    explain.Say(
        "cavitation_number", [](const Point& p) { return !p.numbers.cavitation; }, "vapour_pressure_unknown",
        "the rig states the liquid's density, not its vapour pressure",
        "state [stand] vapour_pressure_pa, or name a known liquid");
  }
}

// Pressure, flow, and what follows from both.
void ExplainStand(Explainer& explain, const Rig& rig, const Run& run) {
  const auto no_pressure = [](const Point& p) { return !p.pressure_bar; };
  const auto no_flow = [](const Point& p) { return !p.flow_kg_s; };
  const auto no_area = [](const Point& p) { return !p.flow_area_mm2; };
  const auto no_cd = [](const Point& p) { return !p.cd; };
  const auto no_number = [](auto number) {
    return [number](const Point& p) { return !(p.numbers.*number); };
  };
  const auto by_flow = [&](const auto& say) {
    say("reynolds_exit", no_number(&FlowNumbers::reynolds_exit));
    say("reynolds_inlets", no_number(&FlowNumbers::reynolds_inlets));
    say("weber", no_number(&FlowNumbers::weber));
  };
  const auto no_cavitation = no_number(&FlowNumbers::cavitation);
  const auto all_four = [&](const char* code, const char* reason, const char* advice) {
    explain.Say("pressure_bar", no_pressure, code, reason, advice);
    explain.Say("flow_kg_s", no_flow, code, reason, advice);
    explain.Say("flow_area_mm2", no_area, code, reason, advice);
    explain.Say("cd", no_cd, code, reason, advice);
    by_flow(
        [&](const char* quantity, auto missing) { explain.Say(quantity, missing, code, reason, advice); });
    explain.Say("cavitation_number", no_cavitation, code, reason, advice);
  };
  if (!run.circuits.empty()) {
    const char* const reason = "several circuits flowed, each with its own: see the point's circuits";
    const auto several = [](const Point& p) {
      return std::count_if(p.circuits.begin(), p.circuits.end(),
                           [](const CircuitPoint& circuit) { return circuit.flowing; }) > 1;
    };
    const auto say = [&](const char* quantity, auto missing) {
      explain.Say(
          quantity, [&](const Point& p) { return missing(p) && several(p); }, "several_circuits", reason, "");
    };
    say("pressure_bar", no_pressure);
    say("flow_area_mm2", no_area);
    say("cd", no_cd);
    by_flow(say);
    say("cavitation_number", no_cavitation);
  }
  const bool any_pressure = std::any_of(run.points.begin(), run.points.end(), [](const Point& p) {
    return p.pressure_bar.has_value() || !CircuitsInWords(p).empty();
  });
  if (!run.log && !any_pressure) {
    all_four("no_log", "no log and no readings were given",
             "give --log, or readings of pressure and flow on a test-day sheet");
    return;
  }
  if (!any_pressure) {
    // A log, but none of it belongs to what was filmed.
    const char* reason = "the log holds no steady pressure for this stretch";
    const char* advice = "hold each pressure for a second or more";
    if (explain.Raised("sync_unknown")) {
      reason = "the clip could not be tied to the log";
      advice = "state [sync] log_minus_video_s, or film and log from before the valve opens";
    } else if (explain.Raised("no_point_in_clip")) {
      reason = "none of the log's steady pressures lies within the clip";
      advice = "check [sync] log_minus_video_s, and film through the steady pressure";
    }
    all_four("not_in_log", reason, advice);
    return;
  }
  const auto without = [](auto missing, auto and_also) {
    return [=](const Point& p) { return missing(p) && and_also(p); };
  };
  explain.Say("pressure_bar", no_pressure, "not_in_log", "the log holds no steady pressure for this stretch",
              "hold each pressure for a second or more");
  // The meter stood still, or height and ambient pressure leave no drop: the warning says so for one
  // quantity, and what follows from it is missing for the same reason.
  const auto still = [&](const Point& p) { return explain.Raised("no_flow", p); };
  const auto no_drop = [&](const Point& p) { return explain.Raised("no_pressure_drop", p); };
  const char* const meter = "check the meter, its wiring and its least flow";
  explain.Say("flow_area_mm2", without(no_area, still), "no_flow", "the meter shows no flow", meter);
  explain.Say("cd", without(no_cd, still), "no_flow", "the meter shows no flow", meter);
  explain.Say("cd", without(no_cd, no_drop), "no_pressure_drop", "there is no pressure drop to refer it to",
              "check gauge or absolute, ambient pressure, and the height of the tap");
  const char* const no_reading = "there is no flow reading";
  const char* const log_it = "log the flow meter, or weigh a bucket and give it on a test-day sheet";
  explain.Say("flow_kg_s", no_flow, "no_flow_reading", no_reading, log_it);
  explain.Say("flow_area_mm2", no_area, "no_flow_reading", no_reading, log_it);
  explain.Say("cd", no_cd, "no_flow_reading", no_reading, log_it);
  // Points without pressure lack the cavitation number for the same reason.
  explain.Say("cavitation_number", without(no_cavitation, no_pressure), "not_in_log",
              "the log holds no steady pressure for this stretch", "hold each pressure for a second or more");
  explain.Say("cavitation_number", without(no_cavitation, no_drop), "no_pressure_drop",
              "there is no pressure drop to refer it to",
              "check gauge or absolute, ambient pressure, and the height of the tap");
  ExplainNumbers(explain, rig);
  by_flow([&](const char* quantity, auto missing) {
    explain.Say(quantity, without(missing, still), "no_flow", "the meter shows no flow", meter);
    explain.Say(quantity, without(missing, no_flow), "no_flow_reading", no_reading, log_it);
  });
}

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

void FlagZero(const Rig& rig, const StandLog& log, std::vector<Flag>& flags) {
  if (rig.pressure_zero_bar) return;
  if (const auto rest = ZeroAtRest(rig, log)) {
    flags.push_back(
        {"zero_from_rest", Severity::kInfo, std::nullopt, std::string("pressure_bar"),
         fmt::format(
             "before the valve opens, {:.2f} to {:.2f} s of log time, the sensor reads {:.1f} mbar (u "
             "{:.1f}): taken as its zero",
             rest->t0_s, rest->t1_s, 1e3 * rest->zero_bar.value, 1e3 * rest->zero_bar.u),
         ""});
    return;
  }
  if (rig.pressure_calibration || ReadsAbsolute(rig)) return;
  flags.push_back(
      {"zero_unknown", Severity::kInfo, std::nullopt, std::string("pressure_bar"),
       rig.stand.tap == PressureTap::kTank
           ? "nothing tells the pressure sensor's zero: upstream of the valve the log at rest does "
             "not; 20 mbar are half a per cent of Cd at 2 bar"
           : "nothing tells the pressure sensor's zero: the log shows no rest before the valve "
             "opens, with nothing on the tap; 20 mbar are half a per cent of Cd at 2 bar",
       "log a second before opening, or read the sensor without pressure and state [pressure] "
       "zero_bar"});
}

void FlagExpired(const Rig& rig, const std::optional<std::string>& day, std::vector<Flag>& flags) {
  const auto check = [&](const char* what, const char* quantity, const std::string& date,
                         const std::string& expires) {
    // Days as ISO 8601 writes them sort as text.
    if (!day || expires.empty() || *day <= expires) return;
    flags.push_back({"calibration_expired", Severity::kWarn, std::nullopt, std::string(quantity),
                     fmt::format("the {}'s calibration{} expired on {}, before this test of {}", what,
                                 date.empty() ? std::string() : " of " + date, expires, *day),
                     "calibrate again; if little has changed since, the numbers stand"});
  };
  if (rig.meter) check("flow meter", "flow_kg_s", rig.meter->date, rig.meter->expires);
  if (const auto& sensor = rig.pressure_calibration)
    check("pressure sensor", "pressure_bar", sensor->date, sensor->expires);
  if (rig.line_loss) check("line", "pressure_bar", rig.line_loss->date, rig.line_loss->expires);
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
  Explainer explain(run);
  const bool clip = run.footage.has_value();
  const bool drops_view = rig.view.shows == vision::Shows::kDrops;
  ExplainStand(explain, rig, run);
  const char* const code = clip ? "not_measured" : "no_clip";
  const char* const reason = clip ? "the footage did not give it" : "flow-only run, no clip";
  const char* const advice = clip ? "look for the warning about the spray that comes with this"
                                  : "film the spray where it is wanted";
  const auto spray = [&](const char* quantity, auto missing) {
    explain.Say(quantity, missing, code, reason, advice);
  };
  if (drops_view) {
    const auto drops = [&](const char* quantity, auto missing) {
      explain.Say(quantity, missing, "drops_view", "the clip is a close-up of drops", "");
    };
    drops("apparent_half_angle_deg", [](const Point& p) { return !p.spray.apparent_half_angle_deg; });
    drops("sheet_half_angle_deg", [](const Point& p) { return !p.spray.sheet_half_angle_deg; });
    drops("cone_half_angle_deg", [](const Point& p) { return !p.spray.cone_half_angle_deg; });
    drops("pulsation", [](const Point& p) { return !p.spray.pulsation; });
    drops("stage", [](const Point& p) { return !p.spray.stage; });
  } else {
    spray("half_angle_deg", [](const Point& p) { return !p.spray.half_angle; });
    spray("breakup_mm",
          [](const Point& p) { return !p.spray.breakup_mm && !p.spray.breakup_lower_bound_mm; });
    spray("apparent_half_angle_deg", [](const Point& p) { return !p.spray.apparent_half_angle_deg; });
    spray("sheet_half_angle_deg", [](const Point& p) { return !p.spray.sheet_half_angle_deg; });
    spray("cone_half_angle_deg", [](const Point& p) { return !p.spray.cone_half_angle_deg; });
    spray("stage", [](const Point& p) { return !p.spray.stage; });
    const auto pulsation = [](const Point& p) { return !p.spray.pulsation; };
    if (clip) {
      explain.Say("pulsation", pulsation, "no_pulsation",
                  "not looked for: there is no half angle frame by frame", "");
    } else {
      spray("pulsation", pulsation);
    }
  }
  const auto no_drops = [](const Point& p) { return !p.drops; };
  if (clip && !drops_view) {
    explain.Say(
        "d32_um", no_drops, "drops_not_measured",
        "drop sizes are measured in back light: in a close-up of drops, or where a clip of the whole cone "
        "shows single drops below the sheet's end",
        "film a close-up, with [spray] shows = \"drops\" in the rig");
  } else {
    spray("d32_um", no_drops);
  }
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

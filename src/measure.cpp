#include "src/measure.h"

#include <algorithm>
#include <cmath>
#include <filesystem>

#include <fmt/core.h>

#include <calib/error.h>
#include <calib/weighing.h>

#include "src/circuits.h"
#include "src/discharge.h"
#include "src/flow_average.h"
#include "src/flow_numbers.h"
#include "src/hysteresis.h"
#include "src/iso_date.h"
#include "src/lamp_sync.h"
#include "src/liquid_state.h"
#include "src/log_trace.h"
#include "src/nominal_points.h"
#include "src/opening.h"
#include "src/rest_zero.h"
#include "src/settings_json.h"
#include "src/sha256.h"
#include "src/stand_flags.h"
#include "src/stand_log.h"
#include "src/stand_sensors.h"
#include "src/stand_traps.h"
#include "src/sweep.h"
#include "src/sync.h"
#include "src/theory.h"
#include "src/version.h"
#include "src/wave_speed.h"

namespace conebook::src {
namespace {

using calib::Severity;

constexpr double kAirPa = 101325.0;

void Add(Run& run, const char* code, Severity severity, const char* quantity, std::string message,
         const char* advice) {
  run.flags.push_back({code, severity, std::nullopt,
                       quantity == nullptr ? std::nullopt : std::optional<std::string>(quantity),
                       std::move(message), advice});
}

// What the log gives before the clip has been looked at.
struct LogSide {
  StandLog log;
  std::vector<double> gauge_bar;
  std::vector<SteadyStretch> stretches;
  FlowSettling flow;
  std::vector<PointReading> readings;  // one a stretch
  std::vector<calib::Flag> flags;      // of the stretches
  std::vector<CircuitLog> circuits;    // of a rig with circuits; log and gauge_bar are the lead's
  std::size_t lead = 0;
};

LogSide ReadCircuitsSide(MeasureInput& input) {
  CircuitsSide circuits = ReadCircuits(input.rig, *input.log_path, input.steady);
  LogSide side;
  side.lead = circuits.lead;
  side.log = circuits.logs[side.lead].log;
  side.log.flags = std::move(circuits.flags);
  side.gauge_bar = circuits.logs[side.lead].gauge_bar;
  side.stretches = std::move(circuits.stretches);
  side.readings = std::move(circuits.readings);
  side.circuits = std::move(circuits.logs);
  return side;
}

std::string CriterionOf(const MeasureInput& input) {
  return input.sweep ? SweepOptions{}.InWords() : input.steady.InWords();
}

LogSide ReadLogSide(const MeasureInput& input, StandLog log) {
  LogSide side;
  side.log = std::move(log);
  CheckLogFlow(input.rig, side.log.flow_kind);
  side.gauge_bar = side.log.pressure_bar;
  for (double& bar : side.gauge_bar) bar = GaugeBar(input.rig, bar);
  if (input.sweep) {
    Sweep sweep = ReadSweep(input.rig, side.log, side.gauge_bar);
    side.stretches = std::move(sweep.bins);
    side.readings = std::move(sweep.readings);
    side.flags = std::move(sweep.flags);
    return side;
  }
  side.stretches = FindSteadyStretches(side.log.time_s, side.gauge_bar, side.log.flow, input.steady);
  if (side.log.flow_kind != FlowKind::kNone) {
    side.flow =
        AverageFlow(side.log.time_s, side.log.flow, side.log.flow_kind == FlowKind::kPulseHz, side.stretches);
  }
  side.readings = ReadingsFromLog(side.log, side.stretches, side.flow);
  const std::vector<Direction> directions = DirectionsOf(side.gauge_bar, side.stretches);
  for (std::size_t k = 0; k < side.readings.size(); ++k) side.readings[k].direction = directions[k];
  return side;
}

// Which pressure points the run has: where in the video, which stretch of the log, which reading.
struct Plan {
  std::vector<vision::TimeSpan> spans;  // empty: the steady spray
  std::vector<std::optional<SteadyStretch>> stretches;
  std::vector<PointReading> readings;  // as many as points, or none
  std::size_t points = 0;
};

std::vector<PointReading> ByHand(const Rig& rig, const std::vector<HandReading>& hand) {
  std::vector<PointReading> readings;
  for (const HandReading& one : hand) {
    PointReading reading;
    reading.pressure_bar = one.pressure_bar;
    reading.u_pressure_bar = one.u_pressure_bar;
    if (one.flow_kg_s) {
      reading.flow_kind = FlowKind::kMassKgS;
      reading.flow = *one.flow_kg_s;
      reading.flow_shares = one.flow_shares;
    }
    if (one.bucket) {
      // Open to the air: what the bucket holds pushes air aside, and the scale reads it light.
      const calib::Quantity density = LiquidAt(rig, std::nullopt, kAirPa).density_kg_m3;
      const calib::Quantity flow = MassFlowKgS(*one.bucket, density.value);
      reading.flow_kind = FlowKind::kMassKgS;
      reading.flow = flow.value;
      for (calib::Contribution share : flow.budget) {
        share.u /= flow.value;
        reading.flow_shares.push_back(std::move(share));
      }
    }
    readings.push_back(reading);
  }
  std::vector<double> pressures;
  for (const PointReading& reading : readings) pressures.push_back(reading.pressure_bar);
  const std::vector<Direction> directions = DirectionsOf(pressures);
  for (std::size_t k = 0; k < readings.size(); ++k) readings[k].direction = directions[k];
  return readings;
}

void KeepLongestOnly(Plan& plan, Run& run) {
  if (plan.spans.size() < 2) return;
  std::size_t longest = 0;
  for (std::size_t k = 1; k < plan.spans.size(); ++k) {
    const auto length = [&](std::size_t i) { return plan.spans[i].t1_s - plan.spans[i].t0_s; };
    if (length(k) > length(longest)) longest = k;
  }
  Add(run, "drops_view_one_point", Severity::kInfo, nullptr,
      fmt::format(
          "a close-up of drops has one point: of {} steady pressures within the clip the longest was taken",
          plan.spans.size()),
      "");
  plan.spans = {plan.spans[longest]};
  plan.stretches = {plan.stretches[longest]};
  plan.readings = {plan.readings[longest]};
  plan.points = 1;
}

Plan PlanWithClipAndLog(const MeasureInput& input, const LogSide& side, const vision::ClipReading& clip,
                        Run& run) {
  Plan plan;
  plan.points = 1;
  plan.stretches.resize(1);
  if (side.stretches.empty()) {
    Add(run, "no_steady_pressure", Severity::kWarn, "pressure_bar",
        fmt::format(
            "the log holds no steady pressure ({}); the spray is measured as one point without pressure",
            CriterionOf(input)),
        "hold each pressure for a second or more");
    return plan;
  }
  const vision::TimeSpan steady_spray = vision::SteadySpray(clip);
  const Rig& rig = side.circuits.empty() ? input.rig : input.rig.circuits[side.lead].rig;
  std::optional<calib::Quantity> by_lamp;
  if (LampColumnOf(input.rig)) {
    LampSync lamp =
        SyncByLamp(input.rig, side.log, *input.clip_path, clip, input.reading,
                   rig.log_minus_video_s ? rig.log_minus_video_s : OffsetByClocks(rig, side.log, clip.facts));
    by_lamp = lamp.log_minus_video_s;
    run.sync_picture = std::move(lamp.picture);
    run.flags.insert(run.flags.end(), lamp.flags.begin(), lamp.flags.end());
  }
  SyncResult tie =
      TieLogToVideo(rig, side.log, side.gauge_bar, side.stretches, clip.facts, steady_spray, by_lamp);
  if (tie.sync && !run.sync_picture)
    run.sync_picture =
        SprayPicture(rig, side.log, side.gauge_bar, clip.facts, tie.sync->log_minus_video_s.value);
  run.flags.insert(run.flags.end(), tie.flags.begin(), tie.flags.end());
  if (!tie.sync) return plan;
  Plan inside;
  std::string outside;
  for (std::size_t k = 0; k < side.stretches.size(); ++k) {
    const auto window =
        VideoWindow(side.stretches[k], *tie.sync, clip.facts, side.log.MedianInterval_s(), steady_spray);
    if (window) {
      inside.spans.push_back(*window);
      inside.stretches.emplace_back(side.stretches[k]);
      inside.readings.push_back(side.readings[k]);
    } else {
      outside += fmt::format("{}{:.2f} to {:.2f} s", outside.empty() ? "" : ", ", side.stretches[k].t0_s,
                             side.stretches[k].t1_s);
    }
  }
  run.sync = tie.sync;
  inside.points = inside.spans.size();
  if (inside.points == 0) {
    Add(run, "no_point_in_clip", Severity::kWarn, "pressure_bar",
        "none of the log's steady pressures lies within the clip; the spray is measured as one point without "
        "pressure",
        "check [sync] log_minus_video_s");
    return plan;
  }
  if (!outside.empty()) {
    Add(run, "points_outside_clip", Severity::kInfo, nullptr,
        fmt::format(
            "{} of the log's {} steady stretches lie outside the clip and are not measured: {} of log time",
            side.stretches.size() - inside.points, side.stretches.size(), outside),
        "film through every pressure; for the flow at all of them, measure the log without the clip");
  }
  if (input.rig.view.shows == vision::Shows::kDrops) KeepLongestOnly(inside, run);
  return inside;
}

Plan PlanByHand(const MeasureInput& input) {
  Plan plan;
  plan.readings = ByHand(input.rig, input.readings);
  plan.points = plan.readings.size();
  plan.stretches.resize(plan.points);
  for (const HandReading& reading : input.readings) {
    if (reading.video) plan.spans.push_back(*reading.video);
  }
  return plan;
}

// sweep: its points all come down one fall.
void FillStandSide(const Rig& rig, const std::optional<LogSide>& side, const Plan& plan, bool sweep,
                   Run& run) {
  if (!rig.circuits.empty()) {
    if (plan.readings.empty() && side) {
      // No pressure for the spray, but the log by itself still gives the circuits' flow laws.
      Run apart;
      FillCircuits(rig, side->readings, apart);
      run.circuits = std::move(apart.circuits);
    } else if (side) {
      FillCircuits(rig, plan.readings, run);
    }
    for (std::size_t c = 0; c < run.circuits.size(); ++c) {
      run.circuits[c].trace =
          ThinnedTrace(rig.circuits[c].rig, side->circuits[c].log, side->circuits[c].gauge_bar);
    }
    return;
  }
  if (plan.readings.empty()) {
    // No pressure for the spray, but the log by itself still gives the element's flow law.
    if (side && !side->readings.empty()) {
      run.flow_law = ComputeDischarge(rig, side->readings).law;
      if (run.flow_law) {
        Add(run, "flow_law_from_log", Severity::kInfo, nullptr,
            fmt::format(
                "the flow law is from the log's {} steady stretches, none of them tied to the footage",
                side->readings.size()),
            "state [sync] log_minus_video_s, so that spray and flow belong to the same pressures");
      }
    }
    return;
  }
  Discharge discharge = ComputeDischarge(rig, plan.readings);
  for (std::size_t k = 0; k < plan.points; ++k) {
    Point& point = run.points[k];
    PointDischarge& from = discharge.points[k];
    point.pressure_bar = std::move(from.pressure_bar);
    point.flow_kg_s = std::move(from.flow_kg_s);
    point.flow_area_mm2 = std::move(from.flow_area_mm2);
    point.cd = std::move(from.cd);
    point.temperature_c = from.temperature_c;
    point.theory = TheoryBeside(rig, point);
    point.numbers = std::move(from.numbers);
    point.direction = plan.readings[k].direction;
    point.flow_from_s = plan.readings[k].flow_from_s;
  }
  run.flow_law = std::move(discharge.law);
  run.flags.insert(run.flags.end(), discharge.flags.begin(), discharge.flags.end());
  if (!sweep) run.flow_hysteresis = HysteresisOf(rig, run.points, run.flags);
  if (rig.nominal) {
    run.nominal_bar = rig.nominal->bar;
    MatchNominal(*rig.nominal, run.points, run.flags);
  }
  FlagBackPressure(rig, run.points, run.flags);
}

void FillSpraySide(const vision::ClipReading& clip, const Rig& rig, const Plan& plan, Run& run) {
  vision::SprayMeasurement spray = vision::MeasureSpray(clip, rig.view, plan.spans);
  run.has_scale = spray.has_scale;
  if (spray.far_mm > 0.0) {  // none in a close-up of drops
    run.near_mm = spray.near_mm;
    run.far_mm = spray.far_mm;
  }
  run.px_per_mm = spray.px_per_mm;
  run.exit_px = spray.exit_px;
  run.axis_deg = spray.axis_deg;
  run.lean_against_image_vertical = spray.lean_against_image_vertical;
  run.flags.insert(run.flags.end(), spray.flags.begin(), spray.flags.end());
  for (std::size_t k = 0; k < run.points.size() && k < spray.points.size(); ++k) {
    Point& point = run.points[k];
    point.video = plan.spans.empty() ? vision::SteadySpray(clip) : plan.spans[k];
    point.frames = spray.points[k].frames;
    point.spray = std::move(spray.points[k]);
    if (point.spray.drops) {
      const Severity missing = rig.view.shows == vision::Shows::kDrops ? Severity::kWarn : Severity::kInfo;
      point.drops = SizesOfDrops(*point.spray.drops, run.px_per_mm, static_cast<int>(k), missing, run.flags);
    }
    HoldWavesAgainstFlow(rig, static_cast<int>(k), point, run.flags);
  }
}

// What the collectors caught, against what flowed: at the one point, or the one nearest to it.
void HoldCatchAgainstFlow(Run& run) {
  if (!run.collected) return;
  const calib::Quantity& caught = run.collected->total_g_s;
  const Point* nearest = nullptr;
  const auto apart = [&](const Point& point) {
    return std::abs(1e3 * point.flow_kg_s->value - caught.value);
  };
  for (const Point& point : run.points) {
    if (point.flow_kg_s && (nearest == nullptr || apart(point) < apart(*nearest))) nearest = &point;
  }
  if (nearest == nullptr) return;
  constexpr double kMostPart = 0.05;
  const double flow = 1e3 * nearest->flow_kg_s->value;
  const double off = apart(*nearest);
  if (off < kMostPart * flow || off < 2.0 * std::hypot(caught.u, 1e3 * nearest->flow_kg_s->u)) return;
  Add(run, "collectors_miss_flow", Severity::kWarn, "collected",
      fmt::format("the collectors caught {:.3g} g/s; {:.3g} g/s flowed{}", caught.value, flow,
                  run.points.size() > 1 ? " at the pressure point nearest to it" : ""),
      "look for splashes and for spray beyond the collectors; the table must be of this element and "
      "pressure");
}

// A plain hole, or a plate, is not to give a cone: its flow stands without one. True where nothing but the
// missing cone speaks against the clip and there is a flow; that is then a remark.
bool TakeJetAsFlowOnly(const MeasureInput& input, std::vector<calib::Flag>& flags) {
  if (input.rig.kind == "swirl" || (!input.log_path && input.readings.empty())) return false;
  const auto is_jet = [](const calib::Flag& flag) {
    return flag.code == "not_a_cone" || flag.code == "no_cone";
  };
  const bool nothing_else = std::all_of(flags.begin(), flags.end(), [&](const calib::Flag& flag) {
    return flag.severity != Severity::kReject || is_jet(flag);
  });
  if (!nothing_else) return false;
  for (calib::Flag& flag : flags) {
    if (!is_jet(flag)) continue;
    flag.severity = Severity::kInfo;
    flag.advice = "nothing to do: an element of this kind gives no cone; its flow is measured";
  }
  return true;
}

double HighestPressure(const MeasureInput& input, const std::optional<LogSide>& side) {
  double highest = 0.0;
  if (side) {
    for (const double bar : side->gauge_bar) highest = std::max(highest, bar);
    for (const CircuitLog& circuit : side->circuits) {
      for (const double bar : circuit.gauge_bar) highest = std::max(highest, bar);
    }
  }
  for (const HandReading& reading : input.readings) {
    highest = std::max(highest, GaugeBar(input.rig, reading.pressure_bar));
  }
  return highest;
}

Run Begin(const MeasureInput& input) {
  Run run;
  run.program_version = ProgramVersion();
  run.program_build = ProgramBuild();
  run.element = input.rig.element;
  run.batch = input.rig.batch;
  run.kind = input.rig.kind;
  run.role = input.rig.role;
  run.rig_path = input.rig_name;
  run.rig_sha256 = input.rig.sha256;
  run.exit_diameter_mm = input.rig.view.exit_diameter_mm.value;
  run.view_rotation_deg = input.rig.view_rotation_deg;
  for (const CalibrationFile& file : input.rig.calibrations)
    run.calibrations.push_back({std::filesystem::path(file.path).filename().string(), file.sha256});
  run.collected = input.rig.collected;
  run.settings_json = SettingsJson(input);
  if (input.date) {
    run.date = input.date;
    run.date_from = "stated";
  }
  return run;
}

void BeginLog(const MeasureInput& input, const LogSide& side, Run& run) {
  run.log = InputFile{input.log_name, FileSha256(*input.log_path)};
  run.flags.insert(run.flags.end(), side.log.flags.begin(), side.log.flags.end());
  run.flags.insert(run.flags.end(), side.flags.begin(), side.flags.end());
  if (!run.date && !side.log.date.empty()) {
    run.date = side.log.date;
    run.date_from = "log";
  }
  FlagAbsoluteSensor(input.rig, side.log, run.flags);
  if (side.flow.lag_s > 0.0) {
    Add(run, "meter_lags", Severity::kInfo, "flow_kg_s",
        fmt::format(
            "the flow meter follows with a time constant of about {:.2f} s; its approach is left out of the "
            "averages",
            side.flow.lag_s),
        "hold each pressure for several of these time constants");
  }
}

}  // namespace

Run RunOfInputs(const MeasureInput& input) {
  Run run = Begin(input);
  if (input.log_path) run.log = InputFile{input.log_name, FileSha256(*input.log_path)};
  if (input.clip_path) run.footage = InputFile{input.clip_name, FootageSha256(*input.clip_path)};
  return run;
}

Run Measure(const MeasureInput& asked) {
  MeasureInput input = asked;
  if (!input.rig.circuits.empty() && !input.readings.empty()) {
    throw calib::InputError(
        input.rig.path +
        ": [[circuit]] names columns of a log, but pressure and flow are read by hand here; "
        "give a log, or take the circuits out");
  }
  if (input.sweep && (!input.log_path || !input.rig.circuits.empty()))
    throw calib::InputError(input.log_path
                                ? input.rig.path +
                                      ": --sweep is for elements of one circuit; take it out, or "
                                      "measure a circuit by itself"
                                : "--sweep cuts the fall of a logged pressure into bins; give a log");
  Run run = Begin(input);
  std::optional<LogSide> side;
  if (input.log_path) {
    if (input.rig.circuits.empty()) {
      StandLog log = ReadStandLog(*input.log_path, input.rig.log,
                                  input.clip_path ? LampColumnOf(input.rig) : std::optional<std::string>());
      FlagZero(input.rig, log, run.flags);
      input.rig = WithZeroAtRest(input.rig, log);
      side = ReadLogSide(input, std::move(log));
    } else {
      side = ReadCircuitsSide(input);
    }
    BeginLog(input, *side, run);
    // A missing K-factor or liquid must be heard of before a long clip is read.
    if (input.rig.circuits.empty()) {
      ComputeDischarge(input.rig, side->readings);
      run.trace = ThinnedTrace(input.rig, side->log, side->gauge_bar);
    } else {
      Run ahead;
      FillCircuits(input.rig, side->readings, ahead);
      run.trace = ThinnedTrace(input.rig.circuits[side->lead].rig, side->log, side->gauge_bar);
    }
  }
  if (input.log_path || !input.readings.empty())
    FlagRatedPressure(input.rig, HighestPressure(input, side), run.flags);
  if (input.log_path || !input.readings.empty())
    FlagDangers(input.rig, HighestPressure(input, side), run.flags);

  Plan plan;
  std::optional<vision::ClipReading> clip;
  if (input.clip_path) {
    clip = vision::ReadClip(*input.clip_path, input.rig.view, input.reading);
    run.footage = InputFile{input.clip_name, FootageSha256(*input.clip_path)};
    run.clip = clip->facts;
    if (const auto day = DayIn(run.clip.recorded_at); day && !run.date) {
      run.date = day;
      run.date_from = "footage";
    }
    run.flags.insert(run.flags.end(), clip->flags.begin(), clip->flags.end());
    if (clip->Rejected() && TakeJetAsFlowOnly(input, run.flags)) {
      clip.reset();
    } else if (clip->Rejected()) {
      OrderFlags(run.flags);
      return run;
    }
  }
  FlagExpired(input.rig, run.date, run.flags);
  if (clip && side) {
    plan = PlanWithClipAndLog(input, *side, *clip, run);
  } else if (!input.readings.empty()) {
    plan = PlanByHand(input);
  } else if (side) {
    plan.readings = side->readings;
    plan.points = side->stretches.size();
    for (const SteadyStretch& stretch : side->stretches) plan.stretches.emplace_back(stretch);
    if (plan.points == 0) {
      Add(run, "no_steady_pressure", Severity::kReject, "pressure_bar",
          fmt::format("the log holds no pressure point ({})", CriterionOf(input)),
          input.sweep ? "a blow-down must be slow against the meter; see what is said of the bins"
                      : "hold each pressure for a second or more");
    }
  } else {
    plan.points = 1;
    plan.stretches.resize(1);
  }
  run.points.resize(plan.points);
  std::vector<SteadyStretch> measured;
  for (std::size_t k = 0; k < plan.points; ++k) {
    if (!plan.stretches[k]) continue;
    run.points[k].log_t0_s = plan.stretches[k]->t0_s;
    run.points[k].log_t1_s = plan.stretches[k]->t1_s;
    measured.push_back(*plan.stretches[k]);
  }
  if (!input.sweep) FlagUnsteady(measured, run.flags);
  if (side) {
    FlagPulsation(side->log, plan.readings, run.flags);
    FlagDriftingCd(side->log, plan.readings, run.flags);
  }
  FlagTemperatureDrift(input.rig, plan.readings, run.flags);
  FillStandSide(input.rig, side, plan, input.sweep, run);
  if (clip) {
    FillSpraySide(*clip, input.rig, plan, run);
    if (run.GetVerdict() == Verdict::kRejected) TakeJetAsFlowOnly(input, run.flags);
  }
  if (run.circuits.empty()) {
    for (Point& point : run.points) {
      for (TheoryLine& line : PublishedD32Beside(input.rig, point)) point.theory.push_back(std::move(line));
    }
  }
  HoldCatchAgainstFlow(run);
  // Pressures of different circuits say nothing of one another.
  if (run.circuits.empty()) run.opening = OpeningOf(run.points, run.flags);
  if (side && plan.points > 0 && !input.sweep) {
    Add(run, "steady_criterion", Severity::kInfo, nullptr, input.steady.InWords(), "");
  }
  if (run.GetVerdict() == Verdict::kRejected) {
    run.points.clear();
    run.flow_law.reset();
    run.opening = {};
    run.flow_hysteresis.reset();
    run.circuits.clear();
  }
  ExplainWhatIsMissing(input.rig, run);
  OrderFlags(run.flags);
  return run;
}

}  // namespace conebook::src

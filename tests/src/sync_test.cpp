// Tying video time to log time.
#include <cmath>

#include <catch2/catch.hpp>
#include <fmt/format.h>

#include <calib/error.h>
#include <src/iso_date.h>
#include <src/sync.h>

#include "simulated_log.h"

using namespace conebook;
using Catch::Matchers::Contains;

namespace {

struct Scene {
  tests::SimulatedLog truth;
  src::StandLog log;
  std::vector<src::SteadyStretch> stretches;
  src::Rig rig;
  vision::ClipFacts clip;
  vision::TimeSpan steady;

  explicit Scene(const tests::LogPlan& plan) : truth(Simulate(plan)) {
    log.path = "LOG.csv";
    log.time_s = truth.time_s;
    log.pressure_bar = truth.pressure_bar;
    log.flow = truth.flow;
    log.flow_kind = src::FlowKind::kMassKgS;
    stretches = src::FindSteadyStretches(log.time_s, log.pressure_bar, log.flow);
    clip.duration_s = 4.0;
    clip.spray_start_s = 0.5;
    clip.u_spray_start_s = 0.005;
    steady = {0.6, 4.0};
  }
  src::SyncResult Tie() const { return TieLogToVideo(rig, log, log.pressure_bar, stretches, clip, steady); }
};

tests::LogPlan TwoPoints() {
  tests::LogPlan plan;
  plan.level_bar = {3.0, 5.0};
  plan.duration_s = {2.0, 2.0};
  return plan;
}

bool Warned(const src::SyncResult& result, const std::string& code) {
  for (const calib::Flag& flag : result.flags) {
    if (flag.code == code) return flag.severity == calib::Severity::kWarn;
  }
  return false;
}

}  // namespace

TEST_CASE("the first spray frame is tied to the log's pressure rise, within the stated u", "[src][sync]") {
  int covered = 0;
  constexpr int kSeeds = 60;
  for (unsigned seed = 1; seed <= kSeeds; ++seed) {
    tests::LogPlan plan = TwoPoints();
    plan.seed = seed;
    plan.rate_hz = 10.0 + 3.0 * seed;
    const Scene scene(plan);
    const auto result = scene.Tie();
    CHECK(result.sync->method == "onset");
    CHECK(result.flags.empty());
    const auto& offset = result.sync->log_minus_video_s;
    const double truth_s = scene.truth.points[0].t0_s - 0.5;
    CAPTURE(seed, offset.value, truth_s, offset.u);
    CHECK(std::abs(offset.value - truth_s) < 0.5 / plan.rate_hz + plan.rise_s);
    covered += std::abs(offset.value - truth_s) <= 2.0 * offset.u + 0.7 * plan.rise_s ? 1 : 0;
  }
  CHECK(covered >= kSeeds * 95 / 100);
}

TEST_CASE("a stated offset is taken as it is, whatever the footage shows", "[src][sync]") {
  Scene scene(TwoPoints());
  scene.rig.log_minus_video_s = calib::Stated{0.75, 0.01, false, false};
  const auto result = scene.Tie();
  CHECK(result.sync->method == "given");
  CHECK(result.sync->log_minus_video_s.value == 0.75);
  CHECK(result.sync->log_minus_video_s.u == 0.01);
}

TEST_CASE("an offset stated loosely picks the rise that the first spray frame is then tied to",
          "[src][sync]") {
  tests::LogPlan plan = TwoPoints();
  plan.off_between = true;  // two rises, 3 s apart
  for (const std::size_t which : {0U, 1U}) {
    Scene scene(plan);
    const double truth_s = scene.truth.points[which].t0_s - 0.5;
    for (const double error_s : {-0.9, 0.0, 0.9}) {
      CAPTURE(which, error_s);
      scene.rig.log_minus_video_s = calib::Stated{truth_s + error_s, 0.6, false, false};
      const auto result = scene.Tie();
      REQUIRE(result.sync);
      CHECK(result.sync->method == "onset");
      CHECK(result.flags.empty());
      CHECK(result.sync->log_minus_video_s.value == Approx(truth_s).margin(0.1));
      CHECK(result.sync->log_minus_video_s.u < 0.1);
    }
    // Both rises could be meant: it says so. No rise near: the statement stands.
    scene.rig.log_minus_video_s = calib::Stated{truth_s, 3.0, false, false};
    CHECK(Warned(scene.Tie(), "sync_ambiguous"));
    CHECK(scene.Tie().sync->method == "given");
  }
}

TEST_CASE("an offset stated loosely, no start of the spray and two pressures: which is which is not guessed",
          "[src][sync]") {
  Scene scene(TwoPoints());
  scene.clip.spray_start_s.reset();
  scene.clip.duration_s = 2.0;
  scene.steady = {0.0, 2.0};
  const double first_s = scene.truth.points[0].t0_s;
  scene.rig.log_minus_video_s = calib::Stated{first_s + 1.0, 1.0, false, false};
  CHECK_FALSE(scene.Tie().sync);
  CHECK(Warned(scene.Tie(), "sync_unknown"));
  // Where only one of them can be meant, it is.
  scene.rig.log_minus_video_s = calib::Stated{first_s - 1.2, 0.3, false, false};
  CHECK(scene.Tie().sync->method == "given");
}

TEST_CASE("a log that does not overlap the video is refused", "[src][sync]") {
  Scene scene(TwoPoints());
  scene.rig.log_minus_video_s = calib::Stated{100.0, 0.01, false, false};
  CHECK_THROWS_WITH(scene.Tie(), Contains("LOG.csv: the log does not overlap the video"));
  scene.rig.log_minus_video_s = calib::Stated{-50.0, 0.01, false, false};
  CHECK_THROWS_AS(scene.Tie(), calib::InputError);
}

TEST_CASE("spray from the first frame on and one steady pressure: the spray is at that pressure",
          "[src][sync]") {
  tests::LogPlan plan = TwoPoints();
  plan.level_bar = {3.0};
  plan.duration_s = {6.0};
  Scene scene(plan);
  scene.clip.spray_start_s.reset();
  scene.steady = {0.0, 4.0};
  const auto result = scene.Tie();
  CHECK(result.sync->method == "assumed");
  CHECK(Warned(result, "sync_assumed"));
  CHECK(VideoWindow(scene.stretches[0], *result.sync, scene.clip, 0.02, scene.steady).has_value());
}

TEST_CASE("spray from the first frame on and several pressures: only equal lengths are believed",
          "[src][sync]") {
  Scene scene(TwoPoints());
  scene.clip.spray_start_s.reset();
  CHECK_FALSE(scene.Tie().sync);
  CHECK(Warned(scene.Tie(), "sync_unknown"));
  scene.clip.duration_s = scene.log.time_s.back();
  const auto result = scene.Tie();
  CHECK(Warned(result, "sync_assumed"));
  CHECK(result.sync->log_minus_video_s.value == Approx(0.0).margin(1e-12));
}

TEST_CASE("several rises from zero make the tie ambiguous, and that is said", "[src][sync]") {
  tests::LogPlan plan = TwoPoints();
  plan.off_between = true;
  CHECK(Warned(Scene(plan).Tie(), "sync_ambiguous"));
}

TEST_CASE("upstream of the valve the flow, not the pressure, shows the start", "[src][sync]") {
  Scene scene(TwoPoints());
  for (double& p : scene.log.pressure_bar) p = 5.0;
  scene.stretches = src::FindSteadyStretches(scene.log.time_s, scene.log.pressure_bar, scene.log.flow);
  scene.rig.stand.tap = src::PressureTap::kTank;
  const auto onset = FindOnset(scene.log, scene.log.pressure_bar, scene.stretches, scene.rig.stand.tap);
  REQUIRE(onset);
  CHECK(onset->t_s == Approx(scene.truth.points[0].t0_s).margin(0.15));
}

TEST_CASE("a line that fills delays the spray by up to seconds, which the flow at a tank's tap tells",
          "[src][sync]") {
  // Flow runs freely until the line is full, through a meter that lags; the pressure stands all the while.
  for (const double fill_s : {0.3, 0.8, 1.5}) {
    for (const double lag_s : {0.02, 0.1, 0.3}) {
      for (const double pulses : {0.0, 200.0}) {
        src::StandLog log;
        double meter = 0.0, counted = 0.0, count = 0.0;
        for (int i = 0; i < 600; ++i) {
          const double t = 0.01 * i;
          const double flow = t < 1.0 ? 0.0 : t < 1.0 + fill_s ? 2.0 : 1.0;
          meter += (flow - meter) * (1.0 - std::exp(-0.01 / lag_s));
          count += 0.01 * pulses * meter;
          log.time_s.push_back(t);
          log.pressure_bar.push_back(5.0 + 0.003 * std::sin(37.0 * t));
          log.flow.push_back(pulses > 0.0 ? (std::floor(count) - counted) / 0.01 : meter);
          counted = std::floor(count);
        }
        const auto stretches = src::FindSteadyStretches(log.time_s, log.pressure_bar, log.flow);
        INFO("fill " << fill_s << " lag " << lag_s << " pulses " << pulses);
        REQUIRE(stretches.size() == 1);
        const auto onset = FindOnset(log, log.pressure_bar, stretches, src::PressureTap::kTank);
        REQUIRE(onset);
        CHECK(std::abs(onset->t_s - (1.0 + fill_s)) <= 2.0 * onset->u_s);
        CHECK(onset->u_s < 0.15);
      }
    }
  }
}

TEST_CASE("a point's frames keep clear of both ends by what is not known about the tie", "[src][sync]") {
  src::SteadyStretch stretch;
  stretch.t0_s = 10.0;
  stretch.t1_s = 12.0;
  src::Sync sync;
  sync.log_minus_video_s = calib::Combine(9.0, {{"tie", 0.05, calib::Shared::kClip}});
  vision::ClipFacts clip;
  clip.duration_s = 10.0;
  clip.spray_start_s = 0.2;
  const vision::TimeSpan steady{0.3, 10.0};
  auto window = VideoWindow(stretch, sync, clip, 0.01, steady);
  REQUIRE(window);
  CHECK(window->t0_s == Approx(1.0 + 0.1 + 0.05));
  CHECK(window->t1_s == Approx(3.0 - 0.1 - 0.05));
  // A loose tie leaves the middle third; a stretch outside the clip leaves nothing.
  sync.log_minus_video_s = calib::Combine(9.0, {{"tie", 2.0, calib::Shared::kClip}});
  window = VideoWindow(stretch, sync, clip, 0.01, steady);
  REQUIRE(window);
  CHECK(window->t1_s - window->t0_s == Approx(2.0 / 3.0));
  sync.log_minus_video_s = calib::Combine(-9.0, {{"tie", 0.05, calib::Shared::kClip}});
  CHECK_FALSE(VideoWindow(stretch, sync, clip, 0.01, steady));
}

TEST_CASE("where the clip ends and not the stretch, there is nothing to keep clear of", "[src][sync]") {
  src::SteadyStretch stretch;
  stretch.t0_s = 0.0;
  stretch.t1_s = 40.0;
  src::Sync sync;
  sync.log_minus_video_s = calib::Combine(15.0, {{"tie", 3.0, calib::Shared::kClip}});
  vision::ClipFacts clip;
  clip.duration_s = 6.0;
  const auto window = VideoWindow(stretch, sync, clip, 0.1, {0.0, 6.0});
  REQUIRE(window);
  CHECK(window->t0_s == Approx(0.05));
  CHECK(window->t1_s == Approx(6.0));
}

TEST_CASE("a high-speed clip between two rows of a slow log still belongs to its point", "[src][sync]") {
  // 0.08 s of footage, a row every 0.045 s; the pressure had settled by the row at 2.50 s.
  src::SteadyStretch stretch;
  stretch.t0_s = 2.50;
  stretch.t1_s = 6.2;
  src::Sync sync;
  sync.log_minus_video_s = calib::Combine(2.44, {{"tie", 0.002, calib::Shared::kClip}});
  vision::ClipFacts clip;
  clip.duration_s = 0.08;
  const vision::TimeSpan steady{0.01, 0.078};
  const auto window = VideoWindow(stretch, sync, clip, 0.045, steady);
  REQUIRE(window);
  CHECK(window->t0_s >= 0.01);
  CHECK(window->t0_s < 0.04);
  CHECK(window->t1_s == Approx(0.078));
  // A stretch that begins well after the clip has ended is none of its points.
  stretch.t0_s = 2.70;
  CHECK_FALSE(VideoWindow(stretch, sync, clip, 0.045, steady));
}

// Two openings a minute apart: with clocks good to some seconds only the later one can be meant.
TEST_CASE("where the log rises twice, the clocks of camera and log say which rise is meant", "[src][sync]") {
  tests::LogPlan plan = TwoPoints();
  plan.off_between = true;
  Scene scene(plan);
  // The second opening moved a minute on, as on a log that runs through the day.
  const double between_s = 0.5 * (scene.truth.points[0].t1_s + scene.truth.points[1].t0_s);
  constexpr double kLater = 60.0;
  for (double& t : scene.log.time_s) t += t > between_s ? kLater : 0.0;
  scene.stretches = src::FindSteadyStretches(scene.log.time_s, scene.log.pressure_bar, scene.log.flow);
  REQUIRE(scene.stretches.size() == 2);
  CHECK(Warned(scene.Tie(), "sync_ambiguous"));
  scene.log.clock = src::ClockTimeIn("2031-05-04T10:00:00.000+02:00");
  REQUIRE(scene.log.clock);
  const double truth_s = scene.truth.points[1].t0_s + kLater - 0.5;  // of the clip's first frame, log time
  scene.clip.recorded_at = fmt::format("2031-05-04T08:{:02d}:{:06.3f}+00:00",
                                       static_cast<int>(truth_s / 60.0), std::fmod(truth_s, 60.0));
  REQUIRE(src::ClockTimeIn(scene.clip.recorded_at));
  const auto clocks = src::OffsetByClocks(scene.rig, scene.log, scene.clip);
  REQUIRE(clocks);
  CHECK(std::abs(clocks->value - truth_s) < 2.0 * clocks->u + 0.1);
  CHECK(clocks->u < 3.0);
  const auto result = scene.Tie();
  REQUIRE(result.sync);
  CHECK(result.sync->method == "onset");
  CHECK(result.sync->log_minus_video_s.value == Approx(truth_s).margin(0.1));
  CHECK_FALSE(Warned(result, "sync_ambiguous"));
}

// Log and video tied by a lamp: steps drawn at known times and offsets, each seen through its own clock.
#include <cmath>
#include <random>

#include <catch2/catch.hpp>

#include <src/lamp_sync.h>

using namespace conebook;

namespace {

struct Clock {
  double step_s, from_s, to_s, phase_s;
  std::vector<double> Times() const {
    std::vector<double> t;
    for (double at = from_s + phase_s; at < to_s; at += step_s) t.push_back(at);
    return t;
  }
};

// On between the first and the second, the third and the fourth, ... of the moments.
std::vector<double> LampAt(const std::vector<double>& t_s, const std::vector<double>& moments_s,
                           double by_s) {
  std::vector<double> level;
  for (const double t : t_s) {
    int passed = 0;
    for (const double at : moments_s) passed += t - by_s >= at ? 1 : 0;
    level.push_back(passed % 2);
  }
  return level;
}

vision::SignalLamp Seen(const Clock& clock, const std::vector<double>& moments_s) {
  vision::SignalLamp lamp;
  lamp.contrast = 0.5;
  lamp.t_s = clock.Times();
  lamp.level = LampAt(lamp.t_s, moments_s, 0.0);
  return lamp;
}

}  // namespace

TEST_CASE("a lamp's steps give the offset of the clocks, and the interval holds", "[src][lamp]") {
  std::mt19937 random(8);
  std::uniform_real_distribution<double> uniform(0.0, 1.0);
  int held = 0;
  double squares = 0.0;
  constexpr int kTries = 300;
  for (int i = 0; i < kTries; ++i) {
    const double offset_s = 40.0 * uniform(random) - 5.0;
    const Clock video{1.0 / 60.0, 0.0, 8.0, uniform(random) / 60.0};
    const double row_s = i % 2 == 0 ? 0.1 : 0.01;
    const Clock log{row_s, -10.0, 60.0, uniform(random) * row_s};
    const double first_s = 1.0 + uniform(random), on_s = 0.4 + uniform(random);
    std::vector<double> moments{first_s, first_s + on_s};
    if (i % 3 == 0) moments.insert(moments.end(), {first_s + 2.1 + on_s, first_s + 3.3 + on_s});
    const std::vector<double> rows = log.Times();
    const src::LampTies ties =
        src::TieByLamp(rows, LampAt(rows, moments, offset_s), {Seen(video, moments)}, std::nullopt);
    CAPTURE(i, offset_s, ties.ways);
    REQUIRE(ties.tie);
    CHECK(ties.tie->steps == static_cast<int>(moments.size()));
    const calib::Quantity& tie = ties.tie->log_minus_video_s;
    // One interval of either clock, as half widths; more steps leave less open.
    CHECK(std::abs(tie.value - offset_s) <= 0.5 * (row_s + 1.0 / 60.0) + 1e-9);
    const calib::Interval interval = calib::Interval95(tie);
    held += interval.lo <= offset_s && offset_s <= interval.hi ? 1 : 0;
    squares += std::pow((tie.value - offset_s) / tie.u, 2);
  }
  CAPTURE(held, squares);
  CHECK(held >= kTries * 93 / 100);
  CHECK(std::sqrt(squares / kTries) > 0.5);
}

TEST_CASE("of several things that step in view the one that does as the column is the lamp", "[src][lamp]") {
  const Clock video{1.0 / 30.0, 0.0, 10.0, 0.0}, log{0.02, 0.0, 30.0, 0.01};
  const std::vector<double> blinks{1.0, 1.7, 4.2, 6.9}, door{3.0};
  const std::vector<double> rows = log.Times();
  const src::LampTies ties = src::TieByLamp(rows, LampAt(rows, blinks, 12.0),
                                            {Seen(video, door), Seen(video, blinks)}, std::nullopt);
  REQUIRE(ties.tie);
  CHECK(ties.tie->lamp == 1);
  CHECK(ties.tie->log_minus_video_s.value == Approx(12.0).margin(0.03));
  // The door alone fits each of the two steps of its kind: no tie.
  CHECK_FALSE(src::TieByLamp(rows, LampAt(rows, blinks, 12.0), {Seen(video, door)}, std::nullopt).tie);
}

TEST_CASE("a lamp that blinks evenly fits in many ways, unless something says whereabouts", "[src][lamp]") {
  const Clock video{1.0 / 60.0, 0.0, 6.0, 0.0}, log{0.02, 0.0, 60.0, 0.0};
  std::vector<double> in_log, in_view;
  for (double at = 0.5; at < 55.0; at += 1.0) in_log.push_back(at);
  for (const double at : in_log)
    if (at > 20.0 && at < 26.0) in_view.push_back(at - 20.0);
  const std::vector<double> rows = log.Times();
  const std::vector<double> column = LampAt(rows, in_log, 0.0);
  const vision::SignalLamp lamp = Seen(video, in_view);
  const src::LampTies many = src::TieByLamp(rows, column, {lamp}, std::nullopt);
  CHECK_FALSE(many.tie);
  CHECK(many.ways > 1);
  const src::LampTies near = src::TieByLamp(rows, column, {lamp}, calib::Stated{19.8, 0.3, false, false});
  REQUIRE(near.tie);
  CHECK(near.tie->log_minus_video_s.value == Approx(20.0).margin(0.02));
}

TEST_CASE("a column that never changes and a noisy one are read for what they are", "[src][lamp]") {
  CHECK(src::StepsOf({0.0, 1.0, 2.0}, {1.0, 1.0, 1.0}).empty());
  // Noise of a tenth of the step makes no steps of its own.
  std::mt19937 random(5);
  std::normal_distribution<double> gauss(0.0, 0.05);
  std::vector<double> t, level;
  for (int i = 0; i < 400; ++i) {
    t.push_back(0.01 * i);
    level.push_back((i >= 150 && i < 260 ? 5.0 : 0.0) + 5.0 * gauss(random));
  }
  const std::vector<src::LampStep> steps = src::StepsOf(t, level);
  REQUIRE(steps.size() == 2);
  CHECK(steps[0].on);
  CHECK(steps[0].t_s == Approx(1.495));
  CHECK_FALSE(steps[1].on);
  CHECK(steps[1].t_s == Approx(2.595));
}

// Where clips lie in a log, over many invented days: drafted right, or left blank.
#include <algorithm>
#include <cmath>
#include <functional>
#include <random>

#include <catch2/catch.hpp>

#include <src/clip_times.h>

using namespace conebook::src;

namespace {

constexpr double kStart = 1935741600.0;

struct Day {
  StandLog log;
  std::vector<CameraFile> files;
  std::vector<double> begins_s, bars;  // truth: log time and pressure of each clip
};

// Runs of 15 to 30 s with pauses of one to five minutes, some of them filmed. The camera's clock shows the
// log's plus `camera_minus_log_s`, and marks the end of each recording in whole seconds.
Day DrawDay(unsigned seed, int runs, int clips, double camera_minus_log_s) {
  std::mt19937 random(seed);
  const auto uniform = [&](double lo, double hi) {
    return std::uniform_real_distribution<double>(lo, hi)(random);
  };
  std::vector<double> t0, t1, bar;
  double t = 30.0;
  for (int k = 0; k < runs; ++k) {
    t0.push_back(t);
    t1.push_back(t + uniform(15.0, 30.0));
    bar.push_back(uniform(2.0, 12.0));
    t = t1.back() + uniform(60.0, 300.0);
  }
  Day day;
  day.log.path = "log.csv";
  day.log.clock = ClockTime{kStart, ClockTime::Zone::kNone, false};
  std::normal_distribution<double> noise(0.0, 0.004);
  std::size_t run = 0;
  for (int i = 0; i < static_cast<int>(5.0 * (t + 10.0)); ++i) {
    const double at = 0.2 * i;
    if (run + 1 < t0.size() && at > t1[run]) ++run;
    day.log.time_s.push_back(at);
    day.log.pressure_bar.push_back((at >= t0[run] && at < t1[run] ? bar[run] : 0.0) + noise(random));
  }
  std::vector<std::size_t> filmed(t0.size());
  for (std::size_t k = 0; k < filmed.size(); ++k) filmed[k] = k;
  std::shuffle(filmed.begin(), filmed.end(), random);
  filmed.resize(static_cast<std::size_t>(clips));
  for (const std::size_t k : filmed) {
    CameraFile file;
    file.name = "clip";
    file.duration_s = uniform(4.0, 10.0);
    const double begins_s = t0[k] + uniform(-3.0, 3.0);
    day.begins_s.push_back(begins_s);
    day.bars.push_back(bar[k]);
    const double stamp_s = std::floor(kStart + begins_s + *file.duration_s + camera_minus_log_s);
    file.time = FileTime{{stamp_s, ClockTime::Zone::kUtc, true}, FileTime::From::kContainer, false};
    day.files.push_back(file);
  }
  return day;
}

struct Tally {
  int right = 0, wrong = 0, blank = 0;
  void Add(const Day& day, const ClipTimes& times) {
    for (std::size_t i = 0; i < day.files.size(); ++i) {
      const ClipTime& clip = times.clips[i];
      if (clip.pressures_bar.empty()) {
        ++blank;
        CHECK_FALSE(clip.why_blank.empty());
        continue;
      }
      const bool good =
          clip.pressures_bar.size() == 1 && std::abs(clip.pressures_bar[0] - day.bars[i]) < 0.02;
      (good ? right : wrong) += 1;
    }
  }
};

Tally Many(int runs, int clips, const std::function<double(std::mt19937&)>& offset_s) {
  Tally tally;
  std::mt19937 random(11);
  for (unsigned seed = 1; seed <= 150; ++seed) {
    const Day day = DrawDay(seed, runs, clips, offset_s(random));
    tally.Add(day, TieClips(day.files, day.log, nullptr, {}));
  }
  return tally;
}

double Quarters(std::mt19937& random) {
  return 900.0 * std::uniform_int_distribution<int>(-48, 48)(random);
}
double Anything(std::mt19937& random) {
  return std::uniform_real_distribution<double>(-7200.0, 7200.0)(random);
}

}  // namespace

TEST_CASE("zones and hours between the clocks: drafted right or left blank", "[src][clip_times]") {
  for (const auto& [runs, clips] : {std::pair{1, 1}, {6, 6}, {12, 12}, {12, 5}, {12, 1}, {40, 30}}) {
    const Tally tally = Many(runs, clips, Quarters);
    CAPTURE(runs, clips, tally.right, tally.wrong, tally.blank);
    CHECK(tally.wrong == 0);
    // One clip in a log of twelve runs may be any of them; a day's clips tell.
    if (clips > 1 || runs == 1) CHECK(tally.right >= 0.98 * (tally.right + tally.blank));
  }
}

TEST_CASE("clocks that differ by anything: blank, or close enough to be right", "[src][clip_times]") {
  for (const auto& [runs, clips] : {std::pair{1, 1}, {6, 6}, {12, 12}, {12, 5}, {12, 2}, {12, 1}, {40, 30}}) {
    const Tally tally = Many(runs, clips, Anything);
    CAPTURE(runs, clips, tally.right, tally.wrong, tally.blank);
    CHECK(tally.wrong == 0);
    CHECK(tally.blank > 9 * tally.right);
  }
}

TEST_CASE("a stated offset is taken, and ties every clip to its run", "[src][clip_times]") {
  const Day day = DrawDay(3, 12, 1, -97.0);
  Tally tally;
  tally.Add(day, TieClips(day.files, day.log, nullptr, {97.0, 2.0}));
  CHECK(tally.right == 1);
}

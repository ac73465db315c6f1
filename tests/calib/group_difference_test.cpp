// The difference between two groups of elements in simulated studies of known truth: intervals and false
// "different" at the stated rate, power as computed, days told from routes, shared errors that cancel.
#include <cmath>
#include <map>
#include <random>
#include <set>

#include <catch2/catch.hpp>

#include <calib/group_difference.h>

namespace {

using namespace conebook::calib;

// Standard deviations of what a study's readings scatter by; and how it is laid out.
struct Study {
  double elements[2] = {1.0, 1.0}, mount = 0.5, reading = 0.5, day = 2.0;
  int count[2] = {6, 6}, mounts = 1, readings = 2;
  std::vector<int> days[2] = {{0, 1, 2}, {0, 1, 2}};  // an element is read on every one of its days
  bool one_day_each = false;                          // instead: each on one of them, in turn
  int checks = 0;                                     // check elements, mounted first and last on all days
  double difference = 0.0;
};

std::vector<GroupReading> Simulated(const Study& study, std::mt19937& random) {
  std::normal_distribution<double> normal;
  std::map<int, double> day;
  std::vector<GroupReading> readings;
  const auto day_effect = [&](int d) {
    if (!day.contains(d)) day[d] = study.day * normal(random);
    return day[d];
  };
  int element = 0;
  const auto read = [&](int group, int d, int mount, double own, int times) {
    const double mounted = study.mount * normal(random);
    for (int r = 0; r < times; ++r) {
      GroupReading reading;
      reading.group = group;
      reading.element = element;
      reading.day = d;
      reading.mount = mount;
      reading.value = 10.0 + own + day_effect(d) + mounted + study.reading * normal(random);
      readings.push_back(reading);
    }
  };
  for (int group = 0; group < 2; ++group) {
    for (int e = 0; e < study.count[group]; ++e, ++element) {
      const double own = study.elements[group] * normal(random) + (group == 1 ? study.difference : 0.0);
      for (std::size_t d = 0; d < study.days[group].size(); ++d) {
        if (study.one_day_each && static_cast<std::size_t>(e) % study.days[group].size() != d) continue;
        for (int m = 0; m < study.mounts; ++m) read(group, study.days[group][d], m, own, study.readings);
      }
    }
  }
  for (int c = 0; c < study.checks; ++c, ++element) {
    const double own = normal(random);
    std::set<int> days(study.days[0].begin(), study.days[0].end());
    days.insert(study.days[1].begin(), study.days[1].end());
    for (const int d : days) {
      for (int m = 0; m < 2; ++m) read(kCheckGroup, d, m, own, 1);
    }
  }
  return readings;
}

struct Rates {
  double covered = 0.0, different = 0.0, mean_u = 0.0, scatter = 0.0;
  int told = 0;
};

Rates RatesOf(const Study& study, int studies, unsigned seed) {
  std::mt19937 random(seed);
  Rates rates;
  double sum = 0.0, square = 0.0;
  for (int s = 0; s < studies; ++s) {
    std::string why;
    const auto result = CompareGroups(Simulated(study, random), &why);
    INFO(why);
    REQUIRE(result);
    rates.told += result->days_told ? 1 : 0;
    const Interval interval = IntervalOf(result->difference, 0.95);
    rates.covered += interval.lo <= study.difference && study.difference <= interval.hi ? 1.0 / studies : 0.0;
    rates.different += TwoSidedP(result->difference) < 0.05 ? 1.0 / studies : 0.0;
    rates.mean_u += result->difference.u / studies;
    sum += result->difference.value / studies;
    square += result->difference.value * result->difference.value / studies;
  }
  rates.scatter = std::sqrt(square - sum * sum);
  return rates;
}

// 500 studies at 95 %: one in a thousand lies outside of this by chance (binomial, 3.3 standard deviations).
constexpr int kStudies = 500;
constexpr double kLeast = 0.918, kMost = 0.982;

}  // namespace

TEST_CASE("500 simulated comparisons with day and mount effects: intervals hold at the stated rate",
          "[calib][compare]") {
  const auto holds = [](const char* name, const Study& study, unsigned seed) {
    const Rates rates = RatesOf(study, kStudies, seed);
    INFO(name << ": covered " << rates.covered << ", u " << rates.mean_u << ", scatter " << rates.scatter);
    CHECK(rates.told == kStudies);
    CHECK(rates.covered > kLeast);
    CHECK(rates.covered < kMost);
    if (study.difference == 0.0) CHECK(rates.different < 1.0 - kLeast);
  };
  Study study;
  holds("balanced", study, 1);
  study.mounts = 2;
  holds("mounted twice a day", study, 2);
  study = {};
  study.count[0] = study.count[1] = 3;
  study.readings = 10;
  holds("few elements, many readings", study, 3);
  study = {};
  study.days[0] = {0};
  study.days[1] = {0};
  study.readings = 1;
  holds("each element read once", study, 4);
  study = {};
  study.elements[1] = 4.0;
  study.count[0] = 5;
  study.count[1] = 8;
  holds("the second group scatters four times as much", study, 5);
  study = {};
  study.days[0] = {0, 1};
  study.days[1] = {1, 2};
  study.difference = 1.5;
  holds("one day in common, and a difference", study, 6);
  study = {};
  study.days[0] = {0};
  study.days[1] = {1};
  study.checks = 3;
  holds("no day in common, check elements", study, 7);
  study.checks = 1;
  study.readings = 1;
  holds("no day in common, one check element, elements read once", study, 8);
  study = {};
  study.one_day_each = true;
  study.count[0] = 4;
  study.count[1] = 9;
  holds("unbalanced, each element on one day", study, 9);
}

TEST_CASE("a true difference is found as often as computed", "[calib][compare]") {
  Study study;
  std::mt19937 random(11);
  // Balanced, so that u is known: elements' variance and readings' mean, 10 degrees of freedom.
  const double within = (study.mount * study.mount + study.reading * study.reading / 2.0) / 3.0;
  const double u = std::sqrt(2.0 * (1.0 + within) / 6.0);
  study.difference = Findable(u, 10.0);
  const Rates rates = RatesOf(study, kStudies, 12);
  CHECK(rates.mean_u == Approx(u).epsilon(0.05));
  CHECK(rates.scatter == Approx(u).epsilon(0.12));
  // 80 % of 500: 3.3 standard deviations are 5.9 %. Separate spreads cost some degrees of freedom.
  CHECK(rates.different == Approx(0.80).margin(0.065));
}

TEST_CASE("groups that never met on a day are not told from the days", "[calib][compare]") {
  Study study;
  study.days[0] = {0, 1};
  study.days[1] = {2, 3};
  std::mt19937 random(13);
  const auto apart = CompareGroups(Simulated(study, random), nullptr);
  REQUIRE(apart);
  CHECK_FALSE(apart->days_told);
  study.checks = 1;
  const auto tied = CompareGroups(Simulated(study, random), nullptr);
  REQUIRE(tied);
  CHECK(tied->days_told);
  CHECK(tied->check_elements == 1);
}

TEST_CASE("an error that both groups share cancels, one that they do not share stays", "[calib][compare]") {
  Study study;
  std::mt19937 random(14);
  auto readings = Simulated(study, random);
  const auto plain = CompareGroups(readings, nullptr);
  for (GroupReading& reading : readings) reading.shared = {{0, 3.0}};
  const auto same = CompareGroups(readings, nullptr);
  CHECK(same->u_shared == Approx(0.0).margin(1e-9));
  CHECK(same->difference.u == Approx(plain->difference.u));
  for (GroupReading& reading : readings) reading.shared = {{reading.group, 3.0}};
  const auto apart = CompareGroups(readings, nullptr);
  CHECK(apart->u_shared == Approx(std::sqrt(2.0) * 3.0));
  CHECK(apart->difference.u == Approx(std::hypot(plain->difference.u, std::sqrt(2.0) * 3.0)));
  CHECK(apart->difference.dof > plain->difference.dof);
  // An error in proportion to the reading acts on the difference alone.
  for (GroupReading& reading : readings) reading.shared = {{0, 0.01 * reading.value}};
  const auto scale = CompareGroups(readings, nullptr);
  CHECK(scale->u_shared == Approx(0.01 * std::abs(plain->difference.value)).epsilon(1e-6));
}

TEST_CASE("an element that lies apart is named, and covariates take their part", "[calib][compare]") {
  Study study;
  study.count[0] = study.count[1] = 8;
  study.mount = study.reading = 0.1;
  std::mt19937 random(15);
  auto readings = Simulated(study, random);
  for (GroupReading& reading : readings)
    if (reading.element == 3) reading.value += 9.0;
  const auto result = CompareGroups(readings, nullptr);
  for (const ElementMean& element : result->elements) {
    REQUIRE(element.p_outlier);
    CHECK((*element.p_outlier < 0.05) == (element.element == 3));
    CHECK(element.readings == 6);
    CHECK(element.days == 3);
  }
  // A value that goes with temperature, 0.3 a degree; the second group read 4 degrees warmer.
  readings = Simulated(study, random);
  const auto before = CompareGroups(readings, nullptr);
  std::uniform_real_distribution<double> degrees(0.0, 3.0);
  for (GroupReading& reading : readings) {
    const double warm = degrees(random) + (reading.group == 1 ? 4.0 : 0.0);
    reading.value += 0.3 * warm;
    reading.covariates = {warm};
  }
  const auto after = CompareGroups(readings, nullptr);
  REQUIRE(after->slopes.size() == 1);
  REQUIRE(after->slopes[0]);
  CHECK(after->slopes[0]->value == Approx(0.3).margin(4.0 * after->slopes[0]->u));
  CHECK(after->difference.value == Approx(before->difference.value).margin(4.0 * 4.0 * after->slopes[0]->u));
}

TEST_CASE("two elements, or none, are no groups to compare", "[calib][compare]") {
  std::string why;
  GroupReading one, two;
  two.group = 1;
  two.element = 1;
  CHECK_FALSE(CompareGroups({one, one, two, two}, &why));
  CHECK(why.find("one element only") != std::string::npos);
  CHECK_FALSE(CompareGroups({one}, &why));
  CHECK_FALSE(CompareGroups({}, &why));
}

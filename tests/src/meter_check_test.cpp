// Bucket against meter. E_n of ISO/IEC 17043 and ISO 13528, from memory: the difference over the root of the
// sum of squares of the expanded uncertainties (k = 2).
#include <cmath>

#include <catch2/catch.hpp>

#include <src/meter_check.h>

using namespace conebook;
using calib::Contribution;
using calib::Shared;

namespace {

src::Run Flowed(double bar, double area_mm2, bool by_bucket, double own_share) {
  src::Run run;
  run.element = "A07";
  if (!by_bucket) run.log = src::InputFile{"log.csv", ""};
  src::Point& point = run.points.emplace_back();
  const std::vector<Contribution> own =
      by_bucket ? std::vector<Contribution>{{"scale", 0.6 * own_share, Shared::kClip},
                                            {"stopwatch", 0.8 * own_share, Shared::kClip}}
                : std::vector<Contribution>{{"K-factor", own_share, Shared::kMeter}};
  point.pressure_bar = calib::Combine(bar, {{"pressure sensor", 0.01 * bar, Shared::kMeter}});
  std::vector<Contribution> flow = own, area = own;
  // 1 % that both share: the pressure sensor.
  area.push_back({"pressure sensor", 0.01, Shared::kMeter});
  for (Contribution& part : flow) part.u *= 0.02;
  for (Contribution& part : area) part.u *= area_mm2;
  point.flow_kg_s = calib::Combine(0.02, flow);
  point.flow_area_mm2 = calib::Combine(area_mm2, area);
  return run;
}

}  // namespace

TEST_CASE("E_n is the difference over both expanded uncertainties, without what both share",
          "[src][meter_check]") {
  const src::Run bucket = Flowed(5.0, 0.800, true, 0.003), meter = Flowed(5.2, 0.808, false, 0.004);
  const auto checks = src::CheckMeter({&bucket, &meter});
  REQUIRE(checks.size() == 1);
  CHECK(checks[0].difference_percent.value == Approx(1.0));
  // 0.3 % and 0.4 % of their own, and 0.1 % of repeatability each; the sensor's 1 % cancels.
  const double u = std::sqrt(0.3 * 0.3 + 0.4 * 0.4 + 2.0 * 0.1 * 0.1);
  CHECK(checks[0].difference_percent.u == Approx(u));
  CHECK(checks[0].e_n == Approx(1.0 / (2.0 * u)));
  CHECK(checks[0].flags.empty());
}

TEST_CASE("beyond 1 either way the meter is flagged", "[src][meter_check]") {
  const src::Run bucket = Flowed(5.0, 0.8, true, 0.003);
  for (const double off : {-0.02, 0.02}) {
    const src::Run meter = Flowed(5.0, 0.8 * (1.0 + off), false, 0.004);
    const auto checks = src::CheckMeter({&meter, &bucket});
    REQUIRE(checks.size() == 1);
    CHECK(std::abs(checks[0].e_n) > 1.0);
    CHECK((checks[0].e_n > 0.0) == (off > 0.0));
    REQUIRE(checks[0].flags.size() == 1);
    CHECK(checks[0].flags[0].code == "meter_off_bucket");
    CHECK(checks[0].flags[0].severity == calib::Severity::kWarn);
  }
}

TEST_CASE("only the same element at about the same pressure is compared, the nearest first",
          "[src][meter_check]") {
  const src::Run bucket = Flowed(5.0, 0.8, true, 0.003), far = Flowed(8.0, 0.9, false, 0.004),
                 near = Flowed(4.6, 0.801, false, 0.004), nearer = Flowed(5.1, 0.802, false, 0.004);
  src::Run other = Flowed(5.0, 0.7, false, 0.004);
  other.element = "A08";
  CHECK(src::CheckMeter({&bucket, &far, &other}).empty());
  CHECK(src::CheckMeter({&near, &far}).empty());
  const auto checks = src::CheckMeter({&bucket, &near, &far, &nearer, &other});
  REQUIRE(checks.size() == 1);
  CHECK(checks[0].meter_bar == 5.1);
}

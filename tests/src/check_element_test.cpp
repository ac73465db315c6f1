// The check element of a day: first against last, and against what is on record. Limits: tests/calib/
// control_chart_test.cpp.
#include <catch2/catch.hpp>

#include <src/check_element.h>

using namespace conebook;
using calib::Shared;

namespace {

src::Run Flowed(const std::string& element, const std::string& role, double area_mm2) {
  src::Run run;
  run.element = element;
  run.role = role;
  // 0.1 % of its own, 0.8 % that every run of the day shares.
  run.flow_law.emplace().flow_area_mm2 =
      calib::Combine(area_mm2, {{"scatter of pressure and flow", 0.001 * area_mm2, Shared::kFrames},
                                {"meter calibration", 0.008 * area_mm2, Shared::kMeter}});
  return run;
}

std::map<std::string, std::vector<src::CheckFlow>> Record(const std::vector<double>& areas_mm2) {
  std::vector<src::CheckFlow> flows;
  for (const double area : areas_mm2) flows.push_back({"2031-05-04", {area, 0.004, 1e9, {}}});
  return {{"C1", flows}};
}

std::string Codes(const std::vector<src::ElementCheck>& checks) {
  std::string codes;
  for (const src::ElementCheck& check : checks) {
    for (const calib::Flag& flag : check.flags) codes += flag.code + " ";
  }
  return codes;
}

const std::vector<double> kSteady{0.500, 0.501, 0.499, 0.5005, 0.4995, 0.5, 0.501, 0.4992, 0.5003};

}  // namespace

TEST_CASE("a check element that comes back as it went is not flagged", "[src][check_element]") {
  const src::Run first = Flowed("C1", "check", 0.5), other = Flowed("A07", "", 0.7),
                 last = Flowed("C1", "check", 0.5008);
  const auto checks = src::CheckElements({&first, &other, &last}, Record(kSteady));
  REQUIRE(checks.size() == 1);
  CHECK(checks[0].today_mm2.size() == 2);
  CHECK(checks[0].limits);
  CHECK(Codes(checks).empty());
}

TEST_CASE("a drift within the day is told by what first and last do not share", "[src][check_element]") {
  // 0.6 % is within u of either flow area, most of which both share.
  const src::Run first = Flowed("C1", "check", 0.5), last = Flowed("C1", "check", 0.503);
  CHECK(Codes(src::CheckElements({&first, &last}, {})) == "check_element_drifts ");
}

TEST_CASE("a day outside the limits of the record is flagged", "[src][check_element]") {
  const src::Run first = Flowed("C1", "check", 0.51), last = Flowed("C1", "check", 0.51);
  CHECK(Codes(src::CheckElements({&first, &last}, Record(kSteady))) == "check_element_out_of_control ");
  // Too short a record gives no limits, and says so.
  const auto checks = src::CheckElements({&first, &last}, Record({0.5, 0.5, 0.5}));
  CHECK(Codes(checks).empty());
  CHECK(src::InWords(checks[0]).find("8 are needed") != std::string::npos);
}

TEST_CASE("a check element flowed once, and none, are told apart", "[src][check_element]") {
  const src::Run once = Flowed("C1", "check", 0.5), other = Flowed("A07", "", 0.5);
  CHECK(Codes(src::CheckElements({&once, &other}, {})) == "check_element_once ");
  CHECK(src::CheckElements({&other}, {}).empty());
}

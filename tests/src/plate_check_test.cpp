// A plate's flow area against its elements': what both share cancels, as GUM F.1.2 has it of correlated
// errors. Worked by hand.
#include "src/plate_check.h"

#include <cmath>

#include <catch2/catch.hpp>

using namespace conebook;
using Catch::Matchers::Contains;

namespace {

// Flow area with a meter's error of 1 %, a day's of 0.2 % and its own of 0.1 %.
calib::Quantity Area(double mm2) {
  return calib::Combine(mm2, {{"flow meter", 0.01 * mm2, calib::Shared::kMeter},
                              {"temperature", 0.002 * mm2, calib::Shared::kDay},
                              {"scatter of the flow", 0.001 * mm2, calib::Shared::kFrames}});
}

src::PlateElement Element(const char* id, double mm2, const char* date = "2031-05-04") {
  return {id, std::string(64, 'a'), date, {}, Area(mm2)};
}

src::Rig PlateRig() {
  src::Rig rig;
  rig.kind = "plate";
  rig.plate_elements = {"A01", "A02", "A03", "A04"};
  return rig;
}

src::Run PlateRun(double mm2) {
  src::Run run;
  run.kind = "plate";
  run.date = "2031-05-04";
  run.points.resize(1);
  run.flow_law = src::FlowLaw{Area(mm2), std::nullopt, std::nullopt};
  return run;
}

const std::vector<src::PlateElement> kFour{Element("A01", 0.9), Element("A02", 1.0), Element("A03", 1.0),
                                           Element("A04", 1.1)};

}  // namespace

TEST_CASE("meter and day cancel between a plate and elements of the same day", "[src][plate]") {
  src::Run run = PlateRun(4.0);
  AddPlateCheck(PlateRig(), kFour, run);
  REQUIRE(run.plate);
  CHECK(run.plate->sum_mm2->value == Approx(4.0));
  // The meter's 1 % is the whole sum's; own parts average: 0.1 % * sqrt(0.9^2 + 1 + 1 + 1.1^2) / 4.
  const double own = 0.1 * std::sqrt(0.81 + 1.0 + 1.0 + 1.21) / 4.0;
  CHECK(run.plate->sum_mm2->u == Approx(0.04 * std::sqrt(1.0 + 0.04 + own * own)).epsilon(1e-9));
  CHECK(run.plate->difference_percent->value == Approx(0.0).margin(1e-12));
  CHECK(run.plate->difference_percent->u == Approx(std::hypot(0.1, own)).epsilon(1e-9));
  CHECK(run.flags.empty());
}

TEST_CASE("another meter, or another day, does not cancel", "[src][plate]") {
  src::Run run = PlateRun(4.0);
  std::vector<src::PlateElement> elements = kFour;
  for (src::PlateElement& element : elements) element.sensors = {std::string(64, 'b')};
  AddPlateCheck(PlateRig(), elements, run);
  // 1 % of the plate and 1 % of the sum, each its own.
  CHECK(run.plate->difference_percent->u == Approx(std::sqrt(2.0)).epsilon(0.01));
  run = PlateRun(4.0);
  elements = kFour;
  for (src::PlateElement& element : elements) element.date = "2031-04-01";
  AddPlateCheck(PlateRig(), elements, run);
  CHECK(run.plate->difference_percent->u == Approx(0.2 * std::sqrt(2.0)).epsilon(0.1));
}

TEST_CASE("a plate that passes 2 percent less points to manifold or blockage", "[src][plate]") {
  src::Run run = PlateRun(3.92);
  AddPlateCheck(PlateRig(), kFour, run);
  CHECK(run.plate->difference_percent->value == Approx(-2.0));
  REQUIRE(run.flags.size() == 1);
  CHECK(run.flags[0].code == "plate_misfit");
  CHECK(run.flags[0].severity == calib::Severity::kWarn);
  CHECK_THAT(run.flags[0].message, Contains("2.00 % less") && Contains("manifold losses or blockage"));
  run = PlateRun(4.08);
  AddPlateCheck(PlateRig(), kFour, run);
  CHECK_THAT(run.flags[0].message, Contains("more") && Contains("leak"));
}

TEST_CASE("without the elements' flow areas there is no sum, and the reason is said", "[src][plate]") {
  src::Run run = PlateRun(4.0);
  std::vector<src::PlateElement> elements = kFour;
  elements[2] = {};
  elements[2].element = "A03";
  AddPlateCheck(PlateRig(), elements, run);
  CHECK_FALSE(run.plate->sum_mm2);
  CHECK(run.flags.at(0).code == "plate_element_unknown");
  CHECK_THAT(run.flags[0].message, Contains("A03"));
  run = PlateRun(4.0);
  AddPlateCheck(PlateRig(), std::nullopt, run);
  CHECK_FALSE(run.plate);
  CHECK(run.flags.at(0).code == "plate_needs_archive");
  src::Rig bare = PlateRig();
  bare.plate_elements.clear();
  run = PlateRun(4.0);
  AddPlateCheck(bare, kFour, run);
  CHECK(run.flags.at(0).code == "plate_elements_unstated");
  src::Rig swirl;
  run = PlateRun(4.0);
  AddPlateCheck(swirl, kFour, run);
  CHECK(run.flags.empty());
}

// Where straight sides say that a cone begins.
#include <cmath>

#include <catch2/catch.hpp>

#include <vision/cone_origin.h>
#include <vision/hyperboloid.h>

using namespace conebook;

namespace {

// Sides of a cone that leaves a ring below `exit_y`, as a guess about an exit taken at (320, 60); 10 px of
// diameter.
vision::ClipModel GuessedSides(double exit_y, double slope, double u_found_px) {
  vision::ClipModel model;
  model.exit_px = {320.0, 60.0};
  model.exit_diameter_px = 10.0;
  model.u_exit_px = u_found_px;
  model.rows = 400;
  model.row_step = 1;
  const double near = 20.0;
  const double far = 200.0;
  const double at_exit =
      vision::LineThroughHyperboloid(4.6, slope, near, far).intercept + vision::kEdgeOutward_px;
  const double half = at_exit + slope * (60.0 - exit_y);
  model.guess[0] = {320.0 - half, -slope};
  model.guess[1] = {320.0 + half, slope};
  return model;
}

vision::ConeAngles FittedSides(double half_width_mm, double slope) {
  vision::ConeAngles angles;
  angles.at_exit_mm[0] = -half_width_mm;
  angles.at_exit_mm[1] = half_width_mm;
  angles.slope[0] = -slope;
  angles.slope[1] = slope;
  return angles;
}

}  // namespace

// r^2 = r0^2 + z^2 tan^2 a (free swirling sheet), line through r0 = 1, a = 40 deg from z = 5 to 20: worked
// out apart by least squares over 1e5 points.
TEST_CASE("a line through a hyperboloid meets the exit well within its ring", "[vision][origin]") {
  CHECK(vision::LineThroughHyperboloid(1.0, std::tan(40.0 * 3.14159265358979 / 180.0), 5.0, 20.0).intercept ==
        Approx(0.11570).epsilon(0.01));
  CHECK(vision::LineThroughHyperboloid(0.0, 0.8, 5.0, 20.0).intercept == Approx(0.0).margin(1e-9));
  // Where the stations shrink to the exit, the ring itself.
  CHECK(vision::LineThroughHyperboloid(1.0, 0.8, 0.0, 1e-3).intercept == Approx(1.0).epsilon(1e-3));
}

TEST_CASE("an exit that was found too low, or too high, goes where the sides come from", "[vision][origin]") {
  for (const double true_y : {20.0, 100.0}) {
    vision::ClipModel model = GuessedSides(true_y, 0.4, 9.6);
    REQUIRE(vision::TakeExitFromSides(model));
    CHECK(model.exit_px.y == Approx(true_y).margin(0.5));
    CHECK(model.exit_px.x == Approx(320.0).margin(0.1));
    // The sides' own u, and a part of so great a move.
    CHECK(model.u_exit_px > 3.0);
    CHECK(model.u_exit_px < 8.0);
  }
}

TEST_CASE("an exit that the sides agree with moves by their weights", "[vision][origin]") {
  vision::ClipModel model = GuessedSides(64.0, 0.8, 3.0);  // the sides to 1.5 px
  REQUIRE(vision::TakeExitFromSides(model));
  CHECK(model.exit_px.y > 62.0);
  CHECK(model.exit_px.y < 64.0);
  CHECK(model.u_exit_px < 3.0);
}

TEST_CASE("an exit that two looks agree on stays where sides contradict it, in doubt", "[vision][origin]") {
  vision::ClipModel model = GuessedSides(20.0, 0.4, 3.0);
  CHECK_FALSE(vision::TakeExitFromSides(model));
  CHECK(model.exit_px.y == 60.0);
  CHECK(model.u_exit_px == Approx(14.0).margin(0.5));  // 0.35 of 40 px
}

TEST_CASE("sides that hardly open say nothing of the exit", "[vision][origin]") {
  vision::ClipModel model = GuessedSides(100.0, 0.1, 9.6);
  CHECK_FALSE(vision::TakeExitFromSides(model));
  CHECK(model.exit_px.y == 60.0);
}

TEST_CASE("sides that are wide, or have met, at the exit are doubted; a ring's are not", "[vision][origin]") {
  const auto doubt = [](double half_width_mm, double u_exit_mm) {
    return vision::OriginDoubt(FittedSides(half_width_mm, 0.6), 20.0, 2.0, 12.0, 0.5, u_exit_mm);
  };
  CHECK_FALSE(doubt(0.1, 0.02));
  CHECK_FALSE(doubt(0.3, 0.02));
  const auto wide = doubt(1.2, 0.02);
  REQUIRE(wide);
  CHECK(wide->code == "wide_origin");
  // 1.2 less the ring's 0.068 (the same way) and the edge's 0.075, over 0.6.
  CHECK(wide->message.find("some 1.8 mm upstream") != std::string::npos);
  const auto narrow = doubt(-0.9, 0.02);
  REQUIRE(narrow);
  CHECK(narrow->code == "narrow_origin");
  // An exit known to 1 mm may lie there.
  CHECK_FALSE(doubt(1.2, 1.0));
}

// Sizes of the drops of a point: what is said where there are too few.
#include <optional>
#include <vector>

#include <catch2/catch.hpp>

#include <src/drop_sizes.h>

using namespace conebook;

TEST_CASE("too few drops are a warning in a close-up of drops, and a remark in a clip of the cone",
          "[src][drops]") {
  vision::DropSizing sizing;
  sizing.verdict = vision::DropVerdict::kResolved;
  sizing.cutoff_px = 5.0;
  for (int frame = 0; frame < 3; ++frame) {
    vision::SizedDrop drop;
    drop.diameter_px = 8.0;
    drop.weight = 1.0;
    drop.frame = frame;
    sizing.drops.push_back(drop);
  }
  calib::Quantity px_per_mm;
  px_per_mm.value = 20.0;
  px_per_mm.u = 0.1;
  for (const calib::Severity missing : {calib::Severity::kWarn, calib::Severity::kInfo}) {
    std::vector<calib::Flag> flags;
    CHECK_FALSE(src::SizesOfDrops(sizing, px_per_mm, 0, missing, flags));
    REQUIRE(flags.size() == 1);
    CHECK(flags[0].code == "drops_not_resolvable");
    CHECK(flags[0].severity == missing);
    flags.clear();
    CHECK_FALSE(src::SizesOfDrops(sizing, std::nullopt, 0, missing, flags));
    REQUIRE(flags.size() == 1);
    CHECK(flags[0].code == "no_scale");
    CHECK(flags[0].severity == missing);
  }
}

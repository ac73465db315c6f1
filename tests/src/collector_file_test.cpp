// Collector tables as files: what they may look like, and what is said of bad ones.
#include "src/collector_file.h"

#include <filesystem>
#include <fstream>
#include <string>

#include <catch2/catch.hpp>
#include <unistd.h>

#include <calib/error.h>

using namespace conebook;
using Catch::Contains;

namespace {

std::string Table(const std::string& text) {
  const std::filesystem::path path =
      std::filesystem::temp_directory_path() / ("conebook_collector_" + std::to_string(getpid()) + ".csv");
  std::ofstream(path, std::ios::binary) << text;
  return path.string();
}

void Refused(const std::string& text, const std::string& words, calib::PatternationOptions options = {}) {
  INFO(text);
  CHECK_THROWS_WITH(src::ReadCollectorTable(Table(text), options), Contains(words));
}

}  // namespace

// Shares and flows by hand.
TEST_CASE("a table of sectors gives each sector's flow, in grams or kilograms", "[src][collector]") {
  const std::string grams =
      "# Invented.\nsector,mass_g,time_s,note\n0,60,60,a\n1,90,60,b\n2,60,60,c\n3,30,60,d\n";
  const std::string kilograms = "sector;mass_kg;time_s\n0;0,060;60\n1;0,090;60\n2;0,060;60\n3;0,030;60\n";
  for (const std::string& text : {grams, kilograms}) {
    const calib::Patternation p = src::ReadCollectorTable(Table(text), {});
    CHECK(p.total_g_s.value == Approx(4.0));
    REQUIRE(p.sectors.size() == 4);
    CHECK(p.sectors[1].share.value == Approx(0.375));
    CHECK(p.sectors[1].angle_deg == Approx(90.0));
    // Half of |0.125| twice.
    CHECK(p.non_uniformity->value == Approx(0.125));
    CHECK(*p.largest_over_smallest == Approx(3.0));
    REQUIRE(p.imbalance->direction_deg);
    CHECK(p.imbalance->direction_deg->value == Approx(90.0));
  }
}

TEST_CASE("a table of rings gives the mass's mean radius where their edges are known", "[src][collector]") {
  calib::PatternationOptions options;
  options.ring_edge_mm = {0.0, 10.0, 20.0};
  const calib::Patternation p =
      src::ReadCollectorTable(Table("ring,mass_g,time_s,u_mass_g\n0,25,50,0.1\n1,75,50,0.1\n"), options);
  CHECK(p.rings.size() == 2);
  CHECK(p.mean_radius_mm->value == Approx(0.25 * 5.0 + 0.75 * 15.0));
  CHECK(p.ring_edge_mm == options.ring_edge_mm);
}

TEST_CASE("a bad collector table is refused with its line and what to do", "[src][collector]") {
  Refused("mass_g,time_s\n1,2\n", "neither column sector nor column ring");
  Refused("sector,time_s\n0,2\n", "mass_g or mass_kg is missing");
  Refused("sector,mass_g\n0,2\n", "time_s is missing");
  Refused("sector,mass_g,mass_kg,time_s\n0,2,2,3\n", "both give the same");
  Refused("sector,mass_g,time_s\n0,5,60\n1.5,5,60\n", "line 3: column sector: expected a whole number");
  Refused("sector,mass_g,time_s\n0,5,60\n1,-5,60\n", "line 3: mass -5 g");
  Refused("sector,mass_g,time_s\n0,5,60\n1,5,0\n", "line 3: time 0 s");
  Refused("sector,mass_g,time_s\n0,5,60\n1,text,60\n", "line 3");
  Refused("sector,mass_g,time_s\n0,5,60\n2,5,60\n", "no row for sector 1");
  calib::PatternationOptions edges;
  edges.ring_edge_mm = {0.0, 10.0};
  Refused("ring,mass_g,time_s\n0,5,60\n1,5,60\n", "2 ring edges for 2 rings", edges);
}

// Published D32 correlations against the project's reference (1.5, 1.7, trap list). [calc]: recomputed from
// the formula as printed there; [mem]: the formula was remembered from the named paper, [read]: read in a
// secondary source.
#include <cmath>

#include <catch2/catch.hpp>

#include <calib/drop_correlations.h>

using namespace conebook::calib;

namespace {

AtomisingFlow Water(double mass_flow_kg_s, double pressure_drop_pa) {
  return {mass_flow_kg_s, pressure_drop_pa, 1000.0, 1e-3, 0.0728, 1.2};
}

}  // namespace

TEST_CASE("the D32 correlations give the reference's check values for water at 2, 5 and 9 bar",
          "[calib][theory]") {
  // Radcliffe (1960) [mem], Jasuja (1979) [mem], Lefebvre (1987) [read]; Suyari & Lefebvre's film [read]; all
  // [calc].
  const double rows[][6] = {{2e5, 0.0126491, 243.055, 201.253, 148.909, 286.338},
                            {5e5, 0.0200000, 188.917, 150.107, 105.607, 255.350},
                            {9e5, 0.0268328, 160.720, 124.369, 84.7160, 237.261}};
  for (const auto& r : rows) {
    const AtomisingFlow flow = Water(r[1], r[0]);
    CHECK(RadcliffeD32Um(flow) == Approx(r[2]).epsilon(5e-6));
    CHECK(JasujaD32Um(flow) == Approx(r[3]).epsilon(5e-6));
    CHECK(LefebvreD32Um(flow) == Approx(r[4]).epsilon(5e-6));
    CHECK(SuyariLefebvreFilmUm(flow, 2.0) == Approx(r[5]).epsilon(5e-6));
  }
}

TEST_CASE("Wang and Lefebvre's two terms carry the liquid's density and their own powers",
          "[calib][theory]") {
  // [read], values [calc]; transcriptions with the gas's density or 0.75 / 0.75 circulate.
  const AtomisingFlow flow = Water(0.02, 5e5);
  CHECK(WangLefebvreD32Um(flow, 100.0, 40.0) == Approx(42.9013).epsilon(2e-6));
  CHECK(WangLefebvreD32Um(flow, 255.350, 40.0) == Approx(79.5663).epsilon(2e-6));
  // Published-style example, inputs [read], result [calc]: oil, full angle 45 degrees.
  const AtomisingFlow oil{0.0224, 5e5, 905.0, 0.0760, 0.0323, 2.1557};
  CHECK(SuyariLefebvreFilmUm(oil, 8.0) == Approx(1124.60).epsilon(5e-6));
  CHECK(WangLefebvreD32Um(oil, 1124.60, 22.5) == Approx(273.564).epsilon(5e-6));
}

TEST_CASE("Lefebvre's correlation has the dimension of a length", "[calib][theory]") {
  // Double every length's unit (kg and s kept): viscosity, density, pressure and tension change with it, D32
  // doubles.
  const AtomisingFlow a = Water(0.02, 5e5);
  AtomisingFlow b = a;  // numbers of the same flow in units of half a metre
  b.pressure_drop_pa /= 2.0;
  b.viscosity_pa_s /= 2.0;
  b.gas_density_kg_m3 /= 8.0;
  b.density_kg_m3 /= 8.0;
  CHECK(LefebvreD32Um(b) == Approx(2.0 * LefebvreD32Um(a)));
  CHECK(WangLefebvreD32Um(b, 200.0, 40.0) == Approx(2.0 * WangLefebvreD32Um(a, 100.0, 40.0)));
}

TEST_CASE("more pressure: finer drops, whoever is asked", "[calib][theory]") {
  // Levitsky & Tavor (2020), Micromachines 11(6):584, abstract [read]: 80 to 40 um from 2 to 5 bar in water.
  const auto low = PublishedD32(Water(0.0126491, 2e5), 2.0, 40.0);
  const auto high = PublishedD32(Water(0.02, 5e5), 2.0, 40.0);
  REQUIRE(low.size() == 4);
  for (std::size_t i = 0; i < 4; ++i) CHECK(high[i].d32_um < low[i].d32_um);
}

TEST_CASE("a correlation says what it was found for, and when it is asked beyond", "[calib][theory]") {
  const auto inside = PublishedD32(Water(0.02, 5e5), 2.0, 40.0);
  const auto wide = PublishedD32(Water(0.02, 5e5), 2.0, 55.0);
  CHECK_FALSE(inside.back().outside);
  CHECK(wide.back().outside);
  CHECK(inside.front().from_memory);
  CHECK_FALSE(inside.back().from_memory);
  CHECK(PublishedD32(Water(0.02, 5e5), 2.0, std::nullopt).size() == 3);
}

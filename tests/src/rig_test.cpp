// The rig file: the contract of the design, key by key.
#include <filesystem>
#include <fstream>
#include <string>

#include <catch2/catch.hpp>
#include <unistd.h>

#include <calib/error.h>
#include <src/nearest_name.h>
#include <src/rig.h>
#include <src/rig_keys.h>

using namespace conebook;
using Catch::Matchers::Contains;

namespace {

std::string Written(const std::string& name, const std::string& text) {
  const std::filesystem::path folder =
      std::filesystem::temp_directory_path() / ("conebook_rig_test_" + std::to_string(::getpid()));
  std::filesystem::create_directories(folder);
  const std::string path = (folder / name).string();
  std::ofstream(path, std::ios::binary) << text;
  return path;
}

const std::string kLeast = "[element]\nid = \"A07\"\n[nozzle]\nexit_diameter_mm = 1.6\n";

src::Rig RigOf(const std::string& more) {
  return src::ReadRig(Written("rig.toml", kLeast + more));
}

std::string ErrorOf(const std::string& text) {
  try {
    src::ReadRig(Written("bad.toml", text));
  } catch (const calib::InputError& error) {
    return error.what();
  }
  return "no error";
}

}  // namespace

TEST_CASE("a rig file of two keys is enough, the rest has the contract's defaults", "[src][rig]") {
  const src::Rig rig = RigOf("");
  CHECK(rig.element == "A07");
  CHECK(rig.kind == "swirl");
  CHECK(rig.view.exit_diameter_mm.value == 1.6);
  CHECK_FALSE(rig.view.px_per_mm);
  CHECK_FALSE(rig.view.exit_x_px);
  CHECK(rig.view.tilt_deg.u == 2.0);
  CHECK(rig.view.tilt_deg.u_assumed);
  CHECK(rig.view.axis_deg.value_assumed);
  CHECK(rig.view.axis_deg.u == 0.5);
  CHECK(rig.stand.tap == src::PressureTap::kElement);
}

TEST_CASE("uncertainties are taken from u_ keys, else assumed and marked so", "[src][rig]") {
  const src::Rig rig = RigOf(
      "exit_px = [640.0, 82.5]\nu_exit_px = 0.4\naxis_deg = 3\n[scale]\npx_per_mm = 8.2\n"
      "[camera]\ndistance_mm = 600\nu_distance_mm = 5.0\n");
  CHECK(rig.view.px_per_mm->u == Approx(0.082));
  CHECK(rig.view.px_per_mm->u_assumed);
  CHECK(rig.view.distance_mm->u == 5.0);
  CHECK_FALSE(rig.view.distance_mm->u_assumed);
  CHECK(rig.view.exit_y_px->value == 82.5);
  CHECK(rig.view.exit_y_px->u == 0.4);
  CHECK_FALSE(rig.view.axis_deg.value_assumed);
}

TEST_CASE("every key of the contract is accepted", "[src][rig]") {
  Written("lens.toml",
          "[lens]\nwidth_px = 1280\nheight_px = 720\nfx_px = 4920.0\nfy_px = 4920.0\ncx_px = 639.5\n"
          "cy_px = 359.5\nk1 = -0.1\nrms_px = 0.2\n");
  const src::Rig rig = src::ReadRig(Written("full.toml", R"(
[element]
id = "A07"
batch = "reamed"
kind = "swirl"
inlet_count = 3
inlet_diameter_mm = 0.7
u_inlet_diameter_mm = 0.005
inlet_edge_radius_mm = 0.05
chamber_diameter_mm = 4.0
chamber_length_mm = 5.0
exit_length_mm = 1.0
measured_by = "pin_gauge"
[camera]
fps = 60.0
distance_mm = 600.0
focal_px = 4920.0
tilt_deg = 0.0
lens = "lens.toml"
white_level = 4095
[scale]
px_per_mm = 8.2
[nozzle]
exit_px = [640.0, 82.5]
exit_diameter_mm = 1.6
axis_deg = 0.0
[spray]
illumination = "backlit"
shows = "cone"
[stations]
near_mm = 2.0
far_mm = 12.0
[stand]
liquid = "water"
temperature_c = 18.0
reference_area_mm2 = 2.01
area_kind = "exit"
rated_bar = 16.0
pressure_tap = "tank"
tap_above_exit_mm = 120.0
[log]
time = "t"
time_unit = "ms"
pressure = "P1"
pressure_unit = "kpa"
pressure_kind = "gauge"
flow = "F"
flow_unit = "pulse_hz"
temperature = "T"
delimiter = ";"
decimal = ","
[meter]
k_factor_per_l = 20000.0
u_percent = 0.5
[pressure]
u_percent = 0.25
[sync]
log_minus_video_s = 1.25
u_log_minus_video_s = 0.01
[view]
rotation_deg = 30.0
)"));
  CHECK(rig.geometry.inlet_count == 3);
  CHECK(rig.view.lens->k1 == -0.1);
  CHECK(rig.view.lens->width_px == 1280);
  REQUIRE(rig.calibrations.size() == 1);
  CHECK(rig.calibrations[0].sha256.size() == 64);
  CHECK(rig.stand.tap == src::PressureTap::kTank);
  CHECK(rig.log.time_unit == "ms");
  CHECK(rig.log_minus_video_s->u == 0.01);
  REQUIRE(rig.view_rotation_deg);
  CHECK(rig.view_rotation_deg->value == 30.0);
}

TEST_CASE("an unknown key is refused with its line and the nearest known one", "[src][rig]") {
  CHECK_THAT(ErrorOf(kLeast + "[scale]\npx_per_m = 8.2\n"), Contains("line 6") &&
                                                                Contains("unknown key px_per_m in [scale]") &&
                                                                Contains("did you mean px_per_mm"));
  CHECK_THAT(ErrorOf(kLeast + "[scale]\nu_px_per_m = 8.2\n"), Contains("did you mean u_px_per_mm"));
  CHECK_THAT(ErrorOf(kLeast + "[camra]\nfps = 60\n"),
             Contains("unknown section [camra]") && Contains("[camera]"));
  CHECK_THAT(ErrorOf(kLeast + "[camera]\npx_per_mm = 8\n"), Contains("belongs in [scale]"));
  CHECK_THAT(ErrorOf("fps = 60\n" + kLeast), Contains("outside any section") && Contains("[camera]"));
  CHECK_THAT(ErrorOf(kLeast + "u_kind = 3\n"), Contains("unknown key u_kind"));
}

TEST_CASE("a missing required key is named", "[src][rig]") {
  CHECK_THAT(ErrorOf("[nozzle]\nexit_diameter_mm = 1.6\n"), Contains("[element] id is missing"));
  CHECK_THAT(ErrorOf("[element]\nid = \"A\"\n"), Contains("[nozzle] exit_diameter_mm is missing"));
  CHECK_THAT(ErrorOf(""), Contains("[element] id is missing"));
}

TEST_CASE("broken TOML is refused with line and column", "[src][rig]") {
  CHECK_THAT(ErrorOf("[element\nid = 3"), Contains("line 1, column"));
  CHECK_THAT(ErrorOf(kLeast + "[element]\n"), Contains("line 5"));
}

TEST_CASE("scale and stations must make sense, and NaN never does", "[src][rig]") {
  CHECK_THAT(ErrorOf(kLeast + "[scale]\npx_per_mm = -8.2\n"),
             Contains("expected a number above 0, found -8.2"));
  CHECK_THAT(ErrorOf(kLeast + "[scale]\npx_per_mm = 0\n"), Contains("above 0"));
  CHECK_THAT(ErrorOf(kLeast + "[scale]\npx_per_mm = nan\n"), Contains("finite number"));
  CHECK_THAT(ErrorOf(kLeast + "[scale]\npx_per_mm = \"8\"\n"), Contains("expected a number, found \"8\""));
  CHECK_THAT(ErrorOf(kLeast + "[scale]\npx_per_mm = 8\nu_px_per_mm = -1\n"), Contains("not negative"));
  CHECK_THAT(ErrorOf(kLeast + "[scale]\nu_px_per_mm = 1\n"), Contains("without px_per_mm"));
  CHECK_THAT(ErrorOf(kLeast + "[stations]\nnear_mm = 4\nfar_mm = 4\n"),
             Contains("far_mm = 4 must be greater"));
  CHECK_THAT(ErrorOf(kLeast + "exit_px = [1.0]\n"), Contains("two numbers"));
  CHECK_THAT(ErrorOf(kLeast + "exit_px = [1.0, inf]\n"), Contains("finite"));
  CHECK_THAT(ErrorOf(kLeast + "[spray]\nillumination = \"side\"\n"),
             Contains("one of \"backlit\", \"frontlit\""));
  CHECK_THAT(ErrorOf("element = 3\n"), Contains("expected a section [element]"));
}

TEST_CASE("a gauge reading and an ambient pressure contradict each other", "[src][rig]") {
  const std::string both = "[stand]\nambient_bar = 1.0\n[log]\npressure_kind = \"gauge\"\n";
  CHECK_THAT(ErrorOf(kLeast + both), Contains("contradicts"));
  CHECK_NOTHROW(RigOf("[stand]\nambient_bar = 0.0\n[log]\npressure_kind = \"gauge\"\n"));
}

TEST_CASE("the stand's calibration files are read, hashed, and refused where they do not fit the rig",
          "[src][rig]") {
  const std::string tank = "[stand]\npressure_tap = \"tank\"\n";
  CHECK_THAT(ErrorOf(kLeast + "[stand]\nline_loss = \"no_such.toml\"\n"), Contains("cannot read"));
  Written("line.toml", "[line]\nk_per_m4 = 2.5e9\nu_k_per_m4 = 5e7\ndof = 3\ndate = \"2031-05-04\"\n");
  CHECK_THAT(ErrorOf(kLeast + "[stand]\nline_loss = \"line.toml\"\n"),
             Contains("[stand] line_loss") && Contains("pressure_tap = \"line\" or \"tank\""));
  Written("empty.toml", "[line]\n");
  CHECK_THAT(ErrorOf(kLeast + tank + "line_loss = \"empty.toml\"\n"), Contains("k_per_m4 is missing"));
  Written("other.toml", "[meter]\n");
  CHECK_THAT(ErrorOf(kLeast + tank + "line_loss = \"other.toml\"\n"),
             Contains("no section [line]") && Contains("calibrate line"));

  const std::string meter =
      "[meter]\nrate_unit = \"pulse_hz\"\nmid_rate = 300\ncoefficients = [20000.0, 200.0]\ncovariance = "
      "[25.0, "
      "0.0, 0.0, 100.0]\ndof = 10\nlowest_rate = 100\nhighest_rate = 500\nu_run_percent = "
      "0.1\nu_common_percent = 0.2\ndate = \"2031-05-04\"\nexpires = \"2032-05-04\"\n";
  Written("meter.toml", meter);
  const std::string use_meter = "[meter]\ncalibration = \"meter.toml\"\n";
  CHECK_THAT(ErrorOf(kLeast + use_meter + "k_factor_per_l = 20000\n"), Contains("calibration gives it, too"));
  Written("meter_bad.toml", meter + "expiry = 3\n");
  CHECK_THAT(ErrorOf(kLeast + "[meter]\ncalibration = \"meter_bad.toml\"\n"),
             Contains("unknown key expiry") && Contains("did you mean expires?"));

  const std::string sensor =
      "zero_bar = 0.02\nu_zero_bar = 0.002\nspan = 1.01\nu_span = 0.0004\ncovariance_bar = -5e-7\ndof = "
      "9\nu_reading_bar = 0.003\nu_reference_percent = 0.1\nlowest_bar = 0.02\nhighest_bar = 10.12\n";
  Written("gauge.toml", "[pressure]\nkind = \"gauge\"\n" + sensor);
  Written("absolute.toml", "[pressure]\nkind = \"absolute\"\n" + sensor);
  const std::string absolute_log = "[log]\npressure_kind = \"absolute\"\n";
  CHECK_THAT(ErrorOf(kLeast + absolute_log + "[pressure]\ncalibration = \"gauge.toml\"\n"),
             Contains("against gauge pressure"));
  CHECK_THAT(ErrorOf(kLeast + "[pressure]\ncalibration = \"absolute.toml\"\n"),
             Contains("against absolute pressure"));
  CHECK_NOTHROW(RigOf(absolute_log + "[pressure]\ncalibration = \"absolute.toml\"\n"));

  const src::Rig rig =
      RigOf(tank + "line_loss = \"line.toml\"\n" + use_meter + "[pressure]\ncalibration = \"gauge.toml\"\n");
  REQUIRE(rig.calibrations.size() == 3);
  CHECK(rig.line_loss->k_per_m4 == 2.5e9);
  CHECK(rig.meter->curve.coefficients[1] == 200.0);
  CHECK(rig.meter->curve.u_run_share == Approx(0.001));
  CHECK(rig.meter->expires == "2032-05-04");
  CHECK(rig.pressure_calibration->sensor.span == 1.01);
  // What the command writes is what the rig reads.
  CHECK(src::ReadMeterFile(Written("again.toml", src::MeterFileText(*rig.meter, "again"))).curve.covariance ==
        rig.meter->curve.covariance);
  CHECK(
      src::ReadPressureFile(Written("again.toml", src::PressureFileText(*rig.pressure_calibration, "again")))
          .sensor.covariance_bar == -5e-7);
  CHECK(src::ReadLineLossFile(Written("again.toml", src::LineLossFileText(*rig.line_loss, "again")))
            .u_k_per_m4 == 5e7);
}

TEST_CASE("a sheet's overrides replace single values and keep their neighbours", "[src][rig]") {
  const std::string path = Written("base.toml", kLeast + "axis_deg = 1.0\n[scale]\npx_per_mm = 8\n");
  const src::TomlNode over =
      src::ReadToml(Written("over.toml", "[nozzle]\naxis_deg = 2.5\n[camera]\nfps = 1000\n"));
  const src::Rig rig = src::ReadRig(path, &over);
  CHECK(rig.view.axis_deg.value == 2.5);
  CHECK(rig.view.exit_diameter_mm.value == 1.6);
  CHECK(rig.view.px_per_mm->value == 8.0);
  CHECK(rig.view.fps == 1000.0);
}

TEST_CASE("the nearest known name is the one with the fewest slips", "[src][names]") {
  CHECK(src::NearestName("presure_bar", {"time_s", "pressure_bar", "flow_lpm"}) == "pressure_bar");
  CHECK(src::NearestName("FLOW_LPM", {"time_s", "flow_lpm"}) == "flow_lpm");
  CHECK_FALSE(src::NearestName("x", {}));
}

// The stand log: what loggers write, and what must be refused with file and line.
// Conversion factors: NIST SP 811 appendix B (psi 6.894757 kPa, US gallon 3.785412 L).
#include <filesystem>
#include <fstream>

#include <catch2/catch.hpp>
#include <unistd.h>

#include <calib/error.h>
#include <src/stand_log.h>

using namespace conebook;
using Catch::Matchers::Contains;

namespace {

std::string Written(const std::string& text) {
  const std::filesystem::path folder =
      std::filesystem::temp_directory_path() / ("conebook_log_test_" + std::to_string(::getpid()));
  std::filesystem::create_directories(folder);
  const std::string path = (folder / "log.csv").string();
  std::ofstream(path, std::ios::binary) << text;
  return path;
}

src::StandLog LogOf(const std::string& text, const src::LogKeys& keys = {}) {
  return src::ReadStandLog(Written(text), keys);
}

std::string ErrorOf(const std::string& text, const src::LogKeys& keys = {}) {
  try {
    LogOf(text, keys);
  } catch (const calib::InputError& error) {
    return error.what();
  }
  return "no error";
}

bool HasFlag(const src::StandLog& log, const std::string& code) {
  for (const calib::Flag& flag : log.flags) {
    if (flag.code == code) return true;
  }
  return false;
}

}  // namespace

TEST_CASE("the default columns are read, notes and scientific notation included", "[src][log]") {
  const auto log = LogOf("# tank 2\ntime_s,pressure_bar,flow_lpm\n0,1e-1,6.0e+1\n\n# pause\n0.5,+2.5,30\n");
  CHECK(log.time_s == std::vector<double>{0.0, 0.5});
  CHECK(log.pressure_bar == std::vector<double>{0.1, 2.5});
  CHECK(log.flow_kind == src::FlowKind::kVolumeLS);
  CHECK(log.flow[0] == Approx(1.0));
  CHECK(log.flow[1] == Approx(0.5));
  CHECK(HasFlag(log, "log_columns"));
  CHECK_FALSE(HasFlag(log, "log_columns_ignored"));
}

TEST_CASE("semicolons, decimal commas, quotes, a byte order mark and CRLF are found", "[src][log]") {
  const auto log = LogOf(
      "\xEF\xBB\xBF\"time_s\";\"pressure_bar\";\"flow_kg_s\";\"note\"\r\n"
      "0,0;2,5;0,0125;\"a;b\"\r\n0,1;2,6;1,3E-2;ok\r\n");
  CHECK(log.pressure_bar == std::vector<double>{2.5, 2.6});
  CHECK(log.flow[1] == Approx(0.013));
  CHECK(log.flow_kind == src::FlowKind::kMassKgS);
  CHECK_THAT(log.found, Contains("delimiter: semicolon; decimal sign: comma"));
  CHECK(HasFlag(log, "log_columns_ignored"));
}

TEST_CASE("the rig's mapping and units are followed", "[src][log]") {
  src::LogKeys keys;
  keys.time = "clock";
  keys.time_unit = "ms";
  keys.pressure = "P1";
  keys.pressure_unit = "psi";
  keys.flow = std::string("F");
  keys.flow_unit = "gal_us_min";
  keys.temperature = "T1";
  const auto log = LogOf("clock,P1,P2,F,T1\n0,100,7,1,18\n20,101,7,1,18.5\n", keys);
  CHECK(log.time_s[1] == Approx(0.02));
  CHECK(log.pressure_bar[0] == Approx(6.894757).epsilon(1e-6));
  CHECK(log.flow[0] == Approx(3.785412 / 60.0).epsilon(1e-6));
  CHECK(log.temperature_c[1] == 18.5);
}

TEST_CASE("a unit in a column's name is understood", "[src][log]") {
  const auto log = LogOf("Time [ms]\tPressure (kPa)\tFlow [ml/s]\n0\t250\t12\n5\t251\t12\n");
  CHECK(log.time_s[1] == Approx(0.005));
  CHECK(log.pressure_bar[0] == Approx(2.5));
  CHECK(log.flow[0] == Approx(0.012));
  CHECK(LogOf("time_s,pressure_mpa,pulse_hz\n0,0.3,350\n1,0.3,350\n").flow_kind == src::FlowKind::kPulseHz);
  CHECK(LogOf("time_s,pressure_mpa,pulse_hz\n0,0.3,350\n1,0.3,350\n").pressure_bar[0] == Approx(3.0));
  CHECK(HasFlag(LogOf("time,pressure,flow\n0,3,350\n1,3,350\n"), "pressure_unit_assumed"));
  CHECK_THAT(ErrorOf("time_s,pressure_mbar,flow_lpm\n0,3,3\n1,3,3\n"), Contains("unit mbar"));
}

TEST_CASE("clock times become seconds since the first row, across midnight and zones", "[src][log]") {
  const auto log = LogOf(
      "time,pressure_bar,flow_lpm\n2028-02-28T23:59:59.5Z,3,1\n2028-02-29T00:00:00.25Z,3,1\n"
      "2028-02-29 01:00:01+01:00,3,1\n2028-03-01T00:00:00Z,3,1\n");
  CHECK(log.time_s[1] == Approx(0.75));
  CHECK(log.time_s[2] == Approx(1.5));
  CHECK(log.time_s[3] == Approx(86400.5));
  CHECK(HasFlag(log, "log_time_from_first_row"));
  CHECK_THAT(ErrorOf("time,pressure_bar,flow_lpm\n2028-02-28T23:59:59Z,3,1\n12:00,3,1\n"),
             Contains("line 3"));
}

TEST_CASE("text, empty cells and NaN in a number are refused by line", "[src][log]") {
  const std::string head = "# note\ntime_s,pressure_bar,flow_lpm\n0,1,1\n";
  CHECK_THAT(ErrorOf(head + "1,two,1\n"),
             Contains("line 4") && Contains("pressure_bar") && Contains("\"two\""));
  CHECK_THAT(ErrorOf(head + "1,2.0x,1\n"), Contains("line 4"));
  CHECK_THAT(ErrorOf(head + "1,nan,1\n"), Contains("line 4") && Contains("finite"));
  CHECK_THAT(ErrorOf(head + "1,inf,1\n"), Contains("finite"));
  CHECK_THAT(ErrorOf(head + "1,,1\n"), Contains("empty cell"));
  CHECK_THAT(ErrorOf(head + "1,2\n"), Contains("flow_lpm: missing"));
}

TEST_CASE("times that do not rise are refused with both lines", "[src][log]") {
  const std::string head = "time_s,pressure_bar,flow_lpm\n0,1,1\n1,1,1\n";
  CHECK_THAT(ErrorOf(head + "0.5,1,1\n"), Contains("line 4") && Contains("earlier") && Contains("line 3"));
  CHECK_THAT(ErrorOf(head + "1,1,1\n"), Contains("line 4") && Contains("repeats"));
}

TEST_CASE("a missing column is named with the nearest one", "[src][log]") {
  CHECK_THAT(ErrorOf("time_s,presure_bar,flow_lpm\n0,1,1\n"),
             Contains("no pressure column") && Contains("presure_bar"));
  CHECK_THAT(ErrorOf("time_s,pressure_bar\n0,1\n1,1\n"),
             Contains("no flow column") && Contains("flow = \"\""));
  src::LogKeys keys;
  keys.pressure = "P_1";
  CHECK_THAT(ErrorOf("time_s,P1,flow_lpm\n0,1,1\n", keys),
             Contains("no column P_1") && Contains("nearest is P1"));
  src::LogKeys no_flow;
  no_flow.flow = "";
  CHECK(LogOf("time_s,pressure_bar\n0,1\n1,1\n", no_flow).flow_kind == src::FlowKind::kNone);
}

TEST_CASE("two columns that could be meant are not guessed between", "[src][log]") {
  CHECK_THAT(ErrorOf("time_s,pressure_tank_bar,pressure_line_bar,flow_lpm\n0,1,1,1\n"),
             Contains("2 columns could be the pressure"));
  CHECK(LogOf("time_s,pressure_tank_bar,pressure_bar,flow_lpm\n0,9,1,1\n1,9,1,1\n").pressure_bar[0] == 1.0);
}

TEST_CASE("an empty log is refused, and so is what is not text", "[src][log]") {
  CHECK_THAT(ErrorOf(""), Contains("empty"));
  CHECK_THAT(ErrorOf("# only a note\n"), Contains("empty"));
  CHECK_THAT(ErrorOf("time_s,pressure_bar,flow_lpm\n"), Contains("no rows"));
  CHECK_THAT(ErrorOf(std::string("ab\0cd\n", 6)), Contains("not text"));
  CHECK_THROWS_AS(src::ReadStandLog("/no/such/log.csv", {}), calib::InputError);
}

// A logger's own file works as it is: the same run written in many ways gives the same Cd, and files that
// cannot be used each get an error that says where and what. Conversion factors: NIST SP 811, appendix B (psi
// 6.894757 kPa; US gallon 3.785412 L).
#include <functional>
#include <vector>

#include <catch2/catch.hpp>
#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include "program.h"

using conebook::tests::Folder;
using conebook::tests::Outcome;
using nlohmann::json;

namespace {

struct Row {
  double time_s, bar, lpm;
};

// Two steps of pressure through an orifice of constant area.
std::vector<Row> Run() {
  std::vector<Row> rows;
  for (int k = 0; k < 240; ++k) {
    const double t = 0.1 * k;
    const double bar = t < 2.0 ? 0.0 : t < 12.0 ? 4.0 : t < 22.0 ? 8.0 : 0.0;
    rows.push_back({t, bar, 0.6 * std::sqrt(bar)});
  }
  return rows;
}

struct Shape {
  const char* name;
  std::function<std::string()> text;
  std::string log_keys;  // of the rig's [log], and other tables after it
};

std::string Table(const std::string& before, const std::string& row_format, double time = 1.0,
                  double bar = 1.0, double flow = 1.0, double time_0 = 0.0, double bar_0 = 0.0,
                  const std::string& after = "") {
  std::string text = before;
  for (const Row& row : Run())
    text += fmt::format(fmt::runtime(row_format), time_0 + time * row.time_s, bar_0 + bar * row.bar,
                        flow * row.lpm) +
            "\n";
  return text + after;
}

std::string Replaced(std::string text, const std::string& from, const std::string& to) {
  for (std::size_t at = 0; (at = text.find(from, at)) != std::string::npos; at += to.size())
    text.replace(at, from.size(), to);
  return text;
}

std::string Utf16(const std::string& text, bool big_endian, bool mark) {
  std::string out = !mark ? "" : big_endian ? "\xFE\xFF" : "\xFF\xFE";
  for (const char c : text) {
    if (big_endian) out += '\0';
    out += c;
    if (!big_endian) out += '\0';
  }
  return out;
}

// ISO 8601 from seconds after 12:00.
std::string Clock(const std::string& day_and, const std::string& zone, const std::string& header) {
  std::string text = header + "\n";
  for (const Row& row : Run()) {
    const int tenths = static_cast<int>(std::lround(10.0 * row.time_s));
    text += fmt::format("{}12:00:{:02}.{}{};{:.6f};{:.8f}\n", day_and, tenths / 10, tenths % 10, zone,
                        row.bar, row.lpm);
  }
  return text;
}

const std::string kPlain = "{:.3f},{:.6f},{:.8f}";
const std::string kHeader = "time_s,pressure_bar,flow_lpm\n";

std::string Plain() {
  return Table(kHeader, kPlain);
}

std::string German(const std::string& before, const std::string& after = "") {
  return before + Replaced(Table("", "{:.3f};{:.6f};{:.8f}"), ".", ",") + after;
}

const std::vector<Shape>& Shapes() {
  static const std::vector<Shape> kShapes{
      {"semicolons and decimal commas", [] { return German("time_s;pressure_bar;flow_lpm\n"); }, ""},
      {"tabs", [] { return Replaced(Plain(), ",", "\t"); }, ""},
      {"tabs and decimal commas",
       [] { return Replaced(German("time_s;pressure_bar;flow_lpm\n"), ";", "\t"); }, ""},
      {"bars between the cells", [] { return Replaced(Plain(), ",", " | "); }, ""},
      {"columns set with blanks",
       [] { return Table("  time_s pressure_bar    flow_lpm\n", "{:8.3f} {:12.6f} {:12.8f}"); }, ""},
      {"a UTF-8 byte order mark", [] { return "\xEF\xBB\xBF" + Plain(); }, ""},
      {"UTF-16, little end first", [] { return Utf16(Plain(), false, true); }, ""},
      {"UTF-16, big end first", [] { return Utf16(Plain(), true, true); }, ""},
      {"UTF-16 without a mark", [] { return Utf16(Plain(), false, false); }, ""},
      {"Windows line ends", [] { return Replaced(Plain(), "\n", "\r\n"); }, ""},
      {"line ends of old machines", [] { return Replaced(Plain(), "\n", "\r"); }, ""},
      {"quoted cells",
       [] { return Table("\"time_s\",\"pressure_bar\",\"flow_lpm\"\n", "\"{:.3f}\",\"{:.6f}\",\"{:.8f}\""); },
       ""},
      {"commas both between and within quoted cells",
       [] {
         return "time_s,pressure_bar,flow_lpm\n" +
                Replaced(Replaced(Table("", "<{:.3f}>;<{:.6f}>;<{:.8f}>"), ".", ","), ";", "@");
       },
       ""},
      {"names with units in brackets",
       [] { return Table("Time [s],Pressure (bar),Flow rate [l/min]\n", kPlain); }, ""},
      {"lines before the header",
       [] {
         return Table("Logger 7, channel set B\nStarted: 12:00\nOperator: invented\n" + kHeader, kPlain);
       },
       ""},
      {"lines before the header, filled up with delimiters",
       [] { return German("Stand;2;\nOperator;invented;\nNote;first run;\ntime_s;pressure_bar;flow_lpm\n"); },
       ""},
      {"a row of units below the names",
       [] { return Table("Time;Pressure;Flow\ns;kPa;l/min\n", "{:.3f};{:.4f};{:.8f}", 1.0, 100.0); }, ""},
      {"a row of units in brackets, and lines before",
       [] {
         return Table("run 3\nTime\tPressure\tFlow\n[ms]\t[MPa]\t[ml/s]\n", "{:.0f}\t{:.7f}\t{:.8f}", 1000.0,
                      0.1, 1000.0 / 60.0);
       },
       ""},
      {"a first line that names the delimiter",
       [] { return German("sep=;\ntime_s;pressure_bar;flow_lpm\n"); }, ""},
      {"milliseconds and kilopascal, mapped",
       [] { return Table("t,p_line,q\n", "{:.0f},{:.4f},{:.8f}", 1000.0, 100.0); },
       "time = \"t\"\ntime_unit = \"ms\"\npressure = \"p_line\"\npressure_unit = \"kpa\"\nflow = \"q\"\n"
       "flow_unit = \"l_min\"\n"},
      {"seconds since 1970",
       [] { return Table("epoch_s,pressure_bar,flow_lpm\n", kPlain, 1.0, 1.0, 1.0, 1.9e9); }, ""},
      {"ISO 8601 with Z", [] { return Clock("2031-05-04T", "Z", "timestamp;pressure_bar;flow_lpm"); }, ""},
      {"ISO 8601 with a zone",
       [] { return Clock("2031-05-04T", "+05:30", "timestamp;pressure_bar;flow_lpm"); }, ""},
      {"date and time with a blank between, no zone",
       [] { return Clock("2031-05-04 ", "", "time;pressure_bar;flow_lpm"); }, ""},
      {"psi and US gallons a minute",
       [] {
         return Table("time_s,pressure_psi,flow_gpm\n", "{:.3f},{:.7f},{:.9f}", 1.0, 100.0 / 6.894757,
                      1.0 / 3.785412);
       },
       ""},
      {"megapascal and grams a second",
       [] {
         return Table("time_s,pressure_mpa,flow_g_s\n", "{:.3f},{:.7f},{:.8f}", 1.0, 0.1, 998.596 / 60.0);
       },
       ""},
      {"pulses of a turbine meter",
       [] { return Table("time_s,pressure_bar,pulse_hz\n", kPlain, 1.0, 1.0, 20000.0 / 60.0); },
       "[meter]\nk_factor_per_l = 20000.0\n"},
      {"absolute pressure",
       [] { return Table("time_s,pressure_bar,flow_lpm\n", kPlain, 1.0, 1.0, 1.0, 0.0, 1.01325); },
       "pressure_kind = \"absolute\"\n"},
      {"other order, more columns, and a delimiter at each line's end",
       [] {
         std::string text = "valve;flow_lpm;pressure_bar;note;time_s;\n";
         for (const Row& row : Run())
           text += fmt::format("open;{:.8f};{:.6f};;{:.3f};\n", row.lpm, row.bar, row.time_s);
         return text;
       },
       ""},
      {"scientific notation and plus signs", [] { return Table(kHeader, "{:+.6e},{:.9E},{:+.9e}"); }, ""},
      {"notes and blank lines between the rows",
       [] { return Replaced(Plain(), "\n5.000", "\n# second valve\n\n5.000") + "\n# end of log\n"; }, ""},
      {"names in another code page, and no end to the last line",
       [] {
         std::string text = Table("time_s,pressure_bar,flow_lpm,T \xB0\x43\n", kPlain + ",");
         text.pop_back();
         return text;
       },
       ""}};
  return kShapes;
}

std::string Rig(const std::string& log_keys) {
  return "[element]\nid = \"A07\"\nbatch = \"reamed\"\n[nozzle]\nexit_diameter_mm = 1.6\n[stand]\nliquid = "
         "\"water\"\n"
         "temperature_c = 18.0\nrated_bar = 16.0\n[log]\n" +
         log_keys;
}

// Cd of both points.
std::vector<double> CdOf(const Folder& folder, const std::string& log, const std::string& log_keys) {
  folder.Write("log.csv", log);
  folder.Write("rig.toml", Rig(log_keys));
  const Outcome outcome = folder.Run("measure --log log.csv --rig rig.toml --json out.json");
  INFO(outcome.out << outcome.err);
  REQUIRE(outcome.exit == 0);
  const json result = json::parse(folder.Read("out.json"));
  std::vector<double> cd;
  for (const json& point : result["points"]) cd.push_back(point["cd"]["value"]);
  return cd;
}

}  // namespace

TEST_CASE("the same run written in thirty ways by different loggers gives the same Cd", "[process][log]") {
  const Folder folder("log_shapes");
  const std::vector<double> plain = CdOf(folder, Plain(), "");
  REQUIRE(plain.size() == 2);
  // By hand: 0.6 l/min at 1 bar of water at 18 C (998.6 kg/m3, IAPWS) through 1.6 mm:
  // Q = 1e-5 m3/s; area 2.0106e-6 m2; sqrt(2 * 1e5 / 998.6) = 14.152 m/s; Cd = 0.35145.
  CHECK(plain[0] == Approx(0.35145).epsilon(1e-3));
  CHECK(plain[1] == Approx(plain[0]).epsilon(1e-4));
  REQUIRE(Shapes().size() >= 30);
  for (const Shape& shape : Shapes()) {
    CAPTURE(shape.name);
    std::string text = Replaced(Replaced(Replaced(shape.text(), "<", "\""), ">", "\""), "@", ",");
    const std::vector<double> cd = CdOf(folder, text, shape.log_keys);
    REQUIRE(cd.size() == 2);
    // Mass flow was made with one density; that of water grows by 5e-5 a bar, which the program knows.
    const double allowed = std::string(shape.name).find("grams") == std::string::npos ? 2e-5 : 5e-4;
    CHECK(cd[0] == Approx(plain[0]).epsilon(allowed));
    CHECK(cd[1] == Approx(plain[1]).epsilon(allowed));
  }
}

TEST_CASE("a log that cannot be used is refused in a line that says where and what", "[process][log]") {
  struct Broken {
    const char* name;
    std::string text;
    std::string log_keys;
    std::vector<std::string> said;
  };
  const std::string rows = "0.0,0.1,0.2\n0.1,0.1,0.2\n0.2,0.1,0.2\n";
  const auto with = [&](const std::string& row) {
    return kHeader + "0.0,0.1,0.2\n" + row + "\n0.2,0.1,0.2\n";
  };
  const std::vector<Broken> all{
      {"nothing in it", "", "", {"log.csv", "empty"}},
      {"notes only", "# started\n# stopped\n", "", {"log.csv", "empty"}},
      {"a header alone", kHeader, "", {"log.csv", "no rows"}},
      {"one row", kHeader + "0.0,0.1,0.2\n", "", {"log.csv", "single row"}},
      {"no header", rows, "", {"log.csv, line 1", "without a header"}},
      {"a word for a number", with("0.1,open,0.2"), "", {"line 3", "pressure_bar", "open"}},
      {"an empty cell", with("0.1,,0.2"), "", {"line 3", "pressure_bar", "empty"}},
      {"a reading that is no number", with("0.1,nan,0.2"), "", {"line 3", "pressure_bar", "finite"}},
      {"a reading without end", with("0.1,0.1,inf"), "", {"line 3", "flow_lpm", "finite"}},
      {"a row that stops early", with("0.1,0.1"), "", {"line 3", "flow_lpm", "3 columns", "has 2"}},
      {"a time twice", with("0.0,0.1,0.2"), "", {"line 3", "repeats", "line 2"}},
      {"a time that falls",
       kHeader + "0.5,0.1,0.2\n0.4,0.1,0.2\n0.6,0.1,0.2\n",
       "",
       {"line 3", "earlier", "line 2"}},
      {"no time", "t0,pressure_bar,flow_lpm\n" + rows, "", {"line 1", "no time column", "[log] time"}},
      {"no pressure", "time_s,level,flow_lpm\n" + rows, "", {"line 1", "no pressure column", "level"}},
      {"no flow", "time_s,pressure_bar,valve\n" + rows, "", {"line 1", "no flow column", "flow = \"\""}},
      {"two pressures",
       "time_s,pressure_a,pressure_b,flow_lpm\n0,1,1,1\n1,1,1,1\n",
       "",
       {"line 1", "2 columns", "pressure_a, pressure_b"}},
      {"two flows",
       "time_s,pressure_bar,flow_a,flow_b\n0,1,1,1\n1,1,1,1\n",
       "",
       {"line 1", "2 columns", "flow_a, flow_b"}},
      {"a unit that is not ours",
       "time_s,pressure_mbar,flow_lpm\n" + rows,
       "",
       {"line 1", "pressure_mbar", "mbar", "convert"}},
      {"flow in cubic metres an hour",
       "time_s,pressure_bar,flow_m3_h\n" + rows,
       "",
       {"line 1", "flow_m3_h", "convert"}},
      {"a named column that is not there",
       kHeader + rows,
       "pressure = \"pressure_br\"\n",
       {"line 1", "pressure_br", "nearest is pressure_bar"}},
      {"a clock time that is none",
       "timestamp,pressure_bar,flow_lpm\n2031-05-04T12:00:00,0.1,0.2\n2031-05-04T99,0.1,0.2\n",
       "",
       {"line 3", "expected a time such as"}},
      {"a thirteenth month",
       "timestamp,pressure_bar,flow_lpm\n2031-13-04T12:00:00,0.1,0.2\n2031-13-04T12:00:01,0.1,0.2\n",
       "",
       {"line 2", "expected a time such as"}},
      {"a picture", std::string("\x89PNG\r\n\x1a\n\0\0\0\rIHDR", 16), "", {"log.csv", "not text"}},
      {"a decimal comma where points are stated",
       "time_s;pressure_bar;flow_lpm\n0,0;0,1;0,2\n0,1;0,1;0,2\n",
       "decimal = \".\"\n",
       {"line 2", "expected a number", "0,0"}},
      {"another delimiter than stated",
       kHeader + rows,
       "delimiter = \";\"\n",
       {"line 2", "expected a number"}},
      {"a delimiter of two characters",
       kHeader + rows,
       "delimiter = \";;\"\n",
       {"delimiter", "one character", ";;"}},
      {"pulses without a K-factor", "time_s,pressure_bar,pulse_hz\n" + rows, "", {"k_factor_per_l"}}};
  REQUIRE(all.size() >= 25);
  const Folder folder("log_broken");
  for (const Broken& broken : all) {
    CAPTURE(broken.name);
    folder.Write("log.csv", broken.text);
    folder.Write("rig.toml", Rig(broken.log_keys));
    const Outcome outcome = folder.Run("measure --log log.csv --rig rig.toml --json out.json");
    CAPTURE(outcome.err);
    CHECK(outcome.exit == 2);
    CHECK_FALSE(folder.Has("out.json"));
    CHECK(outcome.ErrorLines() <= 6);
    for (const std::string& word : broken.said) CHECK_THAT(outcome.err, Catch::Matchers::Contains(word));
  }
}

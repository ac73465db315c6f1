// A test day: many clips and logs by one sheet.
#include <catch2/catch.hpp>

#include "program.h"

using namespace conebook::tests;
using Catch::Matchers::Contains;

namespace {

std::string Ask(const Folder& folder, const std::string& file, const std::string& expression) {
  folder.Write("ask.py", "import json\nd = json.load(open('" + file + "'))\nprint(" + expression + ")\n");
  const Outcome outcome = folder.Shell("/usr/bin/python3 ask.py");
  return outcome.exit == 0 ? outcome.out.substr(0, outcome.out.size() - 1) : outcome.err;
}

const std::string kDay = "[day]\nname = \"monel, first day\"\nrig = \"rig.toml\"\nlog = \"log.csv\"\n";

// A day in a folder of its own, so that paths are seen to be relative to the sheet.
void WriteDay(const Folder& folder, const std::string& clips) {
  folder.Write(
      "day/rig.toml",
      "[element]\nid = \"none\"\n[nozzle]\nexit_diameter_mm = 2.0\nexit_px = [160.0, 30.0]\n[camera]\nfps = "
      "60.0\n"
      "[scale]\npx_per_mm = 8.0\n[stand]\nliquid = \"water\"\ntemperature_c = 20.0\nrated_bar = 16.0\n");
  folder.Write("day/log.csv", LogText());
  folder.Write("day/DAY.toml", kDay + clips);
}

}  // namespace

TEST_CASE("a test day measures every clip and leaves one file each and an index", "[process][sheet]") {
  const Folder folder("day");
  WriteDay(folder,
           "[[clip]]\nfile = \"a\"\nelement = \"A01\"\nbatch = \"reamed\"\n"
           "bucket = {time_s = 60.0, mass_kg = 0.9, pressure_bar = 2.0}\n"
           "[[clip]]\nfile = \"b\"\nelement = \"A02\"\n"
           "readings = [{t0_s = 0.3, t1_s = 0.9, pressure_bar = 5.0, flow_kg_s = 0.0248}]\n"
           "rig = {stand = {reference_area_mm2 = 1.5, area_kind = \"user\"}, nozzle.axis_deg = 0.0}\n"
           "[[clip]]\nelement = \"A03\"\n");
  DrawFrames(folder / "day/a", {});
  DrawFrames(folder / "day/b", {});
  const Outcome outcome =
      folder.Run("measure --sheet day/DAY.toml --json out --report day.html --archive book.db");
  INFO(outcome.err << outcome.out);
  CHECK(outcome.exit == 0);
  CHECK_THAT(outcome.out,
             Contains("monel, first day") && Contains("A01") && Contains("A02") && Contains("A03"));
  CHECK(folder.Has("day.html"));
  CHECK(folder.Has("book.db"));
  CHECK(Ask(folder, "out/day.json", "d['schema'], d['name'], [c['result'] for c in d['clips']]") ==
        "conebook.day/1 monel, first day ['a.json', 'b.json', 'A03.json']");
  CHECK(
      Ask(folder, "out/a.json", "d['element'], d['batch'], round(d['points'][0]['flow_kg_s']['value'], 4)") ==
      "A01 reamed 0.015");
  CHECK(Ask(folder, "out/a.json", "d['points'][0]['half_angle_deg'] is not None") == "True");
  CHECK(Ask(folder, "out/b.json", "d['points'][0]['cd']['area'], d['points'][0]['pressure_bar']['value']") ==
        "user 5.0");
  CHECK(Ask(folder, "out/b.json", "d['points'][0]['t0_s'], d['lean_against']") == "0.3 rig_axis");
  CHECK(Ask(folder, "out/A03.json", "len(d['points']), d['footage']") == "3 None");
}

TEST_CASE("a day taken up again measures only what is not on record", "[process][sheet]") {
  const Folder folder("again");
  const std::string a =
      "[[clip]]\nfile = \"a\"\nelement = \"A01\"\nbucket = {time_s = 60.0, mass_kg = 0.9, "
      "pressure_bar = 2.0}\n";
  const std::string flow = "[[clip]]\nelement = \"A03\"\n";
  const std::string words = "measure --sheet day/DAY.toml --archive book.db --json ";
  WriteDay(folder, a);
  DrawFrames(folder / "day/a", {});
  REQUIRE(folder.Run(words + "first").exit == 0);

  // Another clip joins the day.
  WriteDay(folder, a + flow);
  const Outcome second = folder.Run(words + "second");
  INFO(second.out << second.err);
  CHECK(second.exit == 0);
  CHECK_THAT(second.out,
             Contains("a: on record as") && Contains("not measured again") && Contains("A03: put on record"));
  CHECK(folder.Read("second/a.json") == folder.Read("first/a.json"));

  const Outcome wanted = folder.Run(words + "wanted --again");
  CHECK(wanted.exit == 0);
  CHECK_THAT(wanted.out, Contains("a: already on record") && !Contains("not measured again"));
  CHECK(folder.Read("wanted/a.json") == folder.Read("first/a.json"));
  CHECK(folder.Run("measure --sheet day/DAY.toml --again").exit == 2);

  // A changed rig is another measurement.
  WriteDay(folder, a + "rig = {camera = {tilt_deg = 1.0}}\n" + flow);
  const Outcome third = folder.Run(words + "third");
  INFO(third.out << third.err);
  CHECK(third.exit == 0);
  CHECK_THAT(third.out, Contains("a: put on record") && Contains("A03: on record as"));
  CHECK(folder.Read("third/a.json") != folder.Read("first/a.json"));
}

TEST_CASE("one bad clip does not stop the day, and the exit status tells", "[process][sheet]") {
  const Folder folder("mixed");
  WriteDay(folder,
           "[[clip]]\nfile = \"none.mp4\"\nelement = \"A01\"\n"
           "[[clip]]\nelement = \"A02\"\nlgo = \"log.csv\"\n"
           "[[clip]]\nelement = \"A03\"\nrig = {scale = {px_per_m = 3.0}}\n"
           "[[clip]]\nelement = \"A04\"\n");
  const Outcome outcome = folder.Run("measure --sheet day/DAY.toml --json out");
  CHECK(outcome.exit == 2);
  CHECK_THAT(outcome.err, Contains("none.mp4") && Contains("unknown key lgo") && Contains("px_per_mm"));
  CHECK(folder.Has("out/A04.json"));
  CHECK(Ask(folder, "out/day.json", "[c['verdict'] for c in d['clips']]") == "[None, None, None, 'ok']");
  CHECK(Ask(folder, "out/day.json", "'px_per_mm' in d['clips'][2]['error']") == "True");
}

TEST_CASE("a day with a rejected clip exits 3", "[process][sheet]") {
  const Folder folder("rejected");
  WriteDay(folder, "[[clip]]\nfile = \"dry\"\nelement = \"A01\"\n[[clip]]\nelement = \"A04\"\n");
  DrawnSpray dry;
  dry.start = 1000;
  dry.frames = 30;
  DrawFrames(folder / "day/dry", dry);
  CHECK(folder.Run("measure --sheet day/DAY.toml --json out").exit == 3);
  CHECK(Ask(folder, "out/day.json", "[c['verdict'] for c in d['clips']]") == "['rejected', 'ok']");
}

TEST_CASE("a sheet's results do not depend on the number of threads", "[process][sheet]") {
  const Folder folder("threads");
  WriteDay(
      folder,
      "[[clip]]\nfile = \"a\"\nelement = \"A01\"\nreadings = [{t0_s = 0.3, t1_s = 0.9, pressure_bar = 5.0}]\n"
      "[[clip]]\nelement = \"A02\"\n[[clip]]\nelement = \"A02\"\n");
  DrawFrames(folder / "day/a", {});
  CHECK(folder.Run("measure --sheet day/DAY.toml --json one --report one.html --threads 1").exit == 0);
  CHECK(folder.Run("measure --sheet day/DAY.toml --json two --report two.html --threads 2").exit == 0);
  for (const char* name : {"day.json", "a.json", "A02.json", "A02-2.json"}) {
    CAPTURE(name);
    CHECK(folder.Read(std::string("one/") + name) == folder.Read(std::string("two/") + name));
    CHECK_FALSE(folder.Read(std::string("one/") + name).empty());
  }
  CHECK(folder.Read("one.html") == folder.Read("two.html"));
}

TEST_CASE("a sheet that cannot be used as a whole is refused", "[process][sheet]") {
  const Folder folder("badsheet");
  folder.Write("rig.toml", kRig);
  folder.Write("log.csv", LogText());
  const auto refusal = [&](const std::string& sheet, const std::string& more = "") {
    folder.Write("DAY.toml", sheet);
    const Outcome outcome = folder.Run("measure --sheet DAY.toml --json out " + more);
    CHECK(outcome.exit == 2);
    CHECK(outcome.ErrorLines() <= 6);
    CHECK_FALSE(folder.Has("out"));
    return outcome.err;
  };
  CHECK_THAT(refusal("[day\n"), Contains("line 1"));
  CHECK_THAT(refusal("[day]\nname = \"x\"\n[[clip]]\nelement = \"A\"\n"), Contains("[day] rig is missing"));
  CHECK_THAT(refusal("[day]\nrgi = \"rig.toml\"\n[[clip]]\nelement = \"A\"\n"), Contains("did you mean rig"));
  CHECK_THAT(refusal("[day]\nrig = \"rig.toml\"\n"), Contains("[[clip]]"));
  CHECK_THAT(refusal("[day]\nrig = \"none.toml\"\n[[clip]]\nelement = \"A\"\nlog = \"log.csv\"\n"),
             Contains("none.toml"));
  CHECK_THAT(refusal(kDay + "[[clip]]\nelement = \"A\"\n", "--rig rig.toml"), Contains("--sheet"));
  CHECK(folder.Run("measure --sheet none.toml --json out").exit == 2);
}

TEST_CASE("a check element flowed first and last is watched over the day", "[process][sheet]") {
  const Folder folder("check");
  const auto entry = [](const std::string& element, const std::string& role, double kg) {
    return "[[clip]]\nelement = \"" + element + "\"\n" + role +
           "bucket = {time_s = 60.0, mass_kg = " + std::to_string(kg) +
           ", pressure_bar = 2.0, u_time_s = 0.05, u_mass_kg = 0.0003, u_pressure_bar = 0.001}\n";
  };
  const std::string role = "role = \"check\"\n";
  WriteDay(folder, entry("C1", role, 0.9) + entry("A01", "", 0.7) + entry("C1", role, 0.9005));
  Outcome outcome = folder.Run("measure --sheet day/DAY.toml --json out --report day.html");
  CHECK(outcome.exit == 0);
  CHECK_THAT(outcome.out, Contains("check element C1") && !Contains("check_element_drifts"));
  CHECK(Ask(folder, "out/day.json", "len(d['checks'][0]['flow_area_mm2']), d['checks'][0]['flags']") ==
        "2 []");
  CHECK(Ask(folder, "out/C1.json", "d['role']") == "check");
  WriteDay(folder, entry("C1", role, 0.9) + entry("C1", role, 0.92));
  outcome = folder.Run("measure --sheet day/DAY.toml --json out --report day.html");
  CHECK_THAT(outcome.out, Contains("check_element_drifts"));
  CHECK_THAT(folder.Read("day.html"), Contains("Check element"));
}

// `conebook measure` as a process: result files against the schema, footage and log joined, same bytes, exit
// status.
#include <csignal>

#include <catch2/catch.hpp>

#include "program.h"

using namespace conebook::tests;
using Catch::Matchers::Contains;

namespace {

// Empty when every file is valid; else what is not. NaN and infinity are no JSON and are refused.
std::string SchemaProblems(const Folder& folder, const std::string& files) {
  folder.Write("validate.py",
               "import json, sys\n"
               "from jsonschema import Draft7Validator\n"
               "def refuse(name): raise ValueError(name)\n"
               "schema = json.load(open('" CONEBOOK_SOURCE_DIR
               "/src/result_schema.json'))\n"
               "Draft7Validator.check_schema(schema)\n"
               "for name in sys.argv[1:]:\n"
               "    data = json.load(open(name), parse_constant=refuse)\n"
               "    for error in Draft7Validator(schema).iter_errors(data):\n"
               "        print(name, list(error.path), error.message[:300])\n"
               "    if not [p for p in [1] if data['schema'] == 'conebook.run/1']: print('schema')\n");
  const Outcome outcome = folder.Shell("/usr/bin/python3 validate.py " + files);
  return outcome.out + outcome.err;
}

// Prints one expression over the result `d`.
std::string Ask(const Folder& folder, const std::string& file, const std::string& expression) {
  folder.Write("ask.py", "import json\nd = json.load(open('" + file + "'))\nprint(" + expression + ")\n");
  const Outcome outcome = folder.Shell("/usr/bin/python3 ask.py");
  return outcome.exit == 0 ? outcome.out.substr(0, outcome.out.size() - 1) : outcome.err;
}

const std::string kView = "[camera]\nfps = 60.0\n[scale]\npx_per_mm = 8.0\n";

std::string RigWithExit(const std::string& more = "") {
  return "[element]\nid = \"A07\"\nbatch = \"reamed\"\n[nozzle]\nexit_diameter_mm = 2.0\nexit_px = [160.0, "
         "30.0]\n[stand]\n"
         "liquid = \"water\"\ntemperature_c = 20.0\nrated_bar = 16.0\n" +
         kView + more;
}

}  // namespace

TEST_CASE("a log alone is a full run, and its result keeps the contract", "[process][measure]") {
  const Folder folder("flow");
  folder.Write("rig.toml", kRig);
  folder.Write("log.csv", LogText());
  const Outcome outcome =
      folder.Run("measure --log log.csv --rig rig.toml --json out.json --report out.html");
  INFO(outcome.err);
  CHECK(outcome.exit == 0);
  CHECK(outcome.err.empty());
  CHECK_THAT(outcome.out,
             Contains("pressure drop") && Contains("bar") && Contains("mm2") && Contains("Cd (exit)"));
  CHECK(SchemaProblems(folder, "out.json") == "");
  CHECK(Ask(folder, "out.json", "d['verdict'], len(d['points']), d['footage'], d['sync']") ==
        "ok 3 None None");
  // Worked by hand: Cd 0.25 on a 2 mm exit; water's compressibility moves it by under 0.05 %.
  CHECK(Ask(folder, "out.json", "all(abs(p['cd']['value'] - 0.25) < 0.0005 for p in d['points'])") == "True");
  CHECK(Ask(folder, "out.json", "abs(d['flow_law']['exponent']['value'] - 0.5) < 0.002") == "True");
  CHECK(Ask(folder, "out.json", "[round(p['pressure_bar']['value'], 1) for p in d['points']]") ==
        "[2.0, 5.0, 9.0]");
  CHECK_THAT(folder.Read("out.html"), Contains("A07"));
}

TEST_CASE("footage and log come together at each pressure point", "[process][measure]") {
  const Folder folder("joined");
  folder.Write("rig.toml", RigWithExit());
  folder.Write("log.csv", LogText(3.5));  // the log's clock runs 3.5 s ahead of the video's
  DrawnSpray spray;
  spray.frames = 300;
  spray.start = 60;  // 1.0 s at 60 frames a second; the log's pressure rises at 1.0 + 3.5 s
  DrawFrames(folder / "frames", spray);
  const Outcome outcome =
      folder.Run("measure frames --rig rig.toml --log log.csv --json out.json --archive book.db");
  INFO(outcome.err << outcome.out);
  REQUIRE(outcome.exit == 0);
  CHECK(SchemaProblems(folder, "out.json") == "");
  CHECK(Ask(folder, "out.json",
            "d['sync']['method'], abs(d['sync']['log_minus_video_s']['value'] - 3.5) < 0.03") ==
        "onset True");
  CHECK(Ask(folder, "out.json", "len(d['points']), d['footage']['frames']") == "3 300");
  CHECK(Ask(folder, "out.json",
            "all(p['half_angle_deg'] and p['pressure_bar'] and p['cd'] for p in d['points'])") == "True");
  // Drawn at 30 degrees; the line between stations lies a little inside the cone's asymptote.
  CHECK(Ask(folder, "out.json",
            "all(abs(p['half_angle_deg']['mean']['value'] - 29.5) < 1.5 for p in d['points'])") == "True");
  CHECK(Ask(folder, "out.json", "all(p['t1_s'] > p['t0_s'] and p['frames'] > 20 for p in d['points'])") ==
        "True");

  SECTION("the same run again is already on record") {
    const Outcome again = folder.Run("measure frames --rig rig.toml --log log.csv --archive book.db");
    CHECK(again.exit == 0);
    CHECK_THAT(again.out, Contains("already on record"));
  }
  SECTION("one thread or two, and a second run: the same bytes") {
    for (const char* threads : {"1", "2", "2"}) {
      CHECK(folder
                .Run(std::string("measure frames --rig rig.toml --log log.csv --json again.json --threads ") +
                     threads)
                .exit == 0);
      CHECK(folder.Read("again.json") == folder.Read("out.json"));
    }
  }
  SECTION("--json - writes the result to standard output and nothing else") {
    const Outcome piped = folder.Run("measure frames --rig rig.toml --log log.csv --json -");
    CHECK(piped.exit == 0);
    CHECK(piped.out == folder.Read("out.json"));
  }
  SECTION("--quiet says nothing") {
    const Outcome quiet = folder.Run("--quiet measure frames --rig rig.toml --log log.csv --json again.json");
    CHECK(quiet.out.empty());
    CHECK(quiet.err.empty());
  }
}

TEST_CASE("footage without spray is rejected with reasons, and the result is still written",
          "[process][measure]") {
  const Folder folder("nospray");
  folder.Write("rig.toml", RigWithExit());
  folder.Write("log.csv", LogText());
  DrawnSpray dry;
  dry.start = 1000;
  DrawFrames(folder / "frames", dry);
  const Outcome outcome =
      folder.Run("measure frames --rig rig.toml --log log.csv --json out.json --report out.html");
  INFO(outcome.err << outcome.out);
  CHECK(outcome.exit == 3);
  CHECK(SchemaProblems(folder, "out.json") == "");
  CHECK(Ask(folder, "out.json",
            "d['verdict'], d['points'], any(f['severity'] == 'reject' for f in d['flags'])") ==
        "rejected [] True");
  CHECK(folder.Has("out.html"));
}

TEST_CASE("pressure above the rating comes first in every output", "[process][measure]") {
  const Folder folder("rated");
  folder.Write("rig.toml",
               "[element]\nid = \"A\"\n[nozzle]\nexit_diameter_mm = 2.0\n[stand]\nrated_bar = "
               "8.0\npressure_tap = \"line\"\n");
  folder.Write("log.csv", LogText());
  const Outcome outcome = folder.Run("measure --log log.csv --rig rig.toml --json out.json");
  CHECK(outcome.exit == 0);
  CHECK(outcome.out.find("above_rated_pressure") < outcome.out.find('\n'));
  CHECK(Ask(folder, "out.json", "d['flags'][0]['code'], d['verdict']") == "above_rated_pressure flagged");
  folder.Write("rig.toml", "[element]\nid = \"A\"\n[nozzle]\nexit_diameter_mm = 2.0\n");
  CHECK(folder.Run("measure --log log.csv --rig rig.toml --json out.json").exit == 0);
  CHECK(Ask(folder, "out.json",
            "[f['severity'] for f in d['flags'] if f['code'] == 'rated_pressure_unknown']") == "['info']");
}

TEST_CASE("whatever is null has a flag that says why", "[process][measure]") {
  const Folder folder("nulls");
  folder.Write("rig.toml", RigWithExit());
  folder.Write("log.csv", LogText());
  DrawnSpray spray;
  DrawFrames(folder / "frames", spray);
  const std::string unexplained =
      "[(k, i) for i, p in enumerate(d['points']) for k, v in p.items() if v is None and k.split('_')[-1] "
      "not in ('s', 'c') "
      "and not any(f['quantity'] == k and f['point'] in (None, i) for f in d['flags'])]";
  for (const char* inputs : {"frames", "--log log.csv", "frames --log log.csv"}) {
    CAPTURE(inputs);
    CHECK(folder.Run(std::string("measure ") + inputs + " --rig rig.toml --json out.json").exit == 0);
    CHECK(Ask(folder, "out.json", unexplained) == "[]");
    CHECK(SchemaProblems(folder, "out.json") == "");
  }
}

TEST_CASE("an interrupt leaves nothing half-written and exits 130", "[process][measure]") {
  const Folder folder("interrupt");
  folder.Write("rig.toml", RigWithExit());
  DrawnSpray spray;
  spray.frames = 240;
  DrawFrames(folder / "frames", spray);
  // Copies, so that reading takes long enough to be interrupted.
  for (int copy = 1; copy <= 12; ++copy) {
    for (int k = 0; k < spray.frames; ++k) {
      char from[40], to[40];
      std::snprintf(from, sizeof from, "frames/f%04d.png", k);
      std::snprintf(to, sizeof to, "frames/g%02d%04d.png", copy, k);
      fs::create_hard_link(folder / from, folder / to);
    }
  }
  const std::size_t before = folder.Entries();
  const Outcome outcome = folder.Shell("timeout -s INT 0.7 " CONEBOOK_BINARY
                                       " measure frames --rig rig.toml --json out.json; test $? = 124");
  INFO(outcome.err);
  CHECK(outcome.exit == 0);  // `timeout` did have to send its signal
  CHECK_THAT(outcome.err, Contains("interrupted"));
  const Outcome status = folder.Shell(
      CONEBOOK_BINARY " measure frames --rig rig.toml --json out.json & sleep 0.7; kill -INT $!; wait $!");
  CHECK(status.exit == 130);
  CHECK(folder.Entries() == before);
}

// Bad input, as a user meets it: exit status 2 (4 for the archive), a message of at most six lines that names
// file and place, and nothing written.
#include <catch2/catch.hpp>

#include "program.h"

using namespace conebook::tests;
using Catch::Matchers::Contains;

namespace {

// Runs with --json out.json, checks status, length, and that no output appeared.
std::string Refusal(const Folder& folder, const std::string& arguments, int status = 2) {
  const std::size_t before = folder.Entries();
  const Outcome outcome = folder.Run(arguments);
  INFO(outcome.err);
  CHECK(outcome.exit == status);
  CHECK(outcome.out.empty());
  CHECK(outcome.ErrorLines() >= 1);
  CHECK(outcome.ErrorLines() <= 6);
  CHECK_THAT(outcome.err, Contains("conebook: ") && !Contains("terminate") && !Contains("exception"));
  CHECK(folder.Entries() == before);
  return outcome.err;
}

std::string LogRefusal(const std::string& log, const std::string& rig = kRig) {
  const Folder folder("log");
  folder.Write("rig.toml", rig);
  folder.Write("log.csv", log);
  return Refusal(folder, "measure --log log.csv --rig rig.toml --json out.json");
}

std::string RigRefusal(const std::string& rig) {
  return LogRefusal(LogText(), rig);
}

const std::string kHead = "time_s,pressure_bar,flow_kg_s\n0.0,2.0,0.01\n0.1,2.0,0.01\n";

}  // namespace

TEST_CASE("no arguments, an unknown command and an unknown option are bad usage", "[process][usage]") {
  const Folder folder("usage");
  folder.Write("rig.toml", kRig);
  folder.Write("log.csv", LogText());
  CHECK_THAT(Refusal(folder, ""), Contains("--help"));
  CHECK_THAT(Refusal(folder, "frobnicate"), Contains("unknown command frobnicate"));
  CHECK_THAT(Refusal(folder, "lsit --archive book.db"), Contains("did you mean list?"));
  CHECK_THAT(Refusal(folder, "measure --log log.csv --rig rig.toml --jsn out.json"),
             Contains("--jsn") && Contains("--json"));
  CHECK_THAT(Refusal(folder, "measure"), Contains("nothing to measure"));
  CHECK_THAT(Refusal(folder, "measure --log log.csv"), Contains("--rig"));
  CHECK_THAT(Refusal(folder, "measure --log log.csv --rig rig.toml --threads -1"), Contains("--threads"));
  CHECK_THAT(Refusal(folder, "measure a.mp4 b.mp4 --rig rig.toml"), Contains("one clip at a time"));
  CHECK_THAT(Refusal(folder, "measure --log log.csv --rig"), Contains("--rig"));
}

TEST_CASE("help and version are no errors", "[process][usage]") {
  const Folder folder("help");
  CHECK(folder.Run("--help").exit == 0);
  CHECK_THAT(folder.Run("measure --help").out, Contains("Examples") && Contains("--sheet"));
  CHECK_THAT(folder.Run("--version").out, Contains("conebook "));
}

TEST_CASE("clips that cannot be opened are named", "[process][clip]") {
  const Folder folder("clips");
  folder.Write("rig.toml", kRig);
  CHECK_THAT(Refusal(folder, "measure none.mp4 --rig rig.toml --json out.json"), Contains("none.mp4"));
  folder.Write("text.mp4", "this is no film\n");
  CHECK_THAT(Refusal(folder, "measure text.mp4 --rig rig.toml --json out.json"), Contains("text.mp4"));
  folder.Write("empty.mp4", "");
  CHECK_THAT(Refusal(folder, "measure empty.mp4 --rig rig.toml --json out.json"), Contains("empty.mp4"));
  folder.Write("nothing/readme.txt", "no images here\n");
  CHECK_THAT(Refusal(folder, "measure nothing --rig rig.toml --json out.json"), Contains("nothing"));
}

TEST_CASE("frames of mixed sizes are refused, and the odd one is named", "[process][clip]") {
  const Folder folder("mixed");
  folder.Write("rig.toml", kRig);
  DrawnSpray small;
  small.frames = 12;
  DrawFrames(folder / "frames", small);
  cv::imwrite((folder / "frames/f0007.png").string(), cv::Mat(100, 100, CV_8U, cv::Scalar(128)));
  CHECK_THAT(Refusal(folder, "measure frames --rig rig.toml --json out.json"), Contains("f0007.png"));
}

TEST_CASE("an exit outside the image is refused", "[process][clip]") {
  const Folder folder("exit");
  folder.Write("rig.toml",
               "[element]\nid = \"A\"\n[nozzle]\nexit_diameter_mm = 2.0\nexit_px = [900.0, "
               "20.0]\n[camera]\nfps = 60\n");
  DrawnSpray small;
  small.frames = 20;
  DrawFrames(folder / "frames", small);
  CHECK_THAT(Refusal(folder, "measure frames --rig rig.toml --json out.json"), Contains("exit_px"));
}

TEST_CASE("a log's faults are named by line", "[process][log]") {
  CHECK_THAT(LogRefusal(kHead + "0.2,two,0.01\n"), Contains("log.csv, line 4") && Contains("\"two\""));
  CHECK_THAT(LogRefusal(kHead + "0.2,nan,0.01\n"), Contains("line 4"));
  CHECK_THAT(LogRefusal(kHead + "0.05,2.0,0.01\n"), Contains("line 4") && Contains("earlier"));
  CHECK_THAT(LogRefusal(kHead + "0.1,2.0,0.01\n"), Contains("line 4") && Contains("repeats"));
  CHECK_THAT(LogRefusal("time_s,presure_bar,flow_kg_s\n0,1,1\n"),
             Contains("pressure") && Contains("presure_bar"));
  CHECK_THAT(LogRefusal(""), Contains("empty"));
  CHECK_THAT(LogRefusal("time_s,pressure_bar,flow_kg_s\n"), Contains("no rows"));
  const Folder folder("nolog");
  folder.Write("rig.toml", kRig);
  CHECK_THAT(Refusal(folder, "measure --log none.csv --rig rig.toml --json out.json"), Contains("none.csv"));
}

TEST_CASE("a rig's faults are named", "[process][rig]") {
  CHECK_THAT(RigRefusal("[element\nid = 3\n"), Contains("rig.toml, line 1, column"));
  CHECK_THAT(RigRefusal(kRig + "[scale]\npx_per_m = 3.0\n"),
             Contains("px_per_m ") && Contains("did you mean px_per_mm"));
  CHECK_THAT(RigRefusal("[nozzle]\nexit_diameter_mm = 2.0\n"), Contains("[element] id"));
  CHECK_THAT(RigRefusal("[element]\nid = \"A\"\n"), Contains("[nozzle] exit_diameter_mm"));
  CHECK_THAT(RigRefusal(kRig + "[scale]\npx_per_mm = -3.0\n"), Contains("px_per_mm") && Contains("above 0"));
  CHECK_THAT(RigRefusal(kRig + "[scale]\npx_per_mm = nan\n"), Contains("px_per_mm"));
  CHECK_THAT(RigRefusal(kRig + "[stations]\nnear_mm = 5.0\nfar_mm = 5.0\n"), Contains("far_mm"));
  CHECK_THAT(RigRefusal(kRig + "[meter]\ncalibration = \"none.toml\"\n"), Contains("none.toml"));
  const Folder folder("norig");
  folder.Write("log.csv", LogText());
  CHECK_THAT(Refusal(folder, "measure --log log.csv --rig none.toml --json out.json"), Contains("none.toml"));
}

TEST_CASE("a log that does not overlap the video is refused", "[process][log]") {
  const Folder folder("overlap");
  folder.Write("rig.toml", kRig + "[camera]\nfps = 60.0\n[sync]\nlog_minus_video_s = 500.0\n");
  folder.Write("log.csv", LogText());
  DrawFrames(folder / "frames", {});
  CHECK_THAT(Refusal(folder, "measure frames --rig rig.toml --log log.csv --json out.json"),
             Contains("does not overlap"));
}

TEST_CASE("outputs that cannot be written are refused before any work", "[process][output]") {
  const Folder folder("outputs");
  folder.Write("rig.toml", kRig);
  folder.Write("log.csv", LogText());
  folder.Write("there/keep.txt", "");
  const std::string run = "measure --log log.csv --rig rig.toml ";
  CHECK_THAT(Refusal(folder, run + "--json no/such/folder/out.json"), Contains("no/such/folder"));
  CHECK_THAT(Refusal(folder, run + "--report there"), Contains("folder"));
  CHECK_THAT(Refusal(folder, run + "--json log.csv"), Contains("overwrite an input"));
  CHECK_THAT(Refusal(folder, run + "--json out.x --report out.x"), Contains("both name"));
  // Asked before the inputs are read: the missing clip is not what is complained about.
  CHECK_THAT(Refusal(folder, "measure none.mp4 --rig rig.toml --json no/such/out.json"), Contains("no/such"));
}

TEST_CASE("an archive that is none is left untouched, and the exit status says archive",
          "[process][archive]") {
  const Folder folder("archive");
  folder.Write("rig.toml", kRig);
  folder.Write("log.csv", LogText());
  folder.Write("notes.db", "my notes, no archive\n");
  const std::string run = "measure --log log.csv --rig rig.toml --json out.json --archive ";
  CHECK_THAT(Refusal(folder, run + "notes.db", 4), Contains("notes.db"));
  CHECK(folder.Read("notes.db") == "my notes, no archive\n");
  CHECK_THAT(Refusal(folder, run + "no/such/book.db", 4), Contains("no/such"));
}

// `conebook measure --follow`: clips are measured as they come, whole ones only, each once, until Ctrl-C.
#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

#include "drawn_clip.h"
#include "program.h"

using namespace conebook::tests;
using Catch::Matchers::Contains;
using nlohmann::json;

namespace {

const std::string kFollowRig =
    "[element]\nid = \"A07\"\n[nozzle]\nexit_diameter_mm = 2.0\nexit_px = [160.0, 30.0]\n[scale]\npx_per_mm "
    "= "
    "8.0\n[stand]\nliquid = \"water\"\ntemperature_c = 20.0\n";

// A drawn spray as a film, 2 s at 60 frames a second. frames < start: no spray at all.
void WriteSpray(const Folder& folder, const std::string& name, int start = 8, unsigned mark = 0) {
  DrawnSpray spray;
  spray.frames = 120;
  spray.start = start;
  DrawFrames(folder / "drawn", spray);
  std::vector<cv::Mat> frames;
  for (int k = 0; k < spray.frames; ++k) {
    char file[32];
    std::snprintf(file, sizeof file, "f%04d.png", k);
    frames.push_back(cv::imread((folder / "drawn" / file).string(), cv::IMREAD_GRAYSCALE));
    frames.back().at<unsigned char>(239, 0) = static_cast<unsigned char>(mark);
  }
  fs::remove_all(folder / "drawn");
  WriteClip(folder / name, frames, {}, 60);
}

// What a person at the stand does, as a script. `wait WORD SECONDS`: until the program has said it.
const std::string kBegin =
    "follow() { " CONEBOOK_BINARY
    " measure --follow camera --rig rig.toml \"$@\" >said 2>errors & program=$!\n"
    "  for i in $(seq 100); do grep -q following errors && break; sleep 0.1; done; }\n"
    "until_said() { for i in $(seq $((10 * $2))); do grep -q \"$1\" said errors && return; sleep 0.1; done; "
    "echo \"never said: $1\"; }\n"
    "ctrl_c() { kill -INT $program; wait $program; echo \"exit $?\"; }\n";

Outcome Play(const Folder& folder, const std::string& script) {
  folder.Write("play.sh", kBegin + script);
  return folder.Shell("bash play.sh");
}

}  // namespace

TEST_CASE("a clip that is copied slowly is measured when it is whole, and once", "[process][follow]") {
  const Folder folder("follow_slow");
  folder.Write("rig.toml", kFollowRig);
  fs::create_directories(folder / "camera");
  WriteSpray(folder, "clip.mov");
  WriteSpray(folder, "camera/old.mov", 8, 1);
  // The pauses are longer than a clip must stand still; the second part ends within the frames.
  const Outcome outcome = Play(folder,
                               "follow --json results --report day.html --archive book.db\n"
                               "head -c 100000 clip.mov > camera/clip.mov; sleep 4\n"
                               "head -c 300000 clip.mov > camera/clip.mov; sleep 4\n"
                               "cat said > before\n"
                               "cat clip.mov > camera/clip.mov; begin=$(date +%s%N)\n"
                               "until_said 'measured in' 30\n"
                               "echo \"took $((($(date +%s%N) - begin) / 1000000))\"\n"
                               "touch camera/clip.mov; cp clip.mov camera/copy.mov; sleep 5\n"
                               "ctrl_c\n");
  INFO(outcome.out << folder.Read("said") << folder.Read("errors"));
  CHECK_THAT(outcome.out, Contains("exit 0") && !Contains("never said"));
  CHECK(folder.Read("before").empty());
  const std::string said = folder.Read("said");
  CHECK_THAT(said, Contains("clip.mov (A07): ") && Contains("half angle") && Contains("1 clip from camera"));
  CHECK_THAT(said, Contains("already measured"));
  CHECK(said.find("measured in") == said.rfind("measured in"));
  CHECK_THAT(said, !Contains("old.mov"));
  CHECK_THAT(folder.Read("errors"), Contains("1 clip there is left alone") && !Contains("not measured"));
  // Its own length, 2 s, and 10 s.
  const std::size_t at = outcome.out.find("took ");
  REQUIRE(at != std::string::npos);
  CHECK(std::stol(outcome.out.substr(at + 5)) < 12000);
  const json result = json::parse(folder.Read("results/clip.json"));
  CHECK(result["footage"]["frames"] == 120);
  CHECK(result["element"] == "A07");
  CHECK_FALSE(folder.Has("results/copy.json"));
  CHECK(folder.Read("day.html").find(result["footage"]["sha256"].get<std::string>()) != std::string::npos);
  CHECK_THAT(folder.Run("list --archive book.db").out, Contains("A07"));

  // Begun again, results tell what has been measured; only with --existing is the old clip taken.
  const Outcome again = Play(folder,
                             "follow --json results --existing\n"
                             "until_said 'old.mov (A07)' 30; sleep 1\nctrl_c\n");
  INFO(again.out << folder.Read("said"));
  CHECK_THAT(again.out, Contains("exit 0") && !Contains("never said"));
  CHECK_THAT(folder.Read("said"),
             Contains("clip.mov: already measured: clip.json") && Contains("1 clip from camera"));
}

TEST_CASE("bad clips are said, with what to change, and the next one is still measured",
          "[process][follow]") {
  const Folder folder("follow_bad");
  folder.Write("rig.toml", kFollowRig);
  fs::create_directories(folder / "camera");
  WriteSpray(folder, "good.mov");
  WriteSpray(folder, "dry.mov", 1000);
  const Outcome outcome = Play(folder,
                               "follow --json results\n"
                               "echo 'no film' > camera/broken.mp4\n"
                               "echo notes > camera/notes.txt\n"
                               "cp dry.mov camera/\n"
                               "until_said 'dry.mov (A07)' 30\n"
                               "until_said 'broken.mp4: not measured' 30\n"
                               "cp good.mov camera/\n"
                               "until_said 'good.mov (A07)' 30\n"
                               "ctrl_c\n");
  INFO(outcome.out << folder.Read("said") << folder.Read("errors"));
  CHECK_THAT(outcome.out, Contains("exit 2") && !Contains("never said"));
  const std::string said = folder.Read("said");
  CHECK_THAT(said, Contains("dry.mov (A07): rejected") && Contains("before filming again: ") &&
                       Contains("3 clips from camera"));
  CHECK_THAT(said, Contains("1 rejected, 1 not measured") && !Contains("notes.txt"));
  CHECK_THAT(folder.Read("errors"), Contains("not a video"));
  CHECK(json::parse(folder.Read("results/dry.json"))["verdict"] == "rejected");
  CHECK(json::parse(folder.Read("results/good.json"))["verdict"] != "rejected");

  // The bad one filmed again under its name.
  const Outcome again =
      Play(folder,
           "follow --json results\n"
           "cp good.mov camera/dry.mov; until_said 'dry.mov' 30\n"
           "rm camera/good.mov; cp dry.mov camera/good.mov; until_said 'good.mov' 30; ctrl_c\n");
  INFO(again.out << folder.Read("said"));
  CHECK_THAT(again.out, Contains("exit 0"));
  CHECK_THAT(folder.Read("said"), Contains("dry.mov: already measured: good.json") &&
                                      Contains("good.mov: already measured: dry.json"));
}

TEST_CASE("Ctrl-C ends following at once, idle or at work, and leaves nothing half-written",
          "[process][follow]") {
  const Folder folder("follow_end");
  folder.Write("rig.toml", kFollowRig);
  fs::create_directories(folder / "camera");
  const Outcome idle = Play(folder, "follow --json results\nctrl_c\n");
  CHECK_THAT(idle.out, Contains("exit 0"));
  CHECK_THAT(folder.Read("said"), Contains("0 clips from camera"));
  CHECK_FALSE(folder.Has("results"));

  // Long enough to be caught at work: the frames many times over.
  DrawnSpray spray;
  spray.frames = 240;
  DrawFrames(folder / "camera/long", spray);
  for (int copy = 1; copy <= 12; ++copy) {
    for (int k = 0; k < spray.frames; ++k) {
      char from[48], to[48];
      std::snprintf(from, sizeof from, "camera/long/f%04d.png", k);
      std::snprintf(to, sizeof to, "camera/long/g%02d%04d.png", copy, k);
      fs::create_hard_link(folder / from, folder / to);
    }
  }
  folder.Write("rig.toml", kFollowRig + "[camera]\nfps = 60.0\n");
  const Outcome busy = Play(folder, "follow --json results --existing\nsleep 6.5\nctrl_c\n");
  INFO(busy.out << folder.Read("said") << folder.Read("errors"));
  CHECK_THAT(busy.out, Contains("exit 0"));
  CHECK_THAT(folder.Read("said"), Contains("0 clips from camera"));
  CHECK_THAT(folder.Read("errors"), Contains("interrupted: long was not measured"));
  CHECK_FALSE(folder.Has("results"));
}

TEST_CASE("what cannot go with following is refused before it begins", "[process][follow]") {
  const Folder folder("follow_refused");
  folder.Write("rig.toml", kFollowRig);
  fs::create_directories(folder / "camera");
  const auto refusal = [&](const std::string& arguments) {
    const Outcome outcome = folder.Run("measure " + arguments);
    CHECK(outcome.exit == 2);
    CHECK(outcome.ErrorLines() <= 6);
    return outcome.err;
  };
  CHECK_THAT(refusal("--follow camera"), Contains("--rig"));
  CHECK_THAT(refusal("--follow nowhere --rig rig.toml"), Contains("no such folder"));
  CHECK_THAT(refusal("--follow camera --rig none.toml"), Contains("none.toml"));
  CHECK_THAT(refusal("--follow camera --rig rig.toml --json -"), Contains("folder"));
  CHECK_THAT(refusal("clip.mp4 --follow camera --rig rig.toml"), Contains("--follow"));
  CHECK_THAT(refusal("clip.mp4 --rig rig.toml --existing"), Contains("--follow"));
}

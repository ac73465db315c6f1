// Real video of Debian's opencv-doc package, given to the program as a user would.
#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

#include "program.h"

using namespace conebook::tests;
using nlohmann::json;

namespace {

const std::string kRealClips = "/usr/share/doc/opencv-doc/examples/data/";

std::string RigAt(int x, int y) {
  return "[element]\nid = \"A07\"\n[scale]\npx_per_mm = 8.0\n[nozzle]\nexit_px = [" + std::to_string(x) +
         ", " + std::to_string(y) + "]\nexit_diameter_mm = 1.6\n";
}

}  // namespace

TEST_CASE("people walking are refused as a spray, wherever the exit is said to be", "[process][real]") {
  const Folder folder("walking");
  for (const auto& [x, y] : {std::pair{384, 60}, std::pair{200, 150}, std::pair{600, 200}}) {
    folder.Write("rig.toml", RigAt(x, y));
    const Outcome outcome = folder.Run("measure " + kRealClips + "vtest.avi --rig rig.toml --json out.json");
    INFO(outcome.out << outcome.err);
    CHECK(outcome.exit == 3);
    const json result = json::parse(folder.Read("out.json"));
    CHECK(result["verdict"] == "rejected");
    CHECK(result["points"].empty());
    CHECK(result["footage"]["frames"] == 795);
  }
}

TEST_CASE("a tree in the wind is refused, its 68 frames counted, the missing ones said", "[process][real]") {
  const Folder folder("tree");
  folder.Write("rig.toml", RigAt(160, 30));
  const Outcome outcome = folder.Run("measure " + kRealClips + "tree.avi --rig rig.toml --json out.json");
  INFO(outcome.out << outcome.err);
  CHECK(outcome.exit == 3);
  const json result = json::parse(folder.Read("out.json"));
  CHECK(result["verdict"] == "rejected");
  CHECK(result["footage"]["frames"] == 68);
  bool said = false;
  for (const json& flag : result["flags"]) said = said || flag["code"] == "truncated";
  CHECK(said);
}

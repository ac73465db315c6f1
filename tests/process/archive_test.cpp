// The archive as the program handles it: killed at any moment, two at once, a full disk; and the commands on
// it.
#include <chrono>
#include <csignal>
#include <cstdlib>
#include <random>
#include <set>
#include <thread>

#include <catch2/catch.hpp>
#include <fcntl.h>
#include <fmt/format.h>
#include <nlohmann/json.hpp>
#include <sys/wait.h>
#include <unistd.h>

#include "program.h"

namespace {

using namespace conebook::tests;
using Catch::Contains;

// A result file, small but whole.
std::string ResultText(int number) {
  return fmt::format(
      R"({{"schema": "conebook.run/1", "verdict": "ok", "program": {{"version": "0.1.0", "build": "test"}}, "flags": [],
  "element": "E{0:04}", "batch": "b{1}", "kind": "swirl", "date": "2031-05-{2:02}",
  "inputs": {{"rig_sha256": "{0:064}", "log": null, "calibrations": []}}, "settings": {{"rig": {{"n": {0}}}, "steady": {{}}}},
  "footage": null, "scale": {{"px_per_mm": null}}, "stations_mm": null, "lean_against": "rig_axis", "sync": null,
  "flow_law": null, "points": [{{"t0_s": null, "t1_s": null, "frames": 0, "log_t0_s": 1.0, "log_t1_s": 3.0,
  "pressure_bar": {{"value": 4.0, "u": 0.02, "lo95": 3.96, "hi95": 4.04}}, "flow_kg_s": null, "flow_area_mm2": null,
  "cd": null, "half_angle_deg": null, "apparent_half_angle_deg": null, "sheet_half_angle_deg": null,
  "cone_half_angle_deg": null, "breakup_mm": null, "d32_um": null, "pulsation": null}}]}})",
      number, number % 3, 1 + number % 28);
}

std::string WriteResults(const Folder& folder, int from, int count) {
  std::string names;
  for (int i = from; i < from + count; ++i)
    names += " " + folder.Write(fmt::format("r{}.json", i), ResultText(i));
  return names;
}

// The keys that the program said are on record: lines of 64 hex digits.
std::set<std::string> KeysIn(const std::string& text) {
  std::set<std::string> keys;
  for (std::size_t at = 0; at + 64 <= text.size(); ++at) {
    const std::size_t end = text.find_first_not_of("0123456789abcdef", at);
    const std::size_t length = (end == std::string::npos ? text.size() : end) - at;
    if (length == 64) keys.insert(text.substr(at, 64));
    at += length;
  }
  return keys;
}

// Starts the program, and kills it without warning after a while. Its standard output until then.
std::string RunAndKill(const Folder& folder, const std::string& arguments, std::chrono::microseconds after) {
  const std::string out = (folder / "killed.txt").string();
  const std::string command = fmt::format("cd '{}' && exec {} {} >killed.txt 2>/dev/null",
                                          (folder / "").string(), CONEBOOK_BINARY, arguments);
  const pid_t child = ::fork();
  REQUIRE(child >= 0);
  if (child == 0) {
    ::execl("/bin/sh", "sh", "-c", command.c_str(), nullptr);
    ::_exit(127);
  }
  std::this_thread::sleep_for(after);
  ::kill(child, SIGKILL);
  int status = 0;
  ::waitpid(child, &status, 0);
  return TextOf(out);
}

}  // namespace

// 40 kills where every change is tested; CONEBOOK_KILLS=100 in tools/test --all.
TEST_CASE("killed while storing and merging, what was reported is there, and the file is sound",
          "[process][archive]") {
  const Folder folder("kills");
  constexpr int kBatch = 12;
  const char* const wished = std::getenv("CONEBOOK_KILLS");
  const int kills = wished != nullptr ? std::stoi(wished) : 40;
  std::mt19937 random(20310504);
  const auto whole = [&](const std::string& arguments) {
    const auto start = std::chrono::steady_clock::now();
    REQUIRE(folder.Run(arguments).exit == 0);
    return std::chrono::duration_cast<std::chrono::microseconds>(std::chrono::steady_clock::now() - start)
        .count();
  };
  const std::string source = WriteResults(folder, 100'000, 150);
  REQUIRE(folder.Run("import" + source + " --archive source.db").exit == 0);
  const std::set<std::string> in_source = KeysIn(folder.Run("list --archive source.db --json").out);
  // How long a whole run takes here: kills fall anywhere in it, and a little after.
  const auto merge_us = whole("merge source.db --archive timing.db");
  const auto store_us = whole("import" + WriteResults(folder, 200'000, kBatch) + " --archive timing.db");
  std::set<std::string> stored;
  int cut_short = 0;
  for (int k = 0; k < kills; ++k) {
    const bool merging = k % 4 == 3;
    const std::string book = merging ? "merged.db" : "book.db";
    if (merging) fs::remove(folder / book);  // making the file is hit as well
    std::uniform_int_distribution<long> when(0, 11 * (merging ? merge_us : store_us) / 10);
    const std::string said =
        RunAndKill(folder,
                   merging ? "merge source.db --archive merged.db"
                           : "import" + WriteResults(folder, k * kBatch, kBatch) + " --archive book.db",
                   std::chrono::microseconds(when(random)));
    std::set<std::string> reported = KeysIn(said);
    if (!merging && reported.size() < kBatch) ++cut_short;
    if (merging) {
      const bool done = said.find("records added") != std::string::npos;
      if (!done) ++cut_short;
      if (done) reported = in_source;
    }
    if (!merging) {
      stored.merge(reported);
      reported = stored;
    }
    if (!folder.Has(book)) {
      REQUIRE(reported.empty());
      continue;
    }
    const Outcome check = folder.Run("verify --archive " + book);
    INFO(check.out << check.err);
    REQUIRE(check.exit == 0);
    const std::set<std::string> there = KeysIn(folder.Run("list --archive " + book + " --json").out);
    for (const std::string& key : reported) REQUIRE(there.count(key) == 1);
    if (merging) REQUIRE((there.empty() || there == in_source));  // all or nothing
  }
  CHECK(cut_short > kills / 4);  // the kills did fall into the work
}

TEST_CASE("two programs that store at the same time both succeed", "[process][archive]") {
  const Folder folder("two_writers");
  const std::string one = WriteResults(folder, 0, 25), two = WriteResults(folder, 25, 25);
  const std::string program(CONEBOOK_BINARY);
  const Outcome both =
      folder.Shell(program + " import" + one + " --archive book.db >one.txt & " + program + " import" + two +
                   " --archive book.db >two.txt; second=$?; wait $! && "
                   "exit $second");
  INFO(both.err);
  CHECK(both.exit == 0);
  CHECK(KeysIn(folder.Run("list --archive book.db --json").out).size() == 50);
  CHECK(folder.Run("verify --archive book.db").exit == 0);
}

TEST_CASE("a disk that is full leaves the archive as it was, exit status 4", "[process][archive]") {
  const Folder folder("disk_full");
  REQUIRE(folder.Run("import" + WriteResults(folder, 0, 3) + " --archive book.db").exit == 0);
  const std::string before = folder.Read("book.db"), more = WriteResults(folder, 3, 200);
  REQUIRE(folder.Run("import" + more + " --archive large.db").exit == 0);
  // A limit on file sizes stands in for the full disk: writes fail as they do there. In blocks of 1024 bytes.
  const std::string limit = fmt::format("trap '' XFSZ; ulimit -f {}; ", before.size() / 1024 + 4);
  const Outcome merge = folder.Shell(limit + CONEBOOK_BINARY + " merge large.db --archive book.db");
  INFO(merge.out << merge.err);
  CHECK(merge.exit == 4);
  CHECK_THAT(merge.err, Contains("nothing was stored"));
  CHECK(folder.Read("book.db") == before);
  CHECK_FALSE(folder.Has("book.db-journal"));
  CHECK(folder.Run("verify --archive book.db").exit == 0);
}

TEST_CASE("measured, listed, shown, reported, exported, verified: a run's whole life", "[process][archive]") {
  const Folder folder("life");
  folder.Write("rig.toml", kRig + "[nozzle2]\n");
  folder.Write("rig.toml", kRig);
  folder.Write("log.csv", LogText());
  const std::string book = " --archive book.db";
  const Outcome stored = folder.Run("measure --log log.csv --rig rig.toml --date 2031-05-04" + book);
  REQUIRE(stored.exit == 0);
  CHECK_THAT(stored.out, Contains("put on record"));
  CHECK_THAT(folder.Run("measure --log log.csv --rig rig.toml --date 2031-05-04" + book).out,
             Contains("already on record"));
  const Outcome list = folder.Run("list" + book);
  CHECK_THAT(list.out, Contains("2031-05-04") && Contains("A07"));
  CHECK_THAT(folder.Run("list --element B99" + book).out, Contains("nothing on record that fits"));
  const auto listed = nlohmann::json::parse(folder.Run("list --json" + book).out);
  const std::string key = listed.at("runs").at(0).at("record");
  CHECK_THAT(folder.Run("show " + key.substr(0, 8) + book).out, Contains(key) && Contains("log.csv"));
  CHECK_THAT(folder.Run("show A07" + book).out, Contains("element A07"));
  CHECK(folder.Run("show ffff0000" + book).exit == 2);
  CHECK(folder.Run("report --element A07 --report a07.html" + book).exit == 0);
  CHECK_THAT(folder.Read("a07.html"), Contains("A07") && Contains("</html>"));
  CHECK(folder.Run("report --day 2031-05-04 --report day.html" + book).exit == 0);
  CHECK(folder.Run("report --day 2031-05-05 --report day.html" + book).exit == 2);
  CHECK(folder.Run("export --csv points.csv --bundle out/" + book).exit == 0);
  CHECK(folder.Has("points_dictionary.csv"));
  CHECK(folder.Shell("cd out && sha256sum --quiet -c SHA256SUMS").exit == 0);
  CHECK(folder.Has("out/README.txt"));
  CHECK(folder.Run("export --bundle out/" + book).exit == 2);  // never over what is there
  // Measured again from what the archive itself kept, with the inputs gone.
  fs::remove(folder / "log.csv");
  fs::remove(folder / "rig.toml");
  const Outcome again = folder.Run("verify --remeasure" + book);
  INFO(again.out << again.err);
  CHECK(again.exit == 0);
  CHECK_THAT(again.out, Contains("the same to the byte"));
  const Outcome withdrawn = folder.Run("withdraw " + key.substr(0, 6) + " --reason 'valve leaked'" + book);
  CHECK(withdrawn.exit == 0);
  CHECK_THAT(folder.Run("list" + book).out, Contains("nothing on record"));
  CHECK_THAT(folder.Run("list --superseded" + book).out, Contains("valve leaked"));
}

TEST_CASE("footage that was changed or moved away is found out, exit status 5", "[process][archive]") {
  const Folder folder("footage");
  DrawFrames(folder / "frames", DrawnSpray{});
  folder.Write("rig.toml", kRig + "[scale]\npx_per_mm = 10.0\n[camera]\nfps = 60.0\n");
  const std::string book = " --archive book.db";
  REQUIRE(folder.Run("measure frames --rig rig.toml" + book).exit == 0);
  const Outcome sound = folder.Run("verify --footage . --remeasure" + book);
  INFO(sound.out << sound.err);
  CHECK(sound.exit == 0);
  fs::create_directories(folder / "moved/2031");
  fs::rename(folder / "frames", folder / "moved/2031/frames");
  CHECK(folder.Run("verify --footage moved" + book).exit == 0);
  folder.Write("moved/2031/frames/f0003.png", "no longer a picture");
  const Outcome changed = folder.Run("verify --footage moved" + book);
  CHECK(changed.exit == 5);
  CHECK_THAT(changed.out, Contains("was not found with its hash"));
}

TEST_CASE("commands on what is no archive say so: exit status 4, and nothing is made", "[process][archive]") {
  const Folder folder("no_archive");
  folder.Write("notes.txt", "the only copy of a year of notes\n" + std::string(200, 'x'));
  for (const char* command : {"list", "show A07", "verify", "export --csv -", "merge notes.txt",
                              "report --element A07 --report -"}) {
    const Outcome outcome = folder.Run(std::string(command) + " --archive notes.txt");
    INFO(command << outcome.err);
    CHECK(outcome.exit == 4);
    CHECK(outcome.ErrorLines() == 1);
    const Outcome missing = folder.Run(std::string(command) + " --archive missing.db");
    CHECK(missing.exit == 4);
    CHECK_FALSE(folder.Has("missing.db"));
  }
}

TEST_CASE("an archive that may only be read is read, not written", "[process][archive]") {
  const Folder folder("read_only");
  REQUIRE(folder.Run("import" + WriteResults(folder, 0, 2) + " --archive book.db").exit == 0);
  const std::string before = folder.Read("book.db");
  CHECK(folder.Run("list --archive book.db").exit == 0);
  CHECK(folder.Run("verify --archive book.db").exit == 0);
  CHECK(folder.Read("book.db") == before);
}

TEST_CASE("mistakes on the command line are named, with the nearest option", "[process][archive]") {
  const Folder folder("usage");
  REQUIRE(folder.Run("import" + WriteResults(folder, 0, 1) + " --archive book.db").exit == 0);
  const auto refused = [&](const std::string& arguments, const std::string& part) {
    const Outcome outcome = folder.Run(arguments);
    INFO(arguments << outcome.err);
    CHECK(outcome.exit == 2);
    CHECK(outcome.ErrorLines() == 1);
    CHECK_THAT(outcome.err, Contains(part));
  };
  refused("lst --archive book.db", "did you mean list?");
  refused("list", "--archive");
  refused("list --archive book.db --elment E0000", "did you mean --element?");
  refused("list --archive book.db --sort flowarea", "did you mean flow_area?");
  refused("list --archive book.db --from yesterday", "expected a day");
  refused("export --archive book.db", "--bundle");
  refused("report --archive book.db --report x.html", "--element");
  refused("withdraw 0000 --archive book.db --reason x", "no record begins with 0000");
  refused("import r0.json r0.json --supersedes 0000 --reason x --archive book.db", "exactly one");
  refused("stock E0000 lost --archive book.db", "expected one of");
  folder.Write("odd.csv", "a,b\n1,2\n");
  refused("import odd.csv --archive book.db", "not a table that can be imported");
  folder.Write("odd.json", "{\"schema\": \"other\"}");
  refused("import odd.json --archive book.db", "not a result file");
}

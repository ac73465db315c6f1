// `conebook sheet`: a test-day sheet drafted from a folder of camera files. What can be read is right; all
// else stays blank.
#include <cmath>
#include <cstring>
#include <ctime>

#include <catch2/catch.hpp>
#include <fcntl.h>
#include <nlohmann/json.hpp>
#include <sys/stat.h>

#include "drawn_clip.h"
#include "program.h"

using namespace conebook::tests;
using Catch::Matchers::Contains;
using nlohmann::json;

namespace {

constexpr double kStart = 1935741600.0;  // 2031-05-05T10:00:00, as a clock without a zone shows it

std::string Clock(double epoch_s, const std::string& zone = "") {
  const auto whole = static_cast<std::time_t>(std::floor(epoch_s));
  std::tm parts{};
  gmtime_r(&whole, &parts);
  char text[40], fraction[8];
  std::strftime(text, sizeof text, "%Y-%m-%dT%H:%M:%S", &parts);
  std::snprintf(fraction, sizeof fraction, ".%01d",
                static_cast<int>(std::lround(10.0 * (epoch_s - std::floor(epoch_s)))) % 10);
  return text + std::string(fraction) + zone;
}

// The tag as cameras write it, in whole seconds: the moment, and a zone or Z.
Tags Created(double epoch_s) {
  return {{"creation_time", Clock(std::floor(epoch_s)) + "Z"}};
}
Tags CreatedWithZone(double epoch_s, const std::string& zone) {
  const std::string text = Clock(std::floor(epoch_s));
  return {{"com.apple.quicktime.creationdate", text.substr(0, 19) + zone}};
}

struct Held {
  double t0_s, t1_s, bar;  // since the log's first row
};

// Ten rows a second; zero where nothing is held.
std::string DayLog(double length_s, const std::vector<Held>& held, double first_epoch_s = kStart,
                   const std::string& zone = "", bool clock = true) {
  std::ostringstream text;
  text << (clock ? "time" : "time_s") << ",pressure_bar,flow_kg_s\n";
  std::mt19937 random(3);
  std::normal_distribution<double> noise(0.0, 0.004);
  for (int i = 0; i < static_cast<int>(10.0 * length_s); ++i) {
    const double t = 0.1 * i;
    double bar = 0.0;
    for (const Held& h : held) bar = t >= h.t0_s && t < h.t1_s ? h.bar : bar;
    text << (clock ? Clock(first_epoch_s + t + 0.001, zone) : std::to_string(t)) << "," << bar + noise(random)
         << "," << 0.011 * std::sqrt(bar) << "\n";
  }
  return text.str();
}

// Three runs in a log of eight minutes, irregular as work on a stand is.
const std::vector<Held> kRuns{{60.0, 85.0, 4.0}, {197.0, 222.0, 6.0}, {403.0, 431.0, 9.0}};

json Parsed(const Folder& folder, const std::string& file = "DAY.toml") {
  folder.Write("ask.py", "import json, tomllib\nprint(json.dumps(tomllib.load(open('" + file +
                             "', 'rb')), default=str))\n");
  const Outcome outcome = folder.Shell("/usr/bin/python3 ask.py");
  INFO(outcome.err << folder.Read(file));
  REQUIRE(outcome.exit == 0);
  return json::parse(outcome.out);
}

json Drafted(const Folder& folder, const std::string& more = "") {
  fs::remove(folder / "DAY.toml");
  const Outcome outcome = folder.Run("sheet camera --log log.csv --rig rig.toml --out DAY.toml " + more);
  INFO(outcome.out << outcome.err);
  REQUIRE(outcome.exit == 0);
  return Parsed(folder);
}

// The tie of a drafted clip, checked against the truth: the log time at which the clip really begins.
void CheckTie(const json& clip, double begins_s) {
  CAPTURE(clip.dump());
  REQUIRE(clip.contains("log"));
  CHECK(clip["log"] == "log.csv");
  const json& sync = clip["rig"]["sync"];
  const double error_s = sync["log_minus_video_s"].get<double>() - begins_s;
  // u is of a rectangle: its half width is u times the root of three (GUM 4.3.7).
  CHECK(std::abs(error_s) <= std::sqrt(3.0) * sync["u_log_minus_video_s"].get<double>() + 0.1);
  CHECK(sync["u_log_minus_video_s"].get<double>() < 4.0);
}

bool Blank(const json& clip) {
  return !clip.contains("log") && !clip.contains("readings") && !clip.contains("rig");
}

struct Day {
  Folder folder;
  explicit Day(const std::string& name) : folder(name) {
    fs::create_directories(folder / "camera");
    folder.Write("rig.toml", kRig);
    folder.Write("log.csv", DayLog(480.0, kRuns));
  }
  fs::path File(const std::string& name) const { return folder / ("camera/" + name); }
  void Card(const std::string& name, const std::string& element) const {
    cv::imwrite(File(name).string(), CardPicture(folder, element));
  }
  // A clip of 6 s that begins 5 s into each run and carries no zone.
  void ThreeClips(double camera_minus_log_s, const std::string& zone = "") const {
    for (std::size_t k = 0; k < kRuns.size(); ++k) {
      const double at = kStart + kRuns[k].t0_s + 5.0 + camera_minus_log_s;
      WriteClip(File("IMG_000" + std::to_string(2 * k + 2) + ".mov"), Frames(6.0),
                zone.empty() ? Created(at) : CreatedWithZone(at, zone));
    }
  }
  void ThreeCards(const std::string& a = "A07", const std::string& b = "B-12/x",
                  const std::string& c = "A08") const {
    Card("IMG_0001.jpg", a);
    Card("IMG_0003.jpg", b);
    Card("IMG_0005.jpg", c);
  }
  std::string Text() const { return folder.Read("DAY.toml"); }
};

}  // namespace

TEST_CASE("cards before clips and a log with clock times give a whole sheet", "[process][draft]") {
  const Day day("draft_whole");
  day.ThreeCards();
  day.ThreeClips(0.0);
  const json sheet = Drafted(day.folder);
  INFO(day.Text());
  CHECK(sheet["day"]["rig"] == "rig.toml");
  CHECK(sheet["day"]["date"] == "2031-05-05");
  CHECK_FALSE(sheet["day"].contains("log"));  // a blank clip must not inherit it
  REQUIRE(sheet["clip"].size() == 3);
  const std::vector<std::string> elements{"A07", "B-12/x", "A08"};
  for (std::size_t k = 0; k < 3; ++k) {
    const json& clip = sheet["clip"][k];
    CHECK(clip["file"] == "camera/IMG_000" + std::to_string(2 * k + 2) + ".mov");
    CHECK(clip["element"] == elements[k]);
    CheckTie(clip, kRuns[k].t0_s + 5.0);
  }
  CHECK_THAT(day.Text(), Contains("4.00 bar") && Contains("6.00 bar") && Contains("9.00 bar"));
  CHECK_THAT(day.Text(), !Contains("blank"));
  // The program reads what it drafted; there is no spray in these clips.
  const Outcome measured = day.folder.Run("measure --sheet DAY.toml --json out");
  INFO(measured.out << measured.err);
  CHECK(measured.exit == 3);
  CHECK(json::parse(day.folder.Read("out/IMG_0004.json"))["element"] == "B-12/x");
}

TEST_CASE("swapped cards are followed, and contradictory ones leave the element blank", "[process][draft]") {
  const Day day("draft_swapped");
  day.ThreeCards("A08", "A07", "B-12/x");
  day.ThreeClips(0.0);
  const json sheet = Drafted(day.folder);
  CHECK(sheet["clip"][0]["element"] == "A08");
  CHECK(sheet["clip"][1]["element"] == "A07");
  CHECK(sheet["clip"][2]["element"] == "B-12/x");

  // The still says A07, the card in the clip itself A09.
  WriteClip(day.File("IMG_0004.mov"), Frames(6.0, CardPicture(day.folder, "A09"), 1.5),
            Created(kStart + kRuns[1].t0_s + 5.0));
  const json contradictory = Drafted(day.folder);
  CHECK(contradictory["clip"][0]["element"] == "A08");
  CHECK(contradictory["clip"][1]["element"] == "");
  CHECK_THAT(day.Text(), Contains("A09") && Contains("A07") && Contains("blank"));
  // A clip whose element is blank is not measured under the rig's name.
  const Outcome measured = day.folder.Run("measure --sheet DAY.toml --json out");
  CHECK(measured.exit == 2);
  CHECK_THAT(measured.err, Contains("element is empty"));
  CHECK(json::parse(day.folder.Read("out/day.json"))["clips"][1]["verdict"].is_null());
}

TEST_CASE("the card in a clip's first seconds, or in a clip of its own, names the element",
          "[process][draft]") {
  const Day day("draft_in_clip");
  WriteClip(day.File("IMG_0002.mov"), Frames(6.0, CardPicture(day.folder, "A07"), 1.5),
            Created(kStart + kRuns[0].t0_s + 5.0));
  WriteClip(day.File("IMG_0003.mov"), Frames(2.0, CardPicture(day.folder, "A08"), 2.0),
            Created(kStart + kRuns[1].t0_s - 30.0));
  WriteClip(day.File("IMG_0004.mov"), Frames(6.0), Created(kStart + kRuns[1].t0_s + 5.0));
  // Held up only at the end: it may be the next clip's.
  std::vector<cv::Mat> late = Frames(5.0);
  late.resize(60, CardPicture(day.folder, "A11"));
  WriteClip(day.File("IMG_0006.mov"), late, Created(kStart + kRuns[2].t0_s + 5.0));
  const json sheet = Drafted(day.folder);
  INFO(day.Text());
  REQUIRE(sheet["clip"].size() == 3);
  CHECK(sheet["clip"][0]["element"] == "A07");
  CHECK(sheet["clip"][1]["element"] == "A08");
  CHECK(sheet["clip"][1]["file"] == "camera/IMG_0004.mov");
  CHECK(sheet["clip"][2]["element"] == "");
}

TEST_CASE("an unreadable card, a missing one and two at once leave the element blank", "[process][draft]") {
  const Day day("draft_unreadable");
  day.ThreeClips(0.0);
  cv::Mat smeared;
  cv::GaussianBlur(CardPicture(day.folder, "A07"), smeared, {}, 12.0);
  cv::imwrite(day.File("IMG_0001.jpg").string(), smeared);
  cv::Mat two(360, 960, CV_8U);
  CardPicture(day.folder, "A07").copyTo(two(cv::Rect(0, 0, 480, 360)));
  CardPicture(day.folder, "A08").copyTo(two(cv::Rect(480, 0, 480, 360)));
  cv::imwrite(day.File("IMG_0003.jpg").string(), two);
  json sheet = Drafted(day.folder);
  INFO(day.Text());
  for (const json& clip : sheet["clip"]) {
    CHECK(clip["element"] == "");
    CHECK(clip.contains("log"));  // the pressure does not hang on the card
  }
  CHECK_THAT(day.Text(), Contains("IMG_0001.jpg") && Contains("A07") && Contains("A08") && Contains("two"));

  // Two cards one after the other; and one that was filmed before a card that cannot be read.
  day.Card("IMG_0003.jpg", "A08");
  fs::rename(day.File("IMG_0001.jpg"), day.File("IMG_0005.jpg"));
  fs::rename(day.File("IMG_0006.mov"), day.File("IMG_0009.mov"));
  day.Card("IMG_0000.jpg", "A01");
  day.Card("IMG_0001.jpg", "A02");
  fs::rename(day.File("IMG_0005.jpg"), day.File("IMG_0008.jpg"));
  day.Card("IMG_0007.jpg", "A03");
  sheet = Drafted(day.folder);
  CHECK(sheet["clip"][0]["element"] == "");
  CHECK(sheet["clip"][1]["element"] == "A08");
  CHECK(sheet["clip"][2]["element"] == "");
  CHECK_THAT(day.Text(), Contains("A01") && Contains("A02") && Contains("IMG_0008.jpg"));
}

TEST_CASE("a card is good for the clip after it, not for the one after that", "[process][draft]") {
  const Day day("draft_one_card");
  day.Card("IMG_0001.jpg", "A07");
  day.ThreeClips(0.0);
  const json sheet = Drafted(day.folder);
  CHECK(sheet["clip"][0]["element"] == "A07");
  CHECK(sheet["clip"][1]["element"] == "");
  CHECK(sheet["clip"][2]["element"] == "");
}

TEST_CASE("names and times that disagree about the card before a clip leave it blank", "[process][draft]") {
  const Day day("draft_order");
  const auto card_clip = [&](const std::string& name, const std::string& element, double at_s) {
    WriteClip(day.File(name), Frames(1.0, CardPicture(day.folder, element), 1.0), Created(kStart + at_s));
  };
  card_clip("IMG_0001.mov", "A07", 40.0);
  WriteClip(day.File("IMG_0002.mov"), Frames(6.0), Created(kStart + kRuns[0].t0_s + 5.0));
  card_clip("IMG_0003.mov", "A08", 170.0);
  WriteClip(day.File("IMG_0004.mov"), Frames(6.0), Created(kStart + kRuns[1].t0_s + 5.0));
  CHECK(Drafted(day.folder)["clip"][1]["element"] == "A08");
  card_clip("IMG_0003.mov", "A08", 20.0);
  const json sheet = Drafted(day.folder);
  CHECK(sheet["clip"][0]["element"] == "");
  CHECK(sheet["clip"][1]["element"] == "");
  // Where names say nothing, times decide, and the other way round there is nothing to go by.
  card_clip("IMG_0003.mov", "A08", 170.0);
  fs::rename(day.File("IMG_0003.mov"), day.File("card of the second.mov"));
  const json by_time = Drafted(day.folder);
  CHECK(by_time["clip"][0]["element"] == "A07");
  CHECK(by_time["clip"][1]["element"] == "A08");
  fs::remove(day.File("card of the second.mov"));
  day.Card("second.png", "A08");
  for (const json& clip : Drafted(day.folder)["clip"]) CHECK(clip["element"] == "");
}

TEST_CASE("zones between camera and log are found where only one of them fits", "[process][draft]") {
  const Day day("draft_zones");
  day.ThreeCards();
  for (const double hours : {-2.0, -5.75, 9.5, 0.0}) {  // camera's UTC against a local log and the like
    CAPTURE(hours);
    day.ThreeClips(3600.0 * hours);
    const json sheet = Drafted(day.folder);
    INFO(day.Text());
    for (std::size_t k = 0; k < 3; ++k) CheckTie(sheet["clip"][k], kRuns[k].t0_s + 5.0);
  }
  // The camera writes its zone; the log's clock is UTC and says so.
  day.folder.Write("log.csv", DayLog(480.0, kRuns, kStart - 7200.0, "Z"));
  day.ThreeClips(0.0, "+0200");
  const json sheet = Drafted(day.folder);
  for (std::size_t k = 0; k < 3; ++k) CheckTie(sheet["clip"][k], kRuns[k].t0_s + 5.0);
}

TEST_CASE("a camera an hour off is put right where the log leaves no doubt, else left blank",
          "[process][draft]") {
  const Day day("draft_hour");
  day.ThreeCards();
  day.ThreeClips(3600.0);
  json sheet = Drafted(day.folder);
  for (std::size_t k = 0; k < 3; ++k) CheckTie(sheet["clip"][k], kRuns[k].t0_s + 5.0);
  CHECK_THAT(day.Text(), Contains("- 3600 s"));

  // The same work an hour later: both hours fit.
  std::vector<Held> twice = kRuns;
  for (const Held& run : kRuns) twice.push_back({run.t0_s + 3600.0, run.t1_s + 3600.0, run.bar + 1.0});
  day.folder.Write("log.csv", DayLog(4100.0, twice));
  sheet = Drafted(day.folder);
  INFO(day.Text());
  for (const json& clip : sheet["clip"]) CHECK(Blank(clip));
  CHECK_THAT(day.Text(), Contains("blank") && Contains("--camera-offset-s"));
  // Stated, it is no longer in doubt.
  sheet = Drafted(day.folder, "--camera-offset-s -3600");
  for (std::size_t k = 0; k < 3; ++k) CheckTie(sheet["clip"][k], kRuns[k].t0_s + 5.0);
  sheet = Drafted(day.folder, "--camera-offset-s 0");
  for (std::size_t k = 0; k < 3; ++k) CheckTie(sheet["clip"][k], kRuns[k].t0_s + 3605.0);
  // A zone in the tag does not prove that the camera's clock was right.
  day.folder.Write("log.csv", DayLog(4100.0, twice, kStart - 7200.0, "Z"));
  day.ThreeClips(3600.0, "+0200");
  for (const json& clip : Drafted(day.folder)["clip"]) CHECK(Blank(clip));
}

TEST_CASE("a camera minutes off is not guessed at", "[process][draft]") {
  const Day day("draft_minutes");
  day.ThreeCards();
  day.ThreeClips(-97.0);
  json sheet = Drafted(day.folder);
  INFO(day.Text());
  for (const json& clip : sheet["clip"]) {
    CHECK(Blank(clip));
    CHECK(clip["element"] != "");
  }
  sheet = Drafted(day.folder, "--camera-offset-s 97");
  for (std::size_t k = 0; k < 3; ++k) CheckTie(sheet["clip"][k], kRuns[k].t0_s + 5.0);
}

TEST_CASE("a clip outside the log, on changing pressure, or dry gets no pressure", "[process][draft]") {
  const Day day("draft_outside");
  const auto one = [&](double at_s) {
    WriteClip(day.File("IMG_0002.mov"), Frames(6.0), Created(kStart + at_s));
    const json sheet = Drafted(day.folder, "--camera-offset-s 0");
    REQUIRE(sheet["clip"].size() == 1);
    return Blank(sheet["clip"][0]);
  };
  CHECK_FALSE(one(65.0));
  CHECK(one(600.0));
  CHECK_THAT(day.Text(), Contains("outside the log"));
  CHECK(one(-30.0));
  CHECK(one(120.0));
  CHECK_THAT(day.Text(), Contains("no steady pressure"));
  CHECK(one(82.5));  // the valve closes while it is filmed, or before
  // Several pressures after one rise are told apart by the first spray frame; after two they are not.
  day.folder.Write("log.csv", DayLog(480.0, {{60.0, 68.0, 4.0}, {68.0, 76.0, 7.0}, {76.0, 90.0, 9.0}}));
  CHECK_FALSE(one(66.0));
  CHECK_THAT(day.Text(), Contains("4.00, 7.00 bar"));
  day.folder.Write("log.csv", DayLog(480.0, {{60.0, 65.0, 4.0}, {67.0, 76.0, 7.0}}));
  CHECK(one(66.0));
  CHECK_THAT(day.Text(), Contains("4.00, 7.00 bar"));
  // All of it under way already when the earliest frame may have been taken.
  day.folder.Write("log.csv", DayLog(480.0, {{40.0, 64.0, 4.0}, {64.0, 76.0, 7.0}}));
  CHECK(one(66.0));
}

TEST_CASE("a drafted sheet, measured, ties each clip to its own rise in the day's log", "[process][draft]") {
  const Day day("draft_measured");
  day.folder.Write("rig.toml", kRig + "[scale]\npx_per_mm = 8.0\n[meter]\nu_percent = 0.5\n");
  // Each run steps through two pressures; the camera stamps whole seconds, and the end of its recording.
  std::vector<Held> runs;
  for (const double t0 : {60.3, 197.8, 403.1}) {
    runs.push_back({t0, t0 + 2.0, 4.0 + t0 / 100.0});
    runs.push_back({t0 + 2.0, t0 + 4.4, 7.0 + t0 / 100.0});
  }
  day.folder.Write("log.csv", DayLog(480.0, runs));
  day.ThreeCards();
  DrawnSpray spray;
  spray.frames = 270;
  spray.start = 48;  // 0.8 s at 60 frames a second
  DrawFrames(day.folder / "drawn", spray);
  std::vector<cv::Mat> frames;
  for (int k = 0; k < spray.frames; ++k) {
    char name[32];
    std::snprintf(name, sizeof name, "f%04d.png", k);
    frames.push_back(cv::imread((day.folder / "drawn" / name).string(), cv::IMREAD_GRAYSCALE));
  }
  for (std::size_t k = 0; k < 3; ++k) {
    const double begins_s = runs[2 * k].t0_s - 0.8;
    WriteClip(day.File("IMG_000" + std::to_string(2 * k + 2) + ".mov"), frames,
              Created(kStart + begins_s + 4.5), 60);
  }
  Drafted(day.folder);
  INFO(day.Text());
  const Outcome measured = day.folder.Run("measure --sheet DAY.toml --json out");
  INFO(measured.out << measured.err);
  REQUIRE(measured.exit == 0);
  for (std::size_t k = 0; k < 3; ++k) {
    const json result = json::parse(day.folder.Read("out/IMG_000" + std::to_string(2 * k + 2) + ".json"));
    CAPTURE(k, result["sync"].dump(), result["flags"].dump());
    CHECK(result["sync"]["method"] == "onset");
    CHECK(std::abs(result["sync"]["log_minus_video_s"]["value"].get<double>() - (runs[2 * k].t0_s - 0.8)) <
          0.1);
    REQUIRE(result["points"].size() == 2);
    for (std::size_t p = 0; p < 2; ++p)
      CHECK(result["points"][p]["pressure_bar"]["value"].get<double>() ==
            Approx(runs[2 * k + p].bar).margin(0.02));
    for (const json& flag : result["flags"]) CHECK(flag["code"] != "sync_ambiguous");
  }
}

TEST_CASE("without clock times nothing is tied", "[process][draft]") {
  const Day day("draft_untimed");
  day.folder.Write("log.csv", DayLog(480.0, kRuns, 0.0, "", false));
  WriteClip(day.File("IMG_0002.mov"), Frames(6.0), Created(kStart + 65.0));
  CHECK(Blank(Drafted(day.folder)["clip"][0]));
  CHECK_THAT(day.Text(), Contains("clock times"));
  CHECK(Blank(Drafted(day.folder, "--camera-offset-s 0")["clip"][0]));

  day.folder.Write("log.csv", DayLog(480.0, kRuns));
  WriteClip(day.File("IMG_0002.mov"), Frames(6.0));
  DrawFrames(day.folder / "camera/frames", {});
  json sheet = Drafted(day.folder);
  REQUIRE(sheet["clip"].size() == 2);
  CHECK(Blank(sheet["clip"][0]));
  CHECK(Blank(sheet["clip"][1]));
  CHECK_THAT(day.Text(), Contains("--file-times"));
  // Only where said, and marked: the time at which the file was last written, in true UTC.
  struct timespec times[2];
  times[0].tv_sec = times[1].tv_sec = static_cast<std::time_t>(kStart + 71.0);
  times[0].tv_nsec = times[1].tv_nsec = 0;
  REQUIRE(utimensat(AT_FDCWD, day.File("IMG_0002.mov").c_str(), times, 0) == 0);
  fs::remove_all(day.folder / "camera/frames");
  CHECK(Blank(Drafted(day.folder, "--file-times")["clip"][0]));  // one clip, three runs: it may be any
  CHECK_THAT(day.Text(), Contains("other offsets do, too"));
  day.folder.Write("log.csv", DayLog(480.0, {kRuns[0]}));
  sheet = Drafted(day.folder, "--file-times");
  INFO(day.Text());
  CheckTie(sheet["clip"][0], 65.0);
  CHECK_THAT(day.Text(), Contains("file's modification time"));
}

TEST_CASE("times in stills (EXIF, CIPA DC-008) put cards in order where names do not", "[process][draft]") {
  const Day day("draft_exif");
  // APP1 with one IFD that points to an Exif IFD of one entry: DateTimeOriginal.
  const auto with_time = [&](const std::string& name, const std::string& element, double epoch_s) {
    std::vector<unsigned char> jpeg;
    cv::imencode(".jpg", CardPicture(day.folder, element), jpeg);
    std::string when = Clock(epoch_s).substr(0, 19);
    when[4] = when[7] = ':';
    when[10] = ' ';
    std::string tiff("II*\0\x08\0\0\0", 8);
    tiff += std::string("\x01\0\x69\x87\x04\0\x01\0\0\0\x1a\0\0\0\0\0\0\0", 18);  // ExifIFD at 26
    tiff += std::string("\x01\0\x03\x90\x02\0\x14\0\0\0\x2c\0\0\0\0\0\0\0", 18);  // 20 characters at 44
    tiff += when + '\0';
    std::string segment = std::string("Exif\0\0", 6) + tiff;
    const auto length = static_cast<unsigned>(segment.size() + 2);
    segment = std::string("\xff\xe1", 2) + static_cast<char>(length >> 8) + static_cast<char>(length & 0xff) +
              segment;
    jpeg.insert(jpeg.begin() + 2, segment.begin(), segment.end());
    std::ofstream(day.File(name), std::ios::binary)
        .write(reinterpret_cast<const char*>(jpeg.data()), static_cast<std::streamsize>(jpeg.size()));
  };
  with_time("card of the first.jpg", "A07", kStart + 50.0);
  with_time("and of the second.jpg", "A08", kStart + 180.0);
  WriteClip(day.File("spray one.mov"), Frames(6.0), Created(kStart + 65.0));
  // A still's time without a zone and a clip's in UTC may differ by hours: no order, no element.
  json sheet = Drafted(day.folder);
  CHECK(sheet["clip"][0]["element"] == "");
  fs::remove(day.File("spray one.mov"));
  for (const auto& [name, at_s] : {std::pair<const char*, double>{"spray one", 66.0}, {"spray two", 203.0}}) {
    fs::create_directories(day.File(name));
    with_time("shot.jpg", "none", kStart + at_s);
    // The tag of that picture, the scene's pixels.
    const std::string tagged = TextOf(day.File("shot.jpg"));
    const auto length = static_cast<std::size_t>(static_cast<unsigned char>(tagged[4]) * 256 +
                                                 static_cast<unsigned char>(tagged[5]));
    std::vector<unsigned char> plain;
    cv::imencode(".jpg", Scene(), plain);
    std::string bytes(plain.begin(), plain.end());
    bytes.insert(2, tagged.substr(2, length + 2));
    for (int k = 0; k < 20; ++k)
      day.folder.Write(std::string("camera/") + name + "/" + std::to_string(100 + k) + ".jpg", bytes);
    fs::remove(day.File("shot.jpg"));
  }
  sheet = Drafted(day.folder);
  INFO(day.Text());
  REQUIRE(sheet["clip"].size() == 2);
  CHECK(sheet["clip"][0]["file"] == "camera/spray one");
  CHECK(sheet["clip"][0]["element"] == "A07");
  CHECK(sheet["clip"][1]["element"] == "A08");
  CHECK_THAT(day.Text(), Contains("EXIF"));
}

TEST_CASE("what is no clip is said, bad folders are refused, and a filled-in sheet is never overwritten",
          "[process][draft]") {
  const Day day("draft_refused");
  day.folder.Write("log.csv", DayLog(480.0, {kRuns[0]}));
  CHECK(day.folder.Run("sheet camera --log log.csv --out DAY.toml").exit == 2);  // nothing in it
  CHECK(day.folder.Run("sheet nowhere --log log.csv --out DAY.toml").exit == 2);
  day.folder.Write("camera/broken.mp4", "not a video at all");
  CHECK(day.folder.Run("sheet camera --log log.csv --out DAY.toml").exit == 2);
  WriteClip(day.File("IMG_0002.mov"), Frames(6.0), Created(kStart + 65.0));
  CHECK(day.folder.Run("sheet camera --log none.csv --out DAY.toml").exit == 2);
  CHECK(day.folder.Run("sheet camera --log log.csv --rig none.toml --out DAY.toml").exit == 2);
  CHECK_FALSE(day.folder.Has("DAY.toml"));
  const Outcome drafted = day.folder.Run("sheet camera --log log.csv --out DAY.toml");
  INFO(drafted.err);
  CHECK(drafted.exit == 0);
  CHECK_THAT(drafted.out, Contains("1 clip") && Contains("broken.mp4"));
  CHECK_THAT(day.Text(), Contains("broken.mp4"));
  CHECK(Parsed(day.folder)["day"]["rig"] == "");
  const std::string before = day.Text();
  const Outcome again = day.folder.Run("sheet camera --log log.csv --out DAY.toml");
  CHECK(again.exit == 2);
  CHECK_THAT(again.err, Contains("DAY.toml") && Contains("already"));
  CHECK(day.Text() == before);
  // Without --out the sheet goes to standard output; from another folder, paths are relative to the sheet.
  CHECK_THAT(day.folder.Run("sheet camera --log log.csv").out, Contains("[[clip]]"));
  fs::create_directories(day.folder / "sheets");
  REQUIRE(day.folder.Run("sheet camera --log log.csv --rig rig.toml --out sheets/DAY.toml").exit == 0);
  const json sheet = Parsed(day.folder, "sheets/DAY.toml");
  CHECK(sheet["clip"][0]["file"] == "../camera/IMG_0002.mov");
  CHECK(sheet["clip"][0]["log"] == "../log.csv");
  CHECK(sheet["day"]["rig"] == "../rig.toml");
}

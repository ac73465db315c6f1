#include <algorithm>
#include <cmath>
#include <string>
#include <vector>

#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

#include "sample_run.h"
#include "src/report/charts.h"

namespace {

using namespace conebook;
using namespace conebook::src;
using Json = nlohmann::json;

// The data of a run's chart; null where the run has no such chart.
Json Drawn(const Run& run, const std::string& key, const ChartOptions& options = {}) {
  for (const Chart& chart : ChartsOf(run, options))
    if (chart.key == key) return Json::parse(chart.json);
  return nullptr;
}

Json SeriesNamed(const Json& chart, const std::string& name) {
  for (const Json& series : chart.at("series"))
    if (series.at("name") == name) return series;
  return nullptr;
}

double Length(const Json& bands) {
  double sum = 0.0;
  for (const Json& band : bands) sum += band.at("to").get<double>() - band.at("from").get<double>();
  return sum;
}

}  // namespace

TEST_CASE("points and what lies in none of them make up log and clip together", "[src][report][chart]") {
  Run run = testing::MadeRun();
  run.trace.time_s.back() = 18.0;
  const Json log = Drawn(run, "log");
  REQUIRE(log.at("points").size() == 3);
  CHECK(Length(log.at("points")) == Approx(3 * 2.4));
  CHECK(Length(log.at("points")) + Length(log.at("gaps")) == Approx(18.0));
  // Between point 1, which ends at 6.15 s of log time, and point 2, which begins at 7.25 s.
  CHECK(log.at("gaps")[1].at("from").get<double>() == Approx(6.15));
  CHECK(log.at("gaps")[1].at("to").get<double>() == Approx(7.25));
  // The clip reaches beyond the log: that part is in no point either.
  run.sync->log_minus_video_s.value = 8.0;
  const Json late = Drawn(run, "log");
  CHECK(Length(late.at("points")) + Length(late.at("gaps")) == Approx(23.0));
  CHECK(late.at("range")[1].get<double>() > 23.0);
}

TEST_CASE("a clip tied 2 s off shows its first spray frame 2 s away from the rise", "[src][report][chart]") {
  Run run = testing::MadeRun();
  // The made-up log rises at 2.65 s; the first spray frame is at 1.4 s of a clip that is 1.25 s behind.
  CHECK(Drawn(run, "log").at("spray_start").at("at").get<double>() == Approx(2.65));
  run.sync->log_minus_video_s.value += 2.0;
  const Json off = Drawn(run, "log");
  CHECK(off.at("spray_start").at("at").get<double>() == Approx(4.65));
  CHECK(off.at("clip").at("from").get<double>() == Approx(3.25));
  // u = 0.02 s, normal: 95 % within 1.96 u.
  CHECK(off.at("spray_start").at("to").get<double>() == Approx(4.65 + 1.96 * 0.02).margin(1e-4));
}

TEST_CASE("what log and footage are tied by is drawn on one time axis", "[src][report][chart]") {
  Run run = testing::MadeRun();
  CHECK(Drawn(run, "sync").is_null());
  // Rises at 1.4 s of the clip and 2.65 s of the log; the clip is 1.25 s behind.
  SyncPicture& picture = run.sync_picture.emplace();
  picture.seen = "spray";
  picture.column = "pressure";
  for (int i = 0; i < 60; ++i) {
    picture.video_s.push_back(0.4 + i / 30.0);
    picture.level.push_back(picture.video_s.back() < 1.4 ? 0.02 : 1.0);
    picture.log_s.push_back(1.65 + i / 30.0);
    picture.log_level.push_back(picture.log_s.back() < 2.65 ? 0.0 : 0.98);
  }
  const auto rise_s = [](const Json& series) {
    for (std::size_t i = 0; i < series.at("x").size(); ++i)
      if (series.at("y")[i].get<double>() > 0.5) return series.at("x")[i].get<double>();
    return 0.0;
  };
  const Json tied = Drawn(run, "sync");
  REQUIRE(tied.at("series").size() == 2);
  CHECK(rise_s(tied.at("series")[0]) == Approx(2.65).margin(0.02));
  CHECK(rise_s(tied.at("series")[1]) == Approx(2.65).margin(0.02));
  CHECK(tied.at("spray_start").at("at").get<double>() == Approx(2.65));
  // Tied 0.8 s off, the footage's rise stands that much away.
  run.sync->log_minus_video_s.value += 0.8;
  CHECK(rise_s(Drawn(run, "sync").at("series")[1]) == Approx(3.45).margin(0.02));
  run.sync.reset();
  CHECK(Drawn(run, "sync").is_null());
}

TEST_CASE("rows of the log lie about the point whose stretch they are in", "[src][report][chart]") {
  Run run = testing::MadeRun();
  // The drop is 0.3 bar below the gauge pressure, as with a line loss.
  for (Point& point : run.points) point.pressure_bar->value -= 0.3;
  const Json rows = SeriesNamed(Drawn(run, "flow"), "rows of the log");
  REQUIRE_FALSE(rows.is_null());
  // 2.4 s at 20 rows a second, three points.
  CHECK(rows.at("x").size() >= 3 * 47);
  CHECK(rows.at("x").size() <= 3 * 49);
  std::vector<double> first;
  for (const double bar : rows.at("x"))
    if (bar < 2.5) first.push_back(bar);
  double mean = 0.0;
  for (const double bar : first) mean += bar / static_cast<double>(first.size());
  CHECK(mean == Approx(1.7).margin(1e-4));
}

TEST_CASE("rows that no mean holds are shown as left out, not hidden", "[src][report][chart]") {
  Run run = testing::MadeRun();
  // Every row with flow is either about a point or left out.
  std::size_t flowing = 0;
  const double most = *std::max_element(run.trace.flow_kg_s.begin(), run.trace.flow_kg_s.end());
  for (const double flow : run.trace.flow_kg_s) flowing += flow >= 0.03 * most ? 1 : 0;
  const auto counts = [&] {
    const Json flow = Drawn(run, "flow");
    return std::pair{SeriesNamed(flow, "rows of the log").at("x").size(),
                     SeriesNamed(flow, "rows left out").at("x").size()};
  };
  const auto [about, left_out] = counts();
  CHECK(left_out > 20);
  CHECK(about + left_out == flowing);
  // A meter that needs half a second to follow: ten rows more.
  run.points[0].flow_from_s = *run.points[0].log_t0_s + 0.5;
  const auto [fewer, more] = counts();
  CHECK(about - fewer == more - left_out);
  CHECK(more - left_out >= 9);
  CHECK(more - left_out <= 11);
  for (const Chart& chart : ChartsOf(run)) {
    if (chart.key == "flow") CHECK(chart.note.find("Crosses: rows left out") != std::string::npos);
  }
}

TEST_CASE("a flow 2 percent above the law stands 2 percent off it", "[src][report][chart]") {
  Run run = testing::MadeRun();
  const Json before = SeriesNamed(Drawn(run, "flow"), "measured, off the law");
  // The made-up points obey the law to the digit.
  for (const double percent : before.at("y")) CHECK(percent == Approx(0.0).margin(1e-4));
  run.points[1].flow_kg_s->value *= 1.02;
  run.points[1].flow_area_mm2->value *= 1.02;
  const Json after = SeriesNamed(Drawn(run, "flow"), "measured, off the law");
  CHECK(after.at("y")[0].get<double>() == Approx(0.0).margin(1e-4));
  CHECK(after.at("y")[1].get<double>() == Approx(2.0).margin(1e-3));
}

TEST_CASE("rows too far off the law for the lower panel are counted below the chart",
          "[src][report][chart]") {
  Run run = testing::MadeRun();
  // A meter that lags: three rows at the start of point 1 read half.
  int slow = 0;
  for (std::size_t i = 0; i < run.trace.time_s.size() && slow < 3; ++i) {
    if (run.trace.time_s[i] < 3.76) continue;
    run.trace.flow_kg_s[i] *= 0.5;
    ++slow;
  }
  const Json flow = Drawn(run, "flow");
  const double reach = flow.at("y2_range")[1].get<double>();
  CHECK(reach < 20.0);
  const Json rows = SeriesNamed(flow, "rows of the log, off the law");
  CHECK(std::count_if(rows.at("y").begin(), rows.at("y").end(),
                      [&](const Json& y) { return std::abs(y.get<double>()) > reach; }) == 3);
  for (const Chart& chart : ChartsOf(run)) {
    if (chart.key != "flow") continue;
    CHECK(chart.note.find(" 3 of ") != std::string::npos);
  }
}

TEST_CASE("every frame is a dot about its point, told apart sideways, clear of the next point",
          "[src][report][chart]") {
  const Run run = testing::MadeRun();
  const Json frames = SeriesNamed(Drawn(run, "half_angle"), "single frames");
  REQUIRE(frames.at("x").size() == 3 * 144);
  double lowest = 1e9, highest = -1e9;
  for (const double bar : frames.at("x")) {
    const double away = std::min({std::abs(bar - 2.0), std::abs(bar - 4.0), std::abs(bar - 8.0)});
    CHECK(away < 0.5);
    if (bar > 3.0) continue;
    lowest = std::min(lowest, bar);
    highest = std::max(highest, bar);
  }
  CHECK(lowest < 2.0);
  CHECK(highest > 2.0);
  // The mean of both sides of the first frame: 33.4 plus half of 0.5 sin 0 + 0.5 cos 0.
  CHECK(frames.at("y")[0].get<double>() == Approx(33.65).margin(2e-3));
}

TEST_CASE("frames without a breakup are shown as such, not as a length of zero", "[src][report][chart]") {
  const Run run = testing::MadeRun();
  // Every 24th of 144 frames, three points.
  const Json in_time = Drawn(run, "frames");
  CHECK(SeriesNamed(in_time, "no breakup read").at("x").size() == 18);
  CHECK(SeriesNamed(in_time, "breakup").at("x").size() == 3 * 144 - 18);
  const Json against = SeriesNamed(Drawn(run, "breakup"), "single frames");
  CHECK(against.at("y").size() == 3 * 144 - 18);
  for (const double mm : against.at("y")) CHECK(mm > 1.0);
}

TEST_CASE("a point without the number has its place marked", "[src][report][chart]") {
  Run run = testing::MadeRun();
  run.points[1].spray.half_angle.reset();
  run.points[2].spray.breakup_mm.reset();
  CHECK(Drawn(run, "half_angle").at("missing") == Json({4}));
  CHECK(Drawn(run, "breakup").at("missing") == Json({8}));
  CHECK_FALSE(Drawn(run, "flow").contains("missing"));
  // A bound is a number.
  run.points[2].spray.breakup_lower_bound_mm = 40.0;
  CHECK_FALSE(Drawn(run, "breakup").contains("missing"));
}

TEST_CASE("readings are thinned to what was asked for, and no peak of pressure gets lost",
          "[src][report][chart]") {
  Run run = testing::MadeRun();
  run.trace.pressure_bar[201] = 12.5;
  const ChartOptions few{60};
  for (const Chart& chart : ChartsOf(run, few)) {
    INFO(chart.key);
    for (const Json& series : Json::parse(chart.json).at("series")) CHECK(series.at("x").size() <= 62);
  }
  const Json pressure = SeriesNamed(Drawn(run, "log", few), "pressure");
  CHECK(std::count(pressure.at("y").begin(), pressure.at("y").end(), Json(12.5)) == 1);
}

TEST_CASE("a log with gaps in its flow still gives a chart that a browser can read", "[src][report][chart]") {
  Run run = testing::MadeRun();
  run.trace.flow_kg_s[100] = std::nan("");
  const Json flow = SeriesNamed(Drawn(run, "log"), "flow");
  CHECK(flow.at("y")[100].is_null());
}

TEST_CASE("every chart says in words what it shows", "[src][report][chart]") {
  for (const Chart& chart : ChartsOf(testing::MadeRun())) {
    INFO(chart.key);
    CHECK(chart.words.size() > 60);
    CHECK_FALSE(chart.note.empty());
  }
}

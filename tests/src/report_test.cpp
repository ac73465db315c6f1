#include "src/report/report.h"

#include <fstream>
#include <string>

#include <catch2/catch.hpp>
#include <fmt/format.h>
#include <openssl/sha.h>

#include "sample_run.h"
#include "src/report/assets.h"
#include "src/report/charts.h"
#include "src/report/digits.h"
#include "src/report/html.h"
#include "src/report/overlay.h"
#include "src/report/point_table.h"

namespace {

using namespace conebook;
using namespace conebook::src;

bool Has(const std::string& page, const std::string& text) {
  return page.find(text) != std::string::npos;
}

std::size_t At(const std::string& page, const std::string& text) {
  const std::size_t at = page.find(text);
  INFO("looked for: " << text);
  REQUIRE(at != std::string::npos);
  return at;
}

// The page without the embedded bundle, whose own text would answer many a search.
std::string WithoutBundle(std::string page) {
  const std::string bundle(PlotlyBundle());
  const std::size_t at = page.find(bundle);
  if (at != std::string::npos) page.erase(at, bundle.size());
  return page;
}

std::string RenderedRun(const Run& run) {
  return WithoutBundle(RenderReportHtml(run));
}

}  // namespace

TEST_CASE("a value is shown to the second digit of its u", "[src][report]") {
  // JCGM 100:2008, 7.2.6: y = 10.057 62 ohm with u = 27 mohm is rounded to 10.058 ohm (from memory).
  CHECK(RoundByU(10.05762, 0.027).value == "10.058");
  CHECK(RoundByU(10.05762, 0.027).u == "0.027");
  // JCGM 100:2008, 7.2.2: m = 100.021 47 g with u = 0.35 mg (from memory).
  CHECK(RoundByU(100.02147, 0.00035).value == "100.02147");
  // By the rule itself: a u that rounds up to the next power of ten loses a place, whole numbers stay whole.
  CHECK(RoundByU(1.2345, 0.0996).u == "0.10");
  CHECK(RoundByU(1.2345, 0.0996).value == "1.23");
  CHECK(RoundByU(12345.6, 340.0).value == "12346");
  CHECK(RoundByU(-0.001, 0.12).value == "0.00");
}

TEST_CASE("text of a user cannot become markup or script", "[src][report]") {
  Run run = testing::MadeRun();
  run.element = "<script>alert(1)</script>\"&'";
  run.batch = "<img src=x onerror=alert(2)>";
  run.footage->path = "clips/</title><b>x.mp4";
  run.flags[1].message = "</script><script>alert(3)</script>";
  const std::string page = RenderedRun(run);
  CHECK_FALSE(Has(page, "<script>alert"));
  CHECK_FALSE(Has(page, "<img src=x"));
  CHECK_FALSE(Has(page, "</title><b>"));
  CHECK(Has(page, "&lt;script&gt;alert(1)&lt;/script&gt;&quot;&amp;&#39;"));
  CHECK(JsonString("</script>\n\"") == "\"\\u003c/script>\\u000a\\\"\"");
}

TEST_CASE("base64 gives the test vectors of RFC 4648, section 10", "[src][report]") {
  const auto of = [](std::string_view text) {
    return Base64({reinterpret_cast<const unsigned char*>(text.data()), text.size()});
  };
  CHECK(of("").empty());
  CHECK(of("f") == "Zg==");
  CHECK(of("fo") == "Zm8=");
  CHECK(of("foo") == "Zm9v");
  CHECK(of("foob") == "Zm9vYg==");
  CHECK(of("fooba") == "Zm9vYmE=");
  CHECK(of("foobar") == "Zm9vYmFy");
}

TEST_CASE("the embedded chart bundle is the one whose hash the README states", "[src][report]") {
  const std::string_view bundle = PlotlyBundle();
  unsigned char digest[SHA256_DIGEST_LENGTH];
  SHA256(reinterpret_cast<const unsigned char*>(bundle.data()), bundle.size(), digest);
  std::string hex;
  for (const unsigned char byte : digest) hex += fmt::format("{:02x}", byte);
  std::ifstream readme(CONEBOOK_SOURCE_DIR "/src/report/assets/README.md");
  const std::string text((std::istreambuf_iterator<char>(readme)), {});
  CHECK(Has(text, "| 4.1.1 | MIT, plotly-LICENSE.txt | " + hex + " |"));
}

TEST_CASE("a page stands alone, is small, and comes out the same each time", "[src][report]") {
  const Run run = testing::MadeRun();
  const std::string page = RenderReportHtml(run);
  CHECK(page.size() < 3'000'000);
  CHECK(page == RenderReportHtml(run));
  const std::string own = WithoutBundle(page);
  for (const char* outside : {"src=\"http", "href=\"http", "url(http", "@import", "<link", "src=\"//"})
    CHECK_FALSE(Has(own, outside));
}

TEST_CASE("a page of many points with large noisy pictures stays under 3 MB", "[src][report]") {
  Run run = testing::MadeRun();
  cv::Mat noisy(1080, 1920, CV_8U);
  cv::RNG random(7);
  random.fill(noisy, cv::RNG::UNIFORM, 0, 255);
  for (Point& point : run.points) point.spray.still = noisy;
  while (run.points.size() < 24) run.points.push_back(run.points[0]);
  CHECK(RenderReportHtml(run).size() < 3'000'000);
}

TEST_CASE("the page goes picture, verdict, table, charts, budget, inputs, cautions", "[src][report]") {
  const std::string page = RenderedRun(testing::MadeRun());
  const std::size_t order[] = {At(page, "<h2>Picture"),         At(page, "<h2>Verdict"),
                               At(page, "<h2>Pressure points"), At(page, "<h2>Against pressure drop"),
                               At(page, "<h2>In time"),         At(page, "<h2>What makes up u"),
                               At(page, "<h2>Inputs"),          At(page, "Cautions.")};
  CHECK(std::is_sorted(std::begin(order), std::end(order)));
}

TEST_CASE("pressure above the rated one is the first thing on the page", "[src][report]") {
  Run run = testing::MadeRun();
  run.flags.push_back({"above_rated_pressure", calib::Severity::kWarn, std::nullopt, "pressure_bar",
                       "The log reaches 17.2 bar; the stand is rated for 16.0 bar.",
                       "Depressurise, find out why."});
  const std::string page = RenderedRun(run);
  CHECK(At(page, "The log reaches 17.2 bar") < At(page, "<h2>Picture"));
  CHECK(At(page, "The log reaches 17.2 bar") < At(page, "Element A07</h1>"));
  // And the first of the remarks, before an earlier warning.
  CHECK(page.find("<code>above_rated_pressure") < page.find("<code>background_estimated"));
}

TEST_CASE("numbers come with u and unit, intervals with their coverage", "[src][report]") {
  const std::string page = RenderedRun(testing::MadeRun());
  CHECK(Has(page, "35.10 ± 0.26"));
  CHECK(Has(page, "(k = 1)"));
  CHECK(Has(page, "95 %: "));
  CHECK(Has(page, "10.50 ± 0.13"));  // 0.0105 kg/s, u 1.2 %, in g/s
  CHECK(Has(page, "on the exit area, 2.010 ± 0.020 mm²"));
}

TEST_CASE("a missing number says why in its cell, and in full below", "[src][report]") {
  Run run = testing::MadeRun();
  run.points[1].spray.sheet_half_angle_deg.reset();
  run.points[2].spray.breakup_mm.reset();
  run.points[2].spray.breakup_lower_bound_mm = 41.7;
  run.flags.push_back({"stations_past_breakup", calib::Severity::kWarn, 1, "sheet_half_angle_deg",
                       "The far station, 12 mm, lies past the breakup.", "Move the far station up."});
  const std::string table = PointTableHtml(run, "x-");
  CHECK(Has(table, "none: stations past breakup <sup>1</sup>"));
  CHECK(Has(table, "<li>The far station, 12 mm, lies past the breakup.</li>"));
  CHECK(Has(table, "&gt; 41.7"));
}

TEST_CASE("without a log there is no chart against pressure and none of the log", "[src][report]") {
  Run run = testing::MadeRun();
  run.log.reset();
  run.trace = {};
  run.flow_law.reset();
  run.sync.reset();
  run.points.resize(1);
  Point& point = run.points[0];
  point.pressure_bar.reset();
  point.flow_kg_s.reset();
  point.flow_area_mm2.reset();
  point.cd.reset();
  const std::vector<Chart> charts = ChartsOf(run);
  REQUIRE(charts.size() == 1);
  CHECK(charts[0].key == "frames");
  const std::string page = RenderedRun(run);
  CHECK_FALSE(Has(page, "Mass flow"));
  CHECK(Has(page, "No stand log"));
}

TEST_CASE("a flow-only run has no picture and no angle, and says so", "[src][report]") {
  Run run = testing::MadeRun();
  run.footage.reset();
  run.sync.reset();
  for (Point& point : run.points) {
    point.spray = {};
    point.video.reset();
  }
  const std::string page = RenderedRun(run);
  CHECK_FALSE(Has(page, "<h2>Picture"));
  CHECK_FALSE(Has(page, "Half-cone angle"));
  CHECK(Has(page, "Flow only"));
  CHECK(Has(page, "Mass flow"));
}

TEST_CASE("a rejected run says why before anything else, and shows no numbers", "[src][report]") {
  Run run = testing::MadeRun();
  run.points.clear();
  run.trace = {};
  run.flow_law.reset();
  run.flags = {{"no_spray", calib::Severity::kReject, std::nullopt, std::nullopt,
                "Nothing changes below the exit: 0.3 % of full scale, 4.5 % needed.",
                "Check exit_px and the valve."}};
  const std::string page = RenderedRun(run);
  CHECK(Has(page, "Not measured: the footage cannot support a number."));
  CHECK(Has(page, "Nothing changes below the exit: 0.3 % of full scale, 4.5 % needed."));
  CHECK(Has(page, "Check exit_px and the valve."));
  CHECK_FALSE(Has(page, "<h2>Pressure points"));
  // No charts, so no bundle: the page is light.
  CHECK(RenderReportHtml(run).size() < 60'000);
}

TEST_CASE("the fitted curve passes through the points that obey the square-root law", "[src][report]") {
  const std::vector<Chart> charts = ChartsOf(testing::MadeRun());
  REQUIRE(charts[0].key == "flow");
  // m = c * sqrt(p) with 10.5 g/s at 4 bar: the curve's last point lies at 1.08 * 8 bar.
  CHECK(Has(charts[0].json, "8.64"));
  CHECK(Has(charts[0].json, fmt::format("{:.6g}", 10.5 * std::sqrt(8.64 / 4.0))));
}

TEST_CASE("the budget lists the largest share first", "[src][report]") {
  const std::string budget = BudgetHtml(testing::MadeRun());
  CHECK(At(budget, "pressure sensor (assumed 0.5 %)") < At(budget, "statistics of the frames"));
  // Made of 0.8 u and 0.6 u: shares 0.64 and 0.36.
  CHECK(Has(budget, "64 %"));
  CHECK(Has(budget, "36 %"));
}

TEST_CASE("a scale bar is 1, 2 or 5 times a power of ten", "[src][report]") {
  CHECK(RoundScaleLength(23.0) == Approx(20.0));
  CHECK(RoundScaleLength(9.99) == Approx(5.0));
  CHECK(RoundScaleLength(1.0) == Approx(1.0));
  CHECK(RoundScaleLength(0.07) == Approx(0.05));
}

TEST_CASE("what is drawn lies where it was measured, for every spray direction", "[src][report]") {
  for (const double axis_deg : {0.0, 90.0, 180.0}) {
    INFO("axis " << axis_deg);
    Run run;
    run.exit_px = {400.0, 300.0};
    run.axis_deg = axis_deg;
    run.has_scale = true;
    run.px_per_mm = testing::Plain(10.0, 0.1);
    Point point;
    point.spray.breakup_mm = testing::Plain(15.0, 0.5);
    const Overlay overlay = BuildOverlay(run, point, {800, 600});
    const auto front = std::find_if(overlay.strokes.begin(), overlay.strokes.end(),
                                    [](const Stroke& stroke) { return stroke.ink == Ink::kBreakup; });
    REQUIRE(front != overlay.strokes.end());
    const cv::Point2f middle = (front->points.front() + front->points.back()) * 0.5F;
    // 0 down, 90 to the image's right, 180 up: 15 mm at 10 px/mm.
    CHECK(middle.x == Approx(axis_deg == 90.0 ? 550.0 : 400.0).margin(0.01));
    CHECK(middle.y == Approx(axis_deg == 0.0 ? 450.0 : axis_deg == 90.0 ? 300.0 : 150.0).margin(0.01));
  }
}

TEST_CASE("the fitted line carried back meets the exit plane", "[src][report]") {
  const Run run = testing::MadeRun();
  const Overlay overlay = BuildOverlay(run, run.points[0], run.points[0].spray.still.size());
  int met = 0;
  for (const Stroke& stroke : overlay.strokes)
    if (stroke.ink == Ink::kLine && stroke.extension && std::abs(stroke.points[0].y - 82.5F) < 0.01F) ++met;
  CHECK(met == 2);
  const cv::Rect image({0, 0}, run.points[0].spray.still.size());
  CHECK((overlay.crop & image) == overlay.crop);
  CHECK(overlay.crop.contains(cv::Point(640, 82)));
}

TEST_CASE("no boundary is drawn across rows that do not count", "[src][report]") {
  Run run = testing::MadeRun();
  std::vector<cv::Point2f>& left = run.points[0].spray.boundary_left;
  REQUIRE(left.size() > 60);
  const auto strokes = [&] {
    const Overlay overlay = BuildOverlay(run, run.points[0], run.points[0].spray.still.size());
    return std::count_if(overlay.strokes.begin(), overlay.strokes.end(),
                         [](const Stroke& stroke) { return stroke.ink == Ink::kBoundary; });
  };
  CHECK(strokes() == 2);
  const float above = left[19].y, below = left[45].y;
  left.erase(left.begin() + 20, left.begin() + 45);
  CHECK(strokes() == 3);
  for (const Stroke& stroke : BuildOverlay(run, run.points[0], run.points[0].spray.still.size()).strokes) {
    if (stroke.ink != Ink::kBoundary || stroke.points.front().x > 640.0F) continue;
    CHECK((stroke.points.back().y <= above || stroke.points.front().y >= below));
  }
}

TEST_CASE("the legend names what is drawn and nothing else", "[src][report]") {
  Run run = testing::MadeRun();
  const auto legend = [&] {
    const std::string page = WithoutBundle(RenderReportHtml(run));
    const auto from = page.find("<ul class=\"legend\">");
    return from == std::string::npos ? std::string() : page.substr(from, page.find("</ul>", from) - from);
  };
  CHECK(Has(legend(), "end of the sheet"));
  CHECK(Has(legend(), "visible boundary"));
  for (Point& point : run.points) point.spray.breakup_mm.reset();
  CHECK_FALSE(Has(legend(), "end of the sheet"));
  CHECK(Has(legend(), "fitted lines"));
}

TEST_CASE("drawing on pixels changes them along the strokes and nowhere far from them", "[src][report]") {
  const Run run = testing::MadeRun();
  cv::Mat image(720, 1280, CV_8UC3, cv::Scalar(196, 196, 196));
  const Overlay overlay = BuildOverlay(run, run.points[0], image.size());
  DrawOverlay(image, overlay);
  const cv::Point2f on_line = (run.points[0].spray.line_left[0] + run.points[0].spray.line_left[1]) * 0.5F;
  CHECK(image.at<cv::Vec3b>(cv::Point(on_line)) != cv::Vec3b(196, 196, 196));
  CHECK(image.at<cv::Vec3b>(700, 20) == cv::Vec3b(196, 196, 196));
  CHECK(image.at<cv::Vec3b>(20, 1260) == cv::Vec3b(196, 196, 196));
}

TEST_CASE("a day's page lists every clip, links to its section, and names what could not be tried",
          "[src][report]") {
  DayReport day;
  day.name = "First day <1>";
  day.sheet_path = "DAY.toml";
  day.entries.push_back({"a07_phone.mp4", "A07", "reamed", testing::MadeRun(), ""});
  day.entries.push_back({"b02.mp4", "B02", "eroded", std::nullopt, "b02.mp4: no such file"});
  const std::string page = WithoutBundle(RenderDayReportHtml(day));
  CHECK(Has(page, "First day &lt;1&gt;"));
  CHECK(Has(page, "href=\"#run-1\""));
  CHECK(Has(page, "id=\"run-1\""));
  CHECK(Has(page, "b02.mp4: no such file"));
  CHECK(Has(page, "33.40 to 36.80</td>"));
  CHECK(RenderDayReportHtml(day).size() < 3'000'000);
}

TEST_CASE("labels keep a line's height apart and inside the picture", "[src][report]") {
  Run run = testing::MadeRun();
  // Breakup right below the far station, where both labels want the same place.
  for (cv::Point2f& p : run.points[0].spray.breakup_front) p.y = 190.0F;
  run.points[0].spray.boundary_left.resize(60);
  run.points[0].spray.boundary_right.resize(60);
  const Overlay overlay = BuildOverlay(run, run.points[0], {1280, 720});
  const float line = 0.049F * static_cast<float>(overlay.crop.width);
  std::vector<Label> right;
  for (const Label& label : overlay.labels) {
    CHECK(label.at.x >= static_cast<float>(overlay.crop.x));
    CHECK(label.at.x <= static_cast<float>(overlay.crop.x + overlay.crop.width));
    if (label.ink != Ink::kScale && label.at.x > 640.0F) right.push_back(label);
  }
  REQUIRE(right.size() == 4);  // near, far, right, breakup
  for (std::size_t i = 0; i < right.size(); ++i)
    for (std::size_t k = 0; k < i; ++k) CHECK(std::abs(right[i].at.y - right[k].at.y) > line);
}

TEST_CASE("a day of many runs stays under 3 MB, all runs in the same detail, and says what is left out",
          "[src][report]") {
  DayReport day;
  for (int i = 0; i < 60; ++i)
    day.entries.push_back({"clip.mp4", fmt::format("E{:02d}", i), "reamed", testing::MadeRun(), ""});
  const std::string page = RenderDayReportHtml(day);
  CHECK(page.size() < 3'000'000);
  for (int i = 1; i <= 60; ++i) CHECK(Has(page, fmt::format("<article id=\"run-{}\">", i)));
  CHECK(Has(page, "To keep this page small, pictures, charts and the make-up of u are left out"));
  day.entries.resize(12);
  const std::string shorter = RenderDayReportHtml(day);
  CHECK(shorter.size() < 3'000'000);
  CHECK(Has(shorter, "<h2>Against pressure drop"));
}

TEST_CASE("a file's name breaks after the signs that part it, and nowhere within a word", "[src][report]") {
  CHECK(FileNameHtml("DAY.toml") == "DAY.<wbr>toml");
  CHECK(FileNameHtml("a/b_c-1.mp4") == "a/<wbr>b_<wbr>c-<wbr>1.<wbr>mp4");
  CHECK(FileNameHtml("R03") == "R03");
  CHECK(FileNameHtml("<b>.") == "&lt;b&gt;.");
  DayReport day;
  day.sheet_path = "sheet_of_the_first_day.toml";
  CHECK(Has(RenderDayReportHtml(day), "sheet_<wbr>of_<wbr>the_<wbr>first_<wbr>day.<wbr>toml"));
}

TEST_CASE("title blocks give the date of the test and how it is known", "[src][report]") {
  Run run = testing::MadeRun();
  CHECK(Has(RenderedRun(run), "<span>Date</span><b>not stated</b>"));
  run.date = "2026-11-25";
  run.date_from = "footage";
  CHECK(Has(RenderedRun(run), "2026-11-25</span><small>from the footage</small>"));
  DayReport day;
  day.entries.push_back({"a.mp4", "A07", "", run, ""});
  run.date = "2026-11-27";
  day.entries.push_back({"b.mp4", "A07", "", run, ""});
  CHECK(Has(WithoutBundle(RenderDayReportHtml(day)),
            "<span class=\"date\">2026-11-25</span> to <span class=\"date\">2026-11-27</span>"));
}

TEST_CASE("a log that cannot support a number is not blamed on footage", "[src][report]") {
  Run run = testing::MadeRun();
  run.footage.reset();
  run.points.clear();
  run.flags = {{"no_steady_pressure", calib::Severity::kReject, std::nullopt, "pressure_bar",
                "the log holds no pressure point", "hold each pressure for a second or more"}};
  const std::string page = RenderedRun(run);
  CHECK(Has(page, "Not measured: the log cannot support a number."));
  CHECK(Has(page, "<p>The log holds no pressure point.</p>"));
  // The stand log is shown all the same.
  CHECK(Has(page, "<h3>Stand log</h3>"));
}

TEST_CASE("more points than a sheet of paper is wide go into tables below each other", "[src][report]") {
  Run run = testing::MadeRun();
  while (run.points.size() < 14) run.points.push_back(run.points[0]);
  const std::string table = PointTableHtml(run, "x-");
  const auto count = [&](const std::string& text) {
    int found = 0;
    for (std::size_t at = table.find(text); at != std::string::npos; at = table.find(text, at + 1)) ++found;
    return found;
  };
  CHECK(count("<table") == 3);
  for (int i = 1; i <= 14; ++i) CHECK(count(fmt::format(">Point {}</th>", i)) == 1);
  CHECK(count("Frames used") == 3);
}

// Not run by ctest: writes pages to look at into the working folder.
TEST_CASE("write sample pages", "[.pages]") {
  Run run = testing::MadeRun();
  run.points[1].spray.sheet_half_angle_deg.reset();
  run.points[2].spray.breakup_mm.reset();
  run.points[2].spray.breakup_front.clear();
  run.points[2].spray.breakup_lower_bound_mm = 41.7;
  run.flags.push_back({"stations_past_breakup", calib::Severity::kWarn, 1, "sheet_half_angle_deg",
                       "The far station, 12 mm, lies past the breakup.", "Move the far station up."});
  std::ofstream("page.html") << RenderReportHtml(run);
  Run rejected = testing::MadeRun();
  rejected.points.clear();
  rejected.trace = {};
  rejected.flow_law.reset();
  rejected.flags = {{"no_spray", calib::Severity::kReject, std::nullopt, std::nullopt,
                     "Nothing changes below the exit: 0.3 % of full scale, 4.5 % needed.",
                     "Check exit_px and the valve."}};
  std::ofstream("rejected.html") << RenderReportHtml(rejected);
  Run flow_only = testing::MadeRun();
  flow_only.footage.reset();
  flow_only.sync.reset();
  for (Point& point : flow_only.points) {
    point.spray = {};
    point.video.reset();
  }
  std::ofstream("flow_only.html") << RenderReportHtml(flow_only);
  Run tied_wrongly = testing::MadeRun();
  tied_wrongly.sync->log_minus_video_s.value += 2.0;
  std::ofstream("tied_wrongly.html") << RenderReportHtml(tied_wrongly);
  Run many = testing::MadeRun();
  for (int i = 0; i < 7; ++i) {
    many.points.push_back(testing::MadePoint(9.0 + i, 37.0, 21.0, 12.0));
    many.points.back().log_t0_s = 13.3 + 0.4 * i;
    many.points.back().log_t1_s = 13.6 + 0.4 * i;
    many.points.back().video = vision::TimeSpan{12.0 + 0.4 * i, 12.3 + 0.4 * i};
    many.points.back().spray.series.clear();
  }
  std::ofstream("many_points.html") << RenderReportHtml(many);
  Run rated = testing::MadeRun();
  rated.flags.push_back({"above_rated_pressure", calib::Severity::kWarn, std::nullopt, "pressure_bar",
                         "The log reaches 17.2 bar; the stand is rated for 16.0 bar.",
                         "Depressurise, find out why."});
  std::ofstream("rated.html") << RenderReportHtml(rated);
  DayReport day{"First day", "DAY_of_the_reamed_and_the_eroded_elements.toml", {}, {}};
  day.entries.push_back({"a07_phone.mp4", "A07", "reamed", run, ""});
  day.entries.push_back({"a08_phone.mp4", "A08", "reamed", rated, ""});
  day.entries.push_back({"a09.mp4", "A09", "eroded", rejected, ""});
  day.entries.push_back({"b02.mp4", "B02", "eroded", std::nullopt, "b02.mp4: no such file"});
  std::ofstream("day.html") << RenderDayReportHtml(day);
}

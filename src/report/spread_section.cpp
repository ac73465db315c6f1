#include "src/report/spread_section.h"

#include <algorithm>
#include <cmath>
#include <utility>
#include <vector>

#include <fmt/format.h>

#include "src/report/chart.h"
#include "src/report/digits.h"
#include "src/report/html.h"
#include "src/report/point_table.h"

namespace conebook::src {
namespace {

constexpr std::size_t kMostCharts = 4;  // points

std::string Row(const std::string& term, const char* hint, const calib::Quantity& quantity,
                const char* unit) {
  return fmt::format(
      "<tr><th scope=\"row\">{}<small>{}</small></th><td class=\"unit\">{}</td><td><span "
      "class=\"v\">{}</span>"
      "<span class=\"iv\">95 %: {}</span></td></tr>",
      term, hint, unit, ValueWithU(quantity), IntervalText(quantity));
}

std::string Table(const std::string& rows, const char* label) {
  return fmt::format(
      "<div class=\"scroll\" tabindex=\"0\" role=\"region\" aria-label=\"{}\"><table "
      "class=\"points\"><thead><tr>"
      "<th scope=\"col\">Quantity</th><th scope=\"col\">Unit</th><th scope=\"col\">Value</th></tr></thead>"
      "<tbody>{}</tbody></table></div>",
      label, rows);
}

calib::Quantity Percent(calib::Quantity part) {
  constexpr double kPercent = 100.0;
  part.value *= kPercent;
  part.u *= kPercent;
  for (calib::Contribution& contribution : part.budget) contribution.u *= kPercent;
  return part;
}

Chart AcrossChart(const vision::Evenness& evenness) {
  ChartData data;
  data.key = "across";
  data.x_title = "angle in the picture, °, right of the spray's middle";
  data.y_title = "absorbance, mean of frames";
  AddBanded(data, "absorbance", 1, evenness.angle_deg, evenness.absorbance, evenness.u_absorbance);
  Series marks;
  marks.name = "streaks";
  marks.hue = 2;
  for (const vision::Streak& streak : evenness.streaks) {
    std::size_t nearest = 0;
    for (std::size_t k = 0; k < evenness.angle_deg.size(); ++k) {
      if (std::abs(evenness.angle_deg[k] - streak.angle_deg) <
          std::abs(evenness.angle_deg[nearest] - streak.angle_deg))
        nearest = k;
    }
    marks.x.push_back(streak.angle_deg);
    marks.y.push_back(evenness.absorbance[nearest]);
  }
  if (!marks.x.empty()) data.series.push_back(std::move(marks));
  Chart chart;
  chart.key = data.key;
  chart.title = "Light hidden across the picture";
  chart.words = fmt::format(
      "Mean absorbance across the spray below the end of its sheet, against the angle from its "
      "middle; {} streak{}.",
      evenness.streaks.size(), evenness.streaks.size() == 1 ? "" : "s");
  chart.note =
      "A hollow cone shows two humps, one for each wall seen from the side; unlike halves are an uneven "
      "spray, a narrow peak that stands in every frame is a streak.";
  chart.json = ChartJson(data);
  return chart;
}

Chart ProfileChart(const vision::Evenness& evenness) {
  const vision::ExtinctionProfile& profile = *evenness.profile;
  ChartData data;
  data.key = "profile";
  data.x_title = "radius, mm";
  data.y_title = "extinction, 1/mm";
  data.from_zero = true;
  AddBanded(data, "extinction", 1, profile.radius_mm, profile.extinction_per_mm, profile.u_per_mm);
  Chart chart;
  chart.key = data.key;
  chart.title = "Extinction about the axis";
  chart.words = fmt::format(
      "Extinction against the distance from the axis, {:.1f} mm below the exit: largest at "
      "{} mm.",
      evenness.at_mm, ValueWithU(profile.peak_radius_mm));
  chart.note =
      "Where the drops are, if the spray is round: the place of the hump is the wall of the cone, what is "
      "left at radius 0 fills it. Extinction, not mass: drops hide light by their area, so fine ones count "
      "for more.";
  chart.json = ChartJson(data);
  return chart;
}

std::string PointHtml(const Run& run, std::size_t k, bool with_charts) {
  const vision::Evenness& evenness = *run.points[k].spray.evenness;
  std::string out;
  if (run.points.size() > 1) out += "<h3>" + EscapeHtml(PointInWords(run, static_cast<int>(k))) + "</h3>";
  std::string rows =
      Row("Right against left", "(right − left) / all of the light hidden", Percent(evenness.balance), "%");
  if (evenness.profile) {
    const vision::ExtinctionProfile& profile = *evenness.profile;
    rows += Row("Peak radius", "where the extinction is largest", profile.peak_radius_mm, "mm");
    rows +=
        Row("Peak angle", "of the ray from the exit to it, against the axis", profile.peak_angle_deg, "°");
    rows += Row("Hollowness",
                profile.peak_on_axis ? "the peak lies on the axis: it says little"
                                     : "1: nothing within half the peak radius; 0: as much as at the peak",
                profile.hollowness, "1");
  }
  out += Table(rows, "How the spray is spread");
  if (!evenness.profile)
    out += "<p class=\"hint\">No profile about the axis: " + EscapeHtml(evenness.no_profile) + ".</p>";
  std::string streaks;
  for (const vision::Streak& streak : evenness.streaks) {
    calib::Quantity size = Percent(streak.strength);
    size.value = std::abs(size.value);
    streaks += fmt::format("<li>at {:.1f}° {} of the middle: {} % {} than about it</li>",
                           std::abs(streak.angle_deg), streak.angle_deg < 0.0 ? "left" : "right",
                           ValueWithU(size), streak.strength.value > 0.0 ? "more" : "less");
  }
  out +=
      streaks.empty()
          ? fmt::format("<p>No streak stands out; one of {:.0f} % would.</p>", 100.0 * evenness.least_streak)
          : "<p>Streaks, rays that hide more or less light than their surroundings throughout:</p><ul>" +
                streaks + "</ul>";
  if (with_charts) {
    out += "<div class=\"charts\">" + ChartHtml(AcrossChart(evenness));
    if (evenness.profile) out += ChartHtml(ProfileChart(evenness));
    out += "</div>";
  }
  return out;
}

Chart CollectedChart(const calib::Patternation& collected) {
  const bool sectors = !collected.sectors.empty();
  ChartData data;
  data.key = "collected";
  data.x_title = sectors ? "angle of the collector from the datum mark, °" : "ring, from the axis";
  data.y_title = "share of the mass, %";
  data.from_zero = true;
  Series shares;
  shares.name = "collected";
  Series even;
  even.name = "even";
  even.look = Look::kCurve;
  even.hue = 0;
  const auto& flows = sectors ? collected.sectors : collected.rings;
  for (const calib::CollectorFlow& flow : flows) {
    shares.x.push_back(sectors ? flow.angle_deg : static_cast<double>(flow.index));
    shares.y.push_back(100.0 * flow.share.value);
    shares.ey.push_back(100.0 * Half95(flow.share));
    even.x.push_back(shares.x.back());
    even.y.push_back(100.0 / static_cast<double>(flows.size()));
  }
  data.series.push_back(std::move(shares));
  if (sectors) data.series.push_back(std::move(even));
  Chart chart;
  chart.key = data.key;
  chart.title = "Mass that the collectors caught";
  chart.words =
      fmt::format("Share of the mass of each of {} {}.", flows.size(), sectors ? "sectors" : "rings");
  chart.note =
      sectors ? "Dashed: what each sector of an even spray would catch. A wave once around is a spray that "
                "leans or is thicker on one side; a single high sector is a streak."
              : "Rings outwards from the axis; wide rings catch more of an even spray.";
  chart.json = ChartJson(data);
  return chart;
}

std::string CollectedHtml(const calib::Patternation& collected, bool with_charts) {
  std::string rows = Row("Caught in all", "all collectors together", collected.total_g_s, "g/s");
  if (collected.non_uniformity) {
    rows += Row(
        "Non-uniformity",
        fmt::format("share that would have to move to make all sectors alike; weighing alone shows {:.1f} %",
                    100.0 * collected.non_uniformity_by_noise)
            .c_str(),
        Percent(*collected.non_uniformity), "%");
  }
  if (collected.imbalance) {
    rows += Row("Imbalance", "first harmonic of the flow about the axis, of the mean",
                Percent(collected.imbalance->relative), "%");
    if (collected.imbalance->direction_deg)
      rows += Row("Most flow at", "from the datum mark, counter-clockwise looking upstream",
                  *collected.imbalance->direction_deg, "°");
  }
  if (collected.mean_radius_mm)
    rows += Row("Mean radius", "of the mass, by the rings' middles", *collected.mean_radius_mm, "mm");
  std::string out = "<h3>Mass, by collectors</h3>" + Table(rows, "What the collectors caught");
  if (collected.largest_over_smallest)
    out += fmt::format("<p class=\"hint\">Largest sector over smallest: {:.2f}.</p>",
                       *collected.largest_over_smallest);
  if (with_charts) out += "<div class=\"charts\">" + ChartHtml(CollectedChart(collected)) + "</div>";
  return out;
}

}  // namespace

std::string SpreadHtml(const Run& run, bool with_charts) {
  std::string points;
  std::size_t charts = 0;
  for (std::size_t k = 0; k < run.points.size(); ++k) {
    if (!run.points[k].spray.evenness) continue;
    points += PointHtml(run, k, with_charts && charts < kMostCharts);
    ++charts;
  }
  if (points.empty() && !run.collected) return "";
  std::string out = "<section><h2>How the spray is spread</h2>";
  if (!points.empty())
    out +=
        "<p class=\"hint\">Below the end of the sheet, by the light that the drops hide: extinction, not "
        "mass. "
        "Mass needs collectors.</p>" +
        points;
  if (run.collected) out += CollectedHtml(*run.collected, with_charts);
  return out + "</section>";
}

}  // namespace conebook::src

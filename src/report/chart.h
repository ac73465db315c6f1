// A chart as data for the page's script: what to plot and what it says in words; how it looks is the page's
// matter (assets/report.js). Error bars are 95 % intervals.
#pragma once

#include <cstddef>
#include <optional>
#include <string>
#include <utility>
#include <vector>

#include <calib/quantity.h>

namespace conebook::src {

struct Chart {
  std::string key;  // "flow", "half_angle", "breakup", "log", "sync", "frames"; of elements "by_run" ..
  std::string title;
  std::string words;     // what a reader sees in it, for those who cannot
  std::string json;      // for report.js
  std::string note;      // the line under it
  bool in_time = false;  // over log or video time, and wide
  bool tall = false;
};

enum class Look {
  kPoints,      // measured, with bars
  kCloud,       // single readings behind the points
  kDots,        // single readings on their own
  kCurve,       // a fitted law
  kTrace,       // a line through closely spaced readings
  kStepped,     // the same, each reading held until the next: frames
  kBound,       // the value is larger than this
  kJoined,      // measured, of one run: joined by a thin line
  kOlder,       // measured, of runs that are not told apart
  kImported,    // not measured by this program: open marks, always named in the legend
  kSuperseded,  // on record, no longer counted
  kNotRead      // a frame without this reading, drawn on the axis
};

struct Series {
  std::string name;
  Look look = Look::kPoints;
  int hue = 1;    // 1 to 5, colour and shape of the mark; 0: neutral
  int panel = 1;  // 2: the lower one of two
  std::vector<double> x, y, ex, ey;
};

struct ChartBand {
  double from = 0.0, to = 0.0;
  std::string label;
};

// The moment when the spray starts, and within what it is known (95 %).
struct ChartMoment {
  double at = 0.0, from = 0.0, to = 0.0;
};

struct ChartData {
  std::string key;
  std::string x_title, y_title, y2_title;  // y2: of the lower panel
  std::vector<Series> series;
  bool from_zero = false;  // both axes of the upper panel
  bool y2_from_zero = false;
  std::optional<std::pair<double, double>> y2_range;
  std::optional<std::pair<double, double>> range;  // of x
  std::vector<ChartBand> points;                   // outlined
  std::vector<ChartBand> gaps;                     // shaded: in no pressure point
  std::optional<ChartBand> clip;
  std::optional<ChartMoment> spray_start;
  std::vector<double> missing;                        // x of points without a number, marked on the axis
  std::vector<std::pair<double, std::string>> ticks;  // instead of numbers along x
};

std::string ChartJson(const ChartData& data);

// A line through y and the dashed outline of its 95 % band, 1.96 u either way.
void AddBanded(ChartData& data, const char* name, int hue, const std::vector<double>& x,
               const std::vector<double>& y, const std::vector<double>& u);

std::string ChartHtml(const Chart& chart);

// Half of the 95 % interval.
double Half95(const calib::Quantity& quantity);

// "name: 4 points, from 1.2 to 3.4 unit. "; empty for an empty series.
std::string InWords(const Series& series, const std::string& unit);

// Every how many readings to take so that at most `most` are left.
std::size_t ThinningStep(std::size_t readings, std::size_t most);

// A place in -1 to 1 for reading i, so that readings at one x can be told apart: even, the same each time,
// with no pattern in time.
double SidewaysPlace(std::size_t i);

}  // namespace conebook::src

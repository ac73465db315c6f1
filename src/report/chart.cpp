#include "src/report/chart.h"

#include <algorithm>
#include <cmath>
#include <utility>

#include <fmt/format.h>

#include "src/report/html.h"

namespace conebook::src {
namespace {

std::string Number(double value) {
  return std::isfinite(value) ? fmt::format("{:.6g}", value) : "null";
}

template <typename Items, typename Format>
std::string Listed(const Items& items, const Format& format) {
  std::string out = "[";
  for (const auto& item : items) out += (out.size() > 1 ? "," : "") + format(item);
  return out + "]";
}

const char* NameOf(Look look) {
  switch (look) {
    case Look::kPoints:
      return "points";
    case Look::kCloud:
      return "cloud";
    case Look::kDots:
      return "dots";
    case Look::kCurve:
      return "curve";
    case Look::kTrace:
      return "trace";
    case Look::kStepped:
      return "stepped";
    case Look::kBound:
      return "bound";
    case Look::kJoined:
      return "joined";
    case Look::kOlder:
      return "older";
    case Look::kImported:
      return "imported";
    case Look::kSuperseded:
      return "superseded";
    case Look::kNotRead:
      return "not_read";
  }
  return "points";
}

std::string SeriesJson(const Series& series) {
  std::string out = fmt::format("{{\"name\":{},\"look\":\"{}\",\"hue\":{},\"panel\":{},\"x\":{},\"y\":{}",
                                JsonString(series.name), NameOf(series.look), series.hue, series.panel,
                                Listed(series.x, Number), Listed(series.y, Number));
  if (!series.ex.empty()) out += ",\"ex\":" + Listed(series.ex, Number);
  if (!series.ey.empty()) out += ",\"ey\":" + Listed(series.ey, Number);
  return out + "}";
}

// Two panels of one trace each name them on their axes. Imported results are named even when alone.
bool NeedsLegend(const ChartData& data) {
  const auto is = [](Look look) { return [look](const Series& series) { return series.look == look; }; };
  if (std::all_of(data.series.begin(), data.series.end(), is(Look::kTrace))) return false;
  return data.series.size() > 1 || std::any_of(data.series.begin(), data.series.end(), is(Look::kImported));
}

std::string BandJson(const ChartBand& band) {
  return fmt::format("{{\"from\":{},\"to\":{},\"label\":{}}}", Number(band.from), Number(band.to),
                     JsonString(band.label));
}

}  // namespace

std::string ChartJson(const ChartData& data) {
  std::string out =
      fmt::format("{{\"key\":{},\"x\":{},\"y\":{},\"series\":{}", JsonString(data.key),
                  JsonString(data.x_title), JsonString(data.y_title), Listed(data.series, SeriesJson));
  if (NeedsLegend(data)) out += ",\"legend\":true";
  if (!data.y2_title.empty()) out += ",\"y2\":" + JsonString(data.y2_title);
  if (data.from_zero) out += ",\"from_zero\":true";
  if (data.y2_from_zero) out += ",\"y2_from_zero\":true";
  if (data.y2_range)
    out += fmt::format(",\"y2_range\":[{},{}]", Number(data.y2_range->first), Number(data.y2_range->second));
  if (data.range)
    out += fmt::format(",\"range\":[{},{}]", Number(data.range->first), Number(data.range->second));
  if (!data.points.empty()) out += ",\"points\":" + Listed(data.points, BandJson);
  if (!data.gaps.empty()) out += ",\"gaps\":" + Listed(data.gaps, BandJson);
  if (data.clip) out += ",\"clip\":" + BandJson(*data.clip);
  if (data.spray_start)
    out += fmt::format(",\"spray_start\":{{\"at\":{},\"from\":{},\"to\":{}}}", Number(data.spray_start->at),
                       Number(data.spray_start->from), Number(data.spray_start->to));
  if (!data.missing.empty()) out += ",\"missing\":" + Listed(data.missing, Number);
  if (!data.ticks.empty())
    out += ",\"ticks\":{\"at\":" + Listed(data.ticks, [](const auto& tick) { return Number(tick.first); }) +
           ",\"text\":" + Listed(data.ticks, [](const auto& tick) { return JsonString(tick.second); }) + "}";
  return out + "}";
}

std::string ChartHtml(const Chart& chart) {
  return fmt::format(
      "<figure class=\"chart {}{}\"><h3>{}</h3><div class=\"plot\" role=\"img\" aria-label=\"{}\"></div>"
      "<script type=\"application/json\">{}</script><figcaption>{}</figcaption></figure>",
      chart.key, chart.tall ? " tall" : "", EscapeHtml(chart.title), EscapeHtml(chart.words), chart.json,
      EscapeHtml(chart.note));
}

void AddBanded(ChartData& data, const char* name, int hue, const std::vector<double>& x,
               const std::vector<double>& y, const std::vector<double>& u) {
  constexpr double kInterval = 1.96;
  Series line, band;
  line.name = name;
  line.look = Look::kTrace;
  line.hue = hue;
  line.x = x;
  line.y = y;
  band.name = "95 %";
  band.look = Look::kCurve;
  band.hue = 0;
  for (std::size_t k = 0; k < x.size(); ++k) {
    band.x.push_back(x[k]);
    band.y.push_back(y[k] - kInterval * u[k]);
  }
  for (std::size_t k = x.size(); k-- > 0;) {
    band.x.push_back(x[k]);
    band.y.push_back(y[k] + kInterval * u[k]);
  }
  data.series.push_back(std::move(line));
  data.series.push_back(std::move(band));
}

double Half95(const calib::Quantity& quantity) {
  return calib::CoverageFactor95(quantity.dof) * quantity.u;
}

std::string InWords(const Series& series, const std::string& unit) {
  if (series.y.empty()) return "";
  const auto [lowest, highest] = std::minmax_element(series.y.begin(), series.y.end());
  return fmt::format("{}: {} points, from {:.4g} to {:.4g} {}. ", series.name, series.y.size(), *lowest,
                     *highest, unit);
}

std::size_t ThinningStep(std::size_t readings, std::size_t most) {
  return most == 0 ? readings + 1 : std::max<std::size_t>(1, (readings + most - 1) / most);
}

double SidewaysPlace(std::size_t i) {
  // Multiples of the golden ratio, less whole turns: neighbours in time lie far apart.
  constexpr double kGolden = 0.618033988749895;
  const double turns = kGolden * static_cast<double>(i + 1);
  return 2.0 * (turns - std::floor(turns)) - 1.0;
}

}  // namespace conebook::src

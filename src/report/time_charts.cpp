#include "src/report/time_charts.h"

#include <algorithm>
#include <cmath>
#include <utility>
#include <vector>

#include <fmt/format.h>

namespace conebook::src {
namespace {

constexpr double kGramsPerKilogram = 1000.0;

bool HasTrace(const Run& run) {
  return run.trace.time_s.size() >= 2 && run.trace.pressure_bar.size() == run.trace.time_s.size();
}

// Rows to draw: all, or the lowest and the highest pressure of every bucket, so that no peak gets lost.
std::vector<std::size_t> RowsToDraw(const LogTrace& trace, std::size_t most) {
  std::vector<std::size_t> rows;
  const std::size_t step = 2 * ThinningStep(trace.time_s.size(), most);
  for (std::size_t from = 0; from < trace.time_s.size(); from += step) {
    const std::size_t to = std::min(trace.time_s.size(), from + step);
    if (step == 2) {
      for (std::size_t i = from; i < to; ++i) rows.push_back(i);
      continue;
    }
    const auto begin = trace.pressure_bar.begin();
    const auto [low, high] = std::minmax_element(begin + static_cast<std::ptrdiff_t>(from),
                                                 begin + static_cast<std::ptrdiff_t>(to));
    const auto a = static_cast<std::size_t>(low - begin), b = static_cast<std::size_t>(high - begin);
    rows.push_back(std::min(a, b));
    if (a != b) rows.push_back(std::max(a, b));
  }
  return rows;
}

// What of a span lies in none of the bands; bands in order.
std::vector<ChartBand> GapsBetween(std::vector<ChartBand> bands, std::pair<double, double> span) {
  std::stable_sort(bands.begin(), bands.end(), [](const auto& a, const auto& b) { return a.from < b.from; });
  std::vector<ChartBand> gaps;
  double reached = span.first;
  for (const ChartBand& band : bands) {
    if (band.from > reached) gaps.push_back({reached, std::min(band.from, span.second), ""});
    reached = std::max(reached, band.to);
  }
  if (reached < span.second) gaps.push_back({reached, span.second, ""});
  std::erase_if(gaps, [](const ChartBand& gap) { return gap.to <= gap.from; });
  return gaps;
}

std::vector<ChartBand> LogBands(const Run& run) {
  std::vector<ChartBand> bands;
  for (std::size_t i = 0; i < run.points.size(); ++i) {
    const Point& p = run.points[i];
    if (p.log_t0_s && p.log_t1_s) bands.push_back({*p.log_t0_s, *p.log_t1_s, fmt::format("{}", i + 1)});
  }
  return bands;
}

std::optional<ChartBand> ClipInLog(const Run& run) {
  if (!run.footage || !run.sync) return std::nullopt;
  const double shift_s = run.sync->log_minus_video_s.value;
  return ChartBand{shift_s, shift_s + run.clip.duration_s, "clip"};
}

std::optional<ChartMoment> SprayStartInLog(const Run& run) {
  if (!run.footage || !run.sync || !run.clip.spray_start_s) return std::nullopt;
  const double at = run.sync->log_minus_video_s.value + *run.clip.spray_start_s;
  const double half = Half95(run.sync->log_minus_video_s);
  return ChartMoment{at, at - half, at + half};
}

std::pair<double, double> LogSpan(const Run& run) {
  std::pair<double, double> span{run.trace.time_s.front(), run.trace.time_s.back()};
  if (const auto clip = ClipInLog(run)) {
    span.first = std::min(span.first, clip->from);
    span.second = std::max(span.second, clip->to);
  }
  return span;
}

std::pair<double, double> Padded(std::pair<double, double> span) {
  const double pad = 0.015 * (span.second - span.first);
  return {span.first - pad, span.second + pad};
}

// Pressure above flow, against log time.
ChartData LogPanels(const Run& run, const std::vector<std::size_t>& rows) {
  ChartData data;
  data.x_title = "log time, s";
  data.y_title = "pressure, bar";
  Series pressure, flow;
  pressure.name = "pressure";
  flow.name = "flow";
  pressure.look = flow.look = Look::kTrace;
  flow.hue = flow.panel = 2;
  const bool has_flow = run.trace.flow_kg_s.size() == run.trace.time_s.size();
  for (const std::size_t i : rows) {
    pressure.x.push_back(run.trace.time_s[i]);
    pressure.y.push_back(run.trace.pressure_bar[i]);
    if (!has_flow) continue;
    flow.x.push_back(run.trace.time_s[i]);
    flow.y.push_back(run.trace.flow_kg_s[i] * kGramsPerKilogram);
  }
  data.series.push_back(std::move(pressure));
  if (has_flow) {
    data.y2_title = "mass flow, g/s";
    data.y2_from_zero = true;
    data.series.push_back(std::move(flow));
  }
  data.clip = ClipInLog(run);
  data.spray_start = SprayStartInLog(run);
  return data;
}

}  // namespace

std::optional<Chart> LogChart(const Run& run, const ChartOptions& options) {
  if (!HasTrace(run)) return std::nullopt;
  ChartData data = LogPanels(run, RowsToDraw(run.trace, options.readings));
  data.key = "log";
  data.points = LogBands(run);
  data.gaps = GapsBetween(data.points, LogSpan(run));
  data.range = Padded(LogSpan(run));
  std::string words =
      fmt::format("Pressure and flow of the stand log over log time, from {:.2f} to {:.2f} s. ",
                  run.trace.time_s.front(), run.trace.time_s.back());
  for (const ChartBand& band : data.points)
    words += fmt::format("Point {} is outlined from {:.2f} to {:.2f} s. ", band.label, band.from, band.to);
  std::string note =
      "Outlined: the pressure points. Grey: in no point (start, change, stop, or outside the clip).";
  if (data.clip) {
    words +=
        fmt::format("The clip runs from {:.2f} to {:.2f} s of log time. ", data.clip->from, data.clip->to);
    note += " Bar above: the clip.";
  }
  if (data.spray_start) {
    words += fmt::format("The first spray frame falls at {:.2f} s. ", data.spray_start->at);
    note +=
        " The first spray frame belongs where pressure and flow rise; where it stands away from the rise, "
        "the clip is tied to the log wrongly.";
  } else if (data.clip) {
    note += " The spray is on from the clip's first frame, so the tie of clip and log shows in no rise.";
  } else if (run.footage) {
    note += " The clip is not tied to the log.";
  }
  return Chart{"log", "Stand log", words, ChartJson(data), note, true};
}

namespace {

const char* MethodInWords(const std::string& method) {
  if (method == "given") return "as stated";
  if (method == "onset") return "the first spray frame against the log's rise";
  if (method == "lamp") return "the lamp's steps";
  if (method == "clock") return "clocks of camera and log";
  return "assumed";
}

}  // namespace

std::optional<Chart> SyncChart(const Run& run, const ChartOptions& options) {
  if (!run.sync || !run.sync_picture) return std::nullopt;
  const SyncPicture& picture = *run.sync_picture;
  const double shift_s = run.sync->log_minus_video_s.value;
  const bool lamp = picture.seen == "lamp";
  ChartData data;
  data.key = "sync";
  data.x_title = "log time, s";
  data.y_title = "share of its highest here";
  Series log, seen;
  log.name = "log: " + picture.column;
  seen.name = lamp ? "footage: the lamp" : "footage: change below the exit";
  log.look = Look::kTrace;
  seen.look = Look::kStepped;
  seen.hue = 2;
  const auto take = [&](const std::vector<double>& t, const std::vector<double>& level, double by_s,
                        Series& to) {
    const std::size_t step = ThinningStep(t.size(), options.readings);
    for (std::size_t i = 0; i < t.size(); i += step) {
      to.x.push_back(std::round(1e4 * (t[i] + by_s)) / 1e4);
      to.y.push_back(level[i]);
    }
  };
  take(picture.log_s, picture.log_level, 0.0, log);
  take(picture.video_s, picture.level, shift_s, seen);
  if (log.x.size() < 2 || seen.x.size() < 2) return std::nullopt;
  data.range = Padded({std::min(log.x.front(), seen.x.front()), std::max(log.x.back(), seen.x.back())});
  data.points = LogBands(run);
  std::erase_if(data.points, [&](const ChartBand& band) {
    return band.to < data.range->first || band.from > data.range->second;
  });
  for (ChartBand& band : data.points) {
    band.from = std::max(band.from, data.range->first);
    band.to = std::min(band.to, data.range->second);
  }
  data.gaps = GapsBetween(data.points, *data.range);
  if (!lamp) data.spray_start = SprayStartInLog(run);
  data.series = {std::move(log), std::move(seen)};
  const std::string what = lamp ? "the lamp in the footage" : "the change of the picture below the exit";
  std::string words = fmt::format("The log's {} and {}, on the log's time axis, from {:.2f} to {:.2f} s. ",
                                  picture.column, what, data.range->first, data.range->second);
  std::string note =
      fmt::format("Footage put into log time by the tie, {} (video time {:+.3f} s, u {:.3f} s). ",
                  MethodInWords(run.sync->method), shift_s, run.sync->log_minus_video_s.u);
  note += lamp ? "Both should step together."
               : "Both should rise together at the dotted line, whose band is the 95 % interval; a line that "
                 "fills, or a meter, shifts the log's rise by what u says.";
  return Chart{"sync", lamp ? "How log and footage are tied: the lamp" : "How log and footage are tied",
               words,  ChartJson(data),
               note,   true};
}

std::optional<Chart> FramesChart(const Run& run, const ChartOptions& options) {
  Series left, right, breakup, unread;
  left.name = "left";
  right.name = "right";
  breakup.name = "breakup";
  unread.name = "no breakup read";
  left.look = right.look = breakup.look = Look::kDots;
  right.hue = 2;
  breakup.hue = 3;
  unread.look = Look::kNotRead;
  unread.hue = 0;
  breakup.panel = unread.panel = 2;
  ChartData data;
  data.key = "frames";
  data.x_title = "video time, s";
  data.y_title = "half angle, °";
  const auto rounded = [](float value) { return std::round(100.0 * static_cast<double>(value)) / 100.0; };
  for (std::size_t i = 0; i < run.points.size(); ++i) {
    const Point& p = run.points[i];
    const std::size_t step = ThinningStep(p.spray.series.size(), options.readings / run.points.size());
    for (std::size_t k = 0; k < p.spray.series.size(); k += step) {
      const vision::FrameAngle& frame = p.spray.series[k];
      left.x.push_back(frame.t_s);
      right.x.push_back(frame.t_s);
      left.y.push_back(rounded(frame.left_deg));
      right.y.push_back(rounded(frame.right_deg));
      Series& into = frame.breakup_mm > 0.0F ? breakup : unread;
      into.x.push_back(frame.t_s);
      into.y.push_back(rounded(frame.breakup_mm));
    }
    if (p.video) data.points.push_back({p.video->t0_s, p.video->t1_s, fmt::format("{}", i + 1)});
  }
  if (left.x.size() < 3) return std::nullopt;
  const std::pair<double, double> span{0.0, std::max(run.clip.duration_s, left.x.back())};
  data.range = Padded(span);
  data.gaps = GapsBetween(data.points, span);
  if (run.clip.spray_start_s)
    data.spray_start = ChartMoment{*run.clip.spray_start_s, *run.clip.spray_start_s, *run.clip.spray_start_s};
  std::string words =
      "Half angles of single frames over video time. " + InWords(left, "degrees") + InWords(right, "degrees");
  std::string note =
      "Half angles as the image shows them: a line per frame reads 0.1° to 0.2° off the point's value and is "
      "never mixed with it.";
  const bool has_breakup = !breakup.x.empty();
  std::string title = "Half angle of single frames";
  data.series = {std::move(left), std::move(right)};
  if (has_breakup) {
    title = "Half angle and breakup of single frames";
    words += "Below, the breakup length. " + InWords(breakup, "mm");
    data.y2_title = "breakup, mm";
    data.y2_from_zero = true;
    data.series.push_back(std::move(breakup));
    if (!unread.x.empty()) {
      words += fmt::format("{} frames gave no breakup. ", unread.x.size());
      note += " Crosses on the axis: frames in which no breakup could be read.";
      data.series.push_back(std::move(unread));
    }
  }
  note += " Grey: in no pressure point.";
  return Chart{"frames", title, words, ChartJson(data), note, true};
}

}  // namespace conebook::src

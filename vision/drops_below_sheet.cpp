#include "vision/drops_below_sheet.h"

#include <algorithm>
#include <cmath>
#include <numbers>
#include <optional>
#include <string>
#include <utility>

#include <fmt/format.h>

#include "vision/statistics.h"

namespace conebook::vision {
namespace {

constexpr std::size_t kFramesForOpaque = 4;
constexpr const char* kFrontLight = "in front light a drop shows its reflections, not its outline";

// In the window, both counted in crowds and those taken out of them.
double CrowdedShare(const std::vector<FrameDrops>& frames) {
  double crowded = 0.0;
  double all = 0.0;
  for (const FrameDrops& frame : frames) {
    crowded += frame.crowded;
    all += frame.crowded + static_cast<double>(frame.drops.size());
    for (const FoundDrop& drop : frame.drops) crowded += drop.from_crowd ? 1.0 : 0.0;
  }
  return all > 0.0 ? crowded / all : 0.0;
}

// Smallest diameter from which on few single shadows are long; never below `from_px`.
double CutoffByLong(const std::vector<FrameDrops>& frames, double from_px, double most_long) {
  constexpr double kClass = 1.25, kStep = 1.05, kLargestPx = 1000.0;
  constexpr int kFewest = 20;
  for (double cutoff = from_px; cutoff < kLargestPx; cutoff *= kStep) {
    int all = 0;
    int drawn_out = 0;
    for (const FrameDrops& frame : frames) {
      for (const FoundDrop& drop : frame.drops) {
        const auto d = static_cast<double>(drop.diameter_px);
        if (drop.from_crowd || d < cutoff || d >= kClass * cutoff) continue;
        ++all;
        drawn_out += drop.blur_px > 0.0F ? 0 : 1;
      }
    }
    if (all < kFewest || drawn_out <= most_long * all) return cutoff;
  }
  return kLargestPx;
}

}  // namespace

struct DropsBelowReader::State {
  State(DropsBelowRequest asked, const DropsBelowOptions& wanted)
      : request(std::move(asked)), options(wanted) {
    const ClipModel& model = *request.model;
    const int top =
        static_cast<int>(std::ceil(model.exit_px.y + options.from_of_breakup * request.breakup_px));
    window = cv::Rect(0, top, model.reading.width_px, std::max(0, model.reading.height_px - top));
    if (model.illumination == Illumination::kFrontlit) {
      why = kFrontLight;
    } else if (window.height < options.least_height_px) {
      why = "too little of the spray is in view below the end of its sheet";
    }
  }

  void Take(const LumaFrame& frame) {
    if (hopeless) return;
    const cv::Mat1f shade = ShadeOf(*request.model, frame)(window).clone();
    if (!opaque) {
      waiting.push_back(shade);
      if (waiting.size() == kFramesForOpaque) FindInWaiting();
      return;
    }
    Find(shade);
  }
  void FindInWaiting() {
    if (waiting.empty()) return;
    opaque = OpaqueShade(waiting);
    for (const cv::Mat1f& shade : waiting) Find(shade);
    waiting.clear();
  }
  void Find(const cv::Mat1f& shade) {
    FrameDrops drops = FindDrops(shade, *opaque, discs, options.sizing.finder);
    for (FoundDrop& drop : drops.drops) {
      if (!drop.from_crowd && drop.blur_px > 0.0F &&
          static_cast<double>(drop.diameter_px) >= options.sizing.least_px) {
        ++large;
      }
      // As if all flew straight down.
      const double x = static_cast<double>(drop.x_px) + window.x - request.model->exit_px.x;
      const double y = static_cast<double>(drop.y_px) + window.y - request.model->exit_px.y;
      const double aside_deg = std::atan2(x, y) * 180.0 / std::numbers::pi;
      drop.smear_deg += static_cast<float>(aside_deg);
    }
    found.push_back(std::move(drops));
    hopeless = static_cast<int>(found.size()) == options.first_look &&
               large < options.least_a_frame * options.first_look;
  }

  DropsBelowRequest request;
  DropsBelowOptions options;
  cv::Rect window;
  std::string why;
  BlurredDiscs discs;
  std::vector<cv::Mat1f> waiting;
  std::optional<double> opaque;
  std::vector<FrameDrops> found;
  int large = 0;
  bool hopeless = false;
};

DropsBelowReader::DropsBelowReader(DropsBelowRequest request, const DropsBelowOptions& options)
    : state_(std::make_unique<State>(std::move(request), options)) {}

DropsBelowReader::~DropsBelowReader() = default;

std::vector<FrameVisit> DropsBelowReader::Visits() {
  State& s = *state_;
  std::vector<FrameVisit> visits;
  if (!s.why.empty()) return visits;
  const double apart_s = 1e-3 * s.window.height / (s.request.px_per_mm * s.options.slowest_m_s);
  std::vector<std::size_t> apart;
  for (std::size_t k = 0; k < s.request.frames.size(); ++k) {
    if (apart.empty() || s.request.time_s[k] - s.request.time_s[apart.back()] >= apart_s) apart.push_back(k);
  }
  for (const std::size_t k : EvenIndices(apart.size(), static_cast<std::size_t>(s.options.most_frames)))
    visits.push_back({s.request.frames[apart[k]], [&s](const LumaFrame& frame) { s.Take(frame); }});
  return visits;
}

DropSizing DropsBelowReader::Result() const {
  State& s = *state_;
  DropSizing sizing;
  sizing.cutoff_px = s.options.sizing.least_px;
  sizing.why = s.why;
  if (s.why.empty()) {
    s.FindInWaiting();
    DropSizingOptions options = s.options.sizing;
    options.least_px = CutoffByLong(s.found, options.least_px, s.options.most_long);
    if (options.least_px > s.options.sizing.least_px) options.least_partly_px = options.least_px;
    sizing = SizeDrops(s.found, s.window.width, s.window.height, s.opaque.value_or(1.0), options);
    sizing.cutoff_px = std::max(sizing.cutoff_px, options.least_px);
    constexpr double kRaised = 1.2;
    if (options.least_px > kRaised * s.options.sizing.least_px && !sizing.why.empty())
      sizing.why += ", and smaller ones are drawn out: travel during the exposure, or no drops";
    const double crowded = CrowdedShare(s.found);
    if (sizing.verdict != DropVerdict::kNotResolvable && crowded > s.options.most_crowded) {
      sizing.verdict = DropVerdict::kNotResolvable;
      sizing.why =
          fmt::format("{:.0f} % of the shadows are of several drops behind each other", 100.0 * crowded);
      sizing.drops.clear();
    }
  }
  return sizing;
}

std::optional<calib::Flag> RemarkOnDropsBelow(const DropSizing& sizing, std::optional<double> px_per_mm,
                                              int point) {
  constexpr const char* kQuantity = "d32_um";
  const std::string smallest = px_per_mm ? fmt::format("{:.1f} px, {:.0f} um", sizing.cutoff_px,
                                                       1000.0 * sizing.cutoff_px / *px_per_mm)
                                         : fmt::format("{:.1f} px", sizing.cutoff_px);
  if (sizing.verdict == DropVerdict::kNotResolvable) {
    if (sizing.why == kFrontLight) return std::nullopt;
    return calib::Flag{
        "drops_below_sheet_not_sized",
        calib::Severity::kInfo,
        point,
        kQuantity,
        fmt::format(
            "no drop sizes from below the sheet's end: {}; the smallest drop that could be sized there "
            "has {}",
            sizing.why, smallest),
        "film a close-up of drops, with [spray] shows = \"drops\" in the rig"};
  }
  if (!px_per_mm) {
    return calib::Flag{
        "drops_below_sheet_not_sized",
        calib::Severity::kInfo,
        point,
        kQuantity,
        fmt::format("{} drops below the sheet's end can be sized, in pixels only: no scale is stated",
                    sizing.drops.size()),
        "state [scale] px_per_mm"};
  }
  if (sizing.verdict == DropVerdict::kResolved) return std::nullopt;
  return calib::Flag{
      "drops_below_sheet_partly",
      calib::Severity::kInfo,
      point,
      kQuantity,
      fmt::format("below the sheet's end {}; numbers hold for drops of {} and more", sizing.why, smallest),
      "film a close-up of drops, with [spray] shows = \"drops\" in the rig"};
}

}  // namespace conebook::vision

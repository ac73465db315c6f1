#include "vision/survey.h"

#include <algorithm>
#include <cmath>
#include <numbers>

#include <fmt/format.h>

#include <calib/error.h>

#include "vision/cone_guess.h"
#include "vision/cone_origin.h"
#include "vision/exit_search.h"
#include "vision/lamp_watch.h"
#include "vision/light_bands.h"
#include "vision/onset.h"
#include "vision/read_frame.h"
#include "vision/scene.h"
#include "vision/scene_motion.h"
#include "vision/splash.h"
#include "vision/spray_measurement.h"
#include "vision/statistics.h"
#include "vision/transfer.h"

namespace conebook::vision {
namespace {

using calib::Severity;

// Frames held as a sample: when full, every second one goes and the stride doubles.
class SampleKeeper {
 public:
  explicit SampleKeeper(std::size_t most) : most_(std::max<std::size_t>(most, 4)) {}
  void Offer(const LumaFrame& frame) {
    if (offered_++ % stride_ != 0) return;
    if (frames_.size() >= most_) {
      std::vector<LumaFrame> half;
      for (std::size_t i = 0; i < frames_.size(); i += 2) half.push_back(frames_[i]);
      frames_ = std::move(half);
      stride_ *= 2;
      if ((offered_ - 1) % stride_ != 0) return;
    }
    frames_.push_back(frame);
  }
  void DropBefore(std::int64_t index) {
    std::erase_if(frames_, [&](const LumaFrame& f) { return f.index < index; });
  }
  const std::vector<LumaFrame>& Frames() const { return frames_; }

 private:
  std::size_t most_;
  std::size_t offered_ = 0;
  std::size_t stride_ = 1;
  std::vector<LumaFrame> frames_;
};

void SetOptics(const View& view, ClipModel& model) {
  double px_per_mm = 0.0;
  if (view.px_per_mm) {
    px_per_mm = view.px_per_mm->value;
  } else if (view.distance_mm && view.focal_px) {
    px_per_mm = view.focal_px->value / view.distance_mm->value;
  }
  model.exit_diameter_px = px_per_mm > 0.0 ? px_per_mm * view.exit_diameter_mm.value
                                           : 0.02 * std::min(model.reading.width_px, model.reading.height_px);
  model.texture_half_px = px_per_mm > 0.0 ? 0.3 * px_per_mm : 0.25 * model.exit_diameter_px;
  model.axis_slope = std::tan(model.reading.rest_deg * std::numbers::pi / 180.0);
}

// Told before a long clip is read.
void CheckPictureSize(const std::string& path, const View& view, const FootageFormat& format) {
  const int w = format.UprightWidth(), h = format.UprightHeight();
  if (view.scale_width_px > 0 && (view.scale_width_px != w || view.scale_height_px != h)) {
    throw calib::InputError(
        fmt::format("{}: the picture is {} x {} px, the scale was read from one of {} x {} px\nwhere the "
                    "camera crops between "
                    "the two cannot be told: film the target in the clip's own mode and calibrate again, or "
                    "state px_per_mm",
                    path, w, h, view.scale_width_px, view.scale_height_px));
  }
  if (!view.lens || calib::LensForImage(*view.lens, w, h)) return;
  throw calib::InputError(fmt::format(
      "{}: the picture is {} x {} px, the lens file is for {} x {} px, a picture of another shape\nwhere the "
      "camera crops between the two cannot be told: film the chessboard in the clip's own mode, the camera "
      "held "
      "the same way up, and calibrate again",
      path, w, h, view.lens->width_px, view.lens->height_px));
}

void SetExit(const std::string& path, const View& view, ClipModel& model) {
  if (!view.exit_x_px || !view.exit_y_px) return;
  const double x = view.exit_x_px->value;
  const double y = view.exit_y_px->value;
  const int w = model.format.UprightWidth();
  const int h = model.format.UprightHeight();
  if (view.shows == Shows::kCone && !(x >= 0.0 && y >= 0.0 && x <= w - 1 && y <= h - 1)) {
    throw calib::InputError(
        fmt::format("{}: nozzle.exit_px = [{:g}, {:g}] lies outside the image of {} x {} px; expected the "
                    "exit's centre in pixels "
                    "of the upright image",
                    path, x, y, w, h));
  }
  model.exit_px = Apply(model.reading.reading_from_upright, {x, y});
}

// The highest code value that tells light from more light. Some cameras use the headroom above the nominal
// white; raw frames may end below their file's full scale.
int CeilingOf(const std::vector<LumaFrame>& sample, const FootageFormat& format) {
  const int nominal = ClippedCodeValue(format);
  const std::size_t codes = format.bits > 8 ? 65536U : 256U;
  std::vector<std::int64_t> count(codes, 0);
  std::int64_t total = 0;
  for (const LumaFrame& frame : sample) {
    for (int y = 0; y < format.stored_height_px; y += 3) {
      for (int x = 0; x < format.stored_width_px; x += 3, ++total) {
        const int code = format.bits > 8 ? frame.Row<std::uint16_t>(y)[x] : frame.Row<std::uint8_t>(y)[x];
        ++count[static_cast<std::size_t>(code)];
      }
    }
  }
  std::size_t top = codes - 1;
  while (top > 0 && count[top] == 0) --top;
  const auto step = static_cast<int>(std::ldexp(1.0, format.bits - 8));
  constexpr double kHeadroomShare = 0.002;
  std::int64_t above = 0;
  for (std::size_t code = static_cast<std::size_t>(nominal + 8 * step); code < codes; ++code)
    above += count[code];
  if (!format.full_range && static_cast<double>(above) > kHeadroomShare * static_cast<double>(total)) {
    FootageFormat full = format;
    full.full_range = true;
    return ClippedCodeValue(full);
  }
  // Noise fades out towards the top; a ceiling gathers there what would have been above. Bytes end near their
  // full scale: a clean wall of one lower value is no ceiling.
  constexpr double kPileShare = 0.02;
  constexpr double kLeastOfBytes = 0.85;
  const bool low = format.bits == 8 && static_cast<double>(top) < kLeastOfBytes * nominal;
  if (!format.compressed && !low && static_cast<int>(top) < nominal && top > 8) {
    std::int64_t below = 0;
    for (std::size_t code = top - 8; code < top; ++code) below += count[code];
    if (static_cast<double>(count[top]) > kPileShare * static_cast<double>(total) && count[top] > below)
      return static_cast<int>(top);
  }
  return nominal;
}

// Share of the background below the exit that is at full scale.
double ClippedBackground(const ClipModel& model) {
  const cv::Rect box = NearBox(model);
  const float ceiling = model.light[static_cast<std::size_t>(model.clipped_code)];
  std::int64_t clipped = 0;
  for (int y = box.y; y < box.y + box.height; ++y) {
    for (int x = box.x; x < box.x + box.width; ++x) clipped += model.background(y, x) >= ceiling ? 1 : 0;
  }
  return box.area() > 0 ? static_cast<double>(clipped) / box.area() : 0.0;
}

// A close-up of drops may be a single picture, in which nothing changes: are there dark spots on a bright
// ground?
Illumination LightOfStill(const ClipModel& model, const LumaFrame& frame) {
  const cv::Mat1f light = LightImage(model, frame);
  std::vector<double> values;
  for (int y = 0; y < light.rows; y += 2) {
    for (int x = 0; x < light.cols; x += 2) values.push_back(static_cast<double>(light(y, x)));
  }
  const double middle = QuantileInPlace(values, 0.5);
  const double dark = middle - QuantileInPlace(values, 0.01);
  const double bright = QuantileInPlace(values, 0.99) - middle;
  return dark > bright ? Illumination::kBacklit : Illumination::kFrontlit;
}

// Why no cone was found, saying only what was seen.
calib::Flag WhyNoCone(const GuessOutcome& outcome, bool onset, double change, double clipped) {
  const auto reject = [](const char* code, std::string message, const char* advice) {
    return calib::Flag{code, Severity::kReject, std::nullopt, std::nullopt, std::move(message), advice};
  };
  constexpr double kMostClipped = 0.3;
  if (clipped > kMostClipped) {
    return reject("overexposed",
                  fmt::format("{:.0f} % of the background below the exit is at full scale, and no cone shows "
                              "against it: liquid that takes little light away is lost there",
                              100.0 * clipped),
                  "shorten the exposure or dim the light until the background is light grey");
  }
  if (!onset && change < 0.02) {
    return reject("no_spray",
                  fmt::format("nothing moves below the exit: change {:.3f} of full light", change),
                  "check that the valve opened while filming, and that exit_px and axis_deg are right");
  }
  std::string seen;
  if (!outcome.followed[kLeftSide] || !outcome.followed[kRightSide]) {
    const bool neither = !outcome.followed[kLeftSide] && !outcome.followed[kRightSide];
    seen = fmt::format("something changes below the exit, but no edge runs straight down from it on {}",
                       neither                       ? "either side"
                       : outcome.followed[kLeftSide] ? "the right side"
                                                     : "the left side");
  } else if (outcome.opening && !(*outcome.opening > 0.0)) {
    seen =
        fmt::format("edges were found on {:.0f} % of the rows, but the two sides do not move apart downwards",
                    100.0 * outcome.found_share);
  } else if (outcome.opening && outcome.found_share >= kLeastFoundShare) {
    seen = fmt::format("edges were found on {:.0f} % of the rows, but wider apart than any cone opens",
                       100.0 * outcome.found_share);
  } else {
    seen =
        fmt::format("edges of a cone were found on {:.0f} % of the rows only", 100.0 * outcome.found_share);
  }
  return reject(
      "no_cone", std::move(seen),
      "check exit_px and axis_deg, light the spray evenly, and keep moving things out of the picture");
}

bool HasScale(const View& view) {
  return view.px_per_mm.has_value() || (view.distance_mm && view.focal_px);
}

// Without a scale: the exit is about as wide as the spray is where it leaves. False: not to be seen.
bool SetExitDiameter(const GuessOutcome& outcome, ClipModel& model) {
  if (!outcome.exit_diameter_px) return false;
  model.exit_diameter_px = *outcome.exit_diameter_px;
  model.exit_diameter_seen = true;
  model.texture_half_px = 0.25 * model.exit_diameter_px;
  return true;
}

std::size_t MostSample(const FootageFormat& format, const SurveyOptions& options) {
  const std::size_t frame_bytes = static_cast<std::size_t>(format.stored_width_px) *
                                  static_cast<std::size_t>(format.stored_height_px) *
                                  (format.bits > 8 ? 3U : 2U);
  return std::clamp<std::size_t>((80U << 20U) / frame_bytes, 6,
                                 static_cast<std::size_t>(options.sample_frames));
}

// What the frames up to some way into the spray give.
struct Head {
  Head(const ClipModel& model, std::size_t most_sample) : sample(most_sample), background(model) {}
  SampleKeeper sample;
  BackgroundMean background;
  double bands_rms = 0.0;
  std::int64_t frames = 0, watched = 0, frames_in_the_dark = 0;
  std::optional<std::int64_t> first_spray_frame;
  double first_spray_stamp_s = 0.0, u_first_spray_s = 0.0;
  std::vector<double> onset_stamp_s, onset_level;
};

enum class Damage { kNone, kTainted, kCorrupt };

Head ReadHead(const std::string& path, const FootageOptions& footage_options, const SurveyOptions& options,
              Damage accepted, const ClipModel& model) {
  Head head(model, MostSample(model.format, options));
  const std::unique_ptr<Footage> footage = OpenFootage(path, footage_options);
  std::optional<OnsetWatch> watch(std::in_place, model, OnsetOptions{});
  LampWatch lamp(model.format, model.light, LampOptions{});
  std::vector<LumaFrame> lag;
  constexpr std::size_t kLag = 6;
  LumaFrame frame;
  cv::Mat turned;
  cv::Mat turned_again;
  std::vector<std::int64_t> index;  // of the watched frames
  std::vector<double> stamps;
  std::optional<BandWatch> bands(std::in_place, model, LightBandOptions{});
  std::int64_t last_free = -1;
  const auto add_background = [&](const LumaFrame& free) {
    if (head.background.Frames() >= options.most_background_frames) return;
    last_free = std::max(last_free, free.index);
    head.background.Add(free);
    bands->Add(ViewRows(model.reading, model.format, free, turned, turned_again));
  };
  while (footage->Next(frame)) {
    if (options.should_stop && options.should_stop()) throw Interrupted{};
    ++head.frames;
    const Damage damage = frame.corrupt ? Damage::kCorrupt : frame.tainted ? Damage::kTainted : Damage::kNone;
    if (damage > accepted) continue;
    if (lamp.ComesOn(frame)) {
      head.frames_in_the_dark = head.frames - 1;
      head.sample.DropBefore(frame.index);
      head.background.Clear();
      watch.emplace(model, OnsetOptions{});
      bands.emplace(model, LightBandOptions{});
      lag.clear();
      index.clear();
      stamps.clear();
    }
    index.push_back(frame.index);
    stamps.push_back(frame.stamp_s);
    watch->Add(ViewRows(model.reading, model.format, frame, turned, turned_again));
    head.sample.Offer(frame);
    if (!watch->Suspicious()) {
      lag.push_back(frame);
      if (lag.size() > kLag) {
        add_background(lag.front());
        lag.erase(lag.begin());
      }
    }
    if (watch->Settled(options.settle_frames)) break;
  }
  head.watched = static_cast<std::int64_t>(index.size());
  const std::optional<std::int64_t> onset = watch->FirstSprayFrame();
  if (!onset) return head;
  const auto at = static_cast<std::size_t>(*onset);
  if (last_free >= index[at]) {
    // Grain hid from each frame by itself what the step between all of them shows: once more, up to the step.
    head.background.Clear();
    bands.emplace(model, LightBandOptions{});
    const std::unique_ptr<Footage> again = OpenFootage(path, footage_options);
    while (again->Next(frame) && frame.index < index[at - 1]) {
      const Damage damage = frame.corrupt   ? Damage::kCorrupt
                            : frame.tainted ? Damage::kTainted
                                            : Damage::kNone;
      if (damage <= accepted && frame.index >= index.front()) add_background(frame);
    }
  } else {
    // Frames still held back are spray-free as far as they lie before the first spray frame.
    for (const LumaFrame& held : lag) {
      if (held.index < index[at - 1]) add_background(held);
    }
  }
  head.bands_rms = bands->Rms();
  head.first_spray_frame = index[at];
  head.first_spray_stamp_s = stamps[at];
  head.onset_stamp_s = stamps;
  head.onset_level = watch->Change();
  const double interval = stamps[at] - stamps[at - 1];
  // Somewhere within the interval before the frame, and as long as the change took to grow.
  head.u_first_spray_s = std::hypot(interval / std::sqrt(12.0), 0.25 * watch->RiseFrames() * interval);
  // The cone opens within moments; the sample is better taken from the later part of what was read.
  head.sample.DropBefore(index[at] + (index.back() + 1 - index[at]) / 3);
  return head;
}

// Damaged frames are left out, unless there are hardly any others.
Head BestHead(const std::string& path, const FootageOptions& footage_options, const SurveyOptions& options,
              const ClipModel& model) {
  constexpr std::int64_t kEnough = 6;
  Head head = ReadHead(path, footage_options, options, Damage::kNone, model);
  if (head.watched >= kEnough || head.frames < kEnough) return head;
  Head tainted = ReadHead(path, footage_options, options, Damage::kTainted, model);
  if (tainted.watched >= kEnough) return tainted;
  return ReadHead(path, footage_options, options, Damage::kCorrupt, model);
}

}  // namespace

SurveyResult Survey(const std::string& path, const View& view, const SurveyOptions& options) {
  SurveyResult result;
  ClipModel& model = result.model;
  FootageOptions footage_options;
  footage_options.threads = options.threads;
  footage_options.white_level = view.white_level;
  model.format = OpenFootage(path, footage_options)->Format();
  model.reading = MakeReadingFrame(model.format, view.axis_deg.value);
  model.light = LightOfCodeValue(model.format);
  model.clipped_code = ClippedCodeValue(model.format);
  SetOptics(view, model);
  CheckPictureSize(path, view, model.format);
  SetExit(path, view, model);
  const bool drops_view = view.shows == Shows::kDrops;
  // Of drops alone the exit says nothing, and may lie outside the picture: the whole of it is watched.
  model.exit_found = !view.exit_x_px || drops_view;

  const Head head = BestHead(path, footage_options, options, model);
  // A single still of drops has its light between them.
  if (!head.first_spray_frame && head.frames < 3 && !drops_view) {
    result.flags.push_back({"too_few_frames", Severity::kReject, std::nullopt, std::nullopt,
                            fmt::format("the clip has {} frame{}; nothing can be told from its changes",
                                        head.frames, head.frames == 1 ? "" : "s"),
                            "film at least 60 frames, some of them before the valve opens"});
    return result;
  }
  if (head.frames_in_the_dark > 0) {
    result.flags.push_back(
        {"lamp_comes_on", Severity::kInfo, std::nullopt, std::nullopt,
         fmt::format("the first {} frame{} came before the lamp was on and {} left out of the "
                     "spray-free background",
                     head.frames_in_the_dark, head.frames_in_the_dark == 1 ? "" : "s",
                     head.frames_in_the_dark == 1 ? "was" : "were"),
         ""});
  }
  result.first_spray_frame = head.first_spray_frame;
  result.first_spray_stamp_s = head.first_spray_stamp_s;
  result.u_first_spray_s = head.u_first_spray_s;
  result.onset_stamp_s = head.onset_stamp_s;
  result.onset_level = head.onset_level;
  const bool onset = head.first_spray_frame.has_value();
  const std::vector<LumaFrame>& sample = head.sample.Frames();
  model.clipped_code = CeilingOf(sample, model.format);
  model.background_from_spray = !onset || head.background.Frames() == 0;
  const auto light = [&] {
    const double sign = ChangeSign(sample, model);
    model.illumination_stated = view.illumination.has_value();
    model.illumination =
        view.illumination.value_or(sign < 0.0 ? Illumination::kBacklit : Illumination::kFrontlit);
    if (drops_view && !view.illumination && !sample.empty())
      model.illumination = LightOfStill(model, sample.front());
    model.bands_rms = head.bands_rms;
    model.level_bands = model.bands_rms > 0.0 && model.illumination == Illumination::kBacklit;
    SetField(model);
  };
  SampleMotion motion;
  if (model.background_from_spray) {
    motion = MotionOfSample(sample, model);
    BackgroundFromSpray(motion, !model.exit_found, model);
  } else {
    model.background = head.background.Mean();
    model.background_frames = head.background.Frames();
  }
  light();
  if (drops_view) return result;  // no cone is looked for, so no row is read
  if (model.exit_found && !FindExit(sample, model)) {
    result.flags.push_back({"exit_not_found", Severity::kReject, std::nullopt, std::nullopt,
                            "no place was found where a spray begins",
                            "state [nozzle] exit_px, the centre of the exit in pixels of the upright image"});
    return result;
  }
  constexpr double kEdgePx = 4.0;
  if (model.exit_found && model.exit_px.y < kEdgePx) {
    result.flags.push_back(
        {"exit_not_found", Severity::kReject, std::nullopt, std::nullopt,
         "the spray comes in at the picture's edge: its exit is not in view",
         "frame the nozzle at the picture's upper edge, with its exit some pixels inside"});
    return result;
  }
  // From the exit found in what moves, the light can be continued across the sheet that stands still, and
  // that shows the exit itself.
  if (model.exit_found && model.background_from_spray) {
    const ClipModel before = model;
    BackgroundFromSpray(motion, true, model);
    light();
    if (!FindExit(sample, model)) {
      model = before;
      light();
    }
  }
  SetRows(model);
  if (model.rows < 24) {
    result.flags.push_back({"cut_off", Severity::kReject, std::nullopt, std::nullopt,
                            fmt::format("only {} rows of the picture lie below the exit", model.rows),
                            "frame the nozzle at the picture's upper edge, with room below it"});
    return result;
  }
  ChooseScenePoints(model);
  SetColumns(model, false);

  constexpr double kLeastOfBefore = 0.8;  // of the edges found; rows are other ones, too
  GuessOutcome outcome = SearchCone(model, sample);
  if (outcome.found && model.background_from_spray) {
    const ClipModel before = model;
    BackgroundBesideGuess(motion, model);
    light();
    SetColumns(model, false);
    const GuessOutcome again = SearchCone(model, sample);
    if (again.found && again.found_share >= outcome.found_share)
      outcome = again;
    else
      model = before;
  }
  if (outcome.found && model.exit_found && HasScale(view)) {
    const ClipModel before = model;
    if (TakeExitFromSides(model)) {
      if (model.background_from_spray) {
        BackgroundBesideGuess(motion, model);
        light();
      }
      SetRows(model);
      SetColumns(model, false);
      const GuessOutcome again = SearchCone(model, sample);
      if (again.found && again.found_share >= kLeastOfBefore * outcome.found_share)
        outcome = again;
      else
        model = before;
    }
  }
  if (outcome.found && !HasScale(view) && SetExitDiameter(outcome, model)) {
    SetRows(model);
    SetColumns(model, false);
    outcome = SearchCone(model, sample);
  }
  outcome.found_share = FoundShareInPicture(model, outcome.found_share);
  if (!outcome.found || outcome.found_share < kLeastFoundShare) {
    result.flags.push_back(
        WhyNoCone(outcome, onset, ChangeBelowExit(sample, model), ClippedBackground(model)));
    return result;
  }
  model.splash_row = FindSplash(sample, model, SplashOptions{});
  if (model.splash_row) {
    result.flags.push_back(
        {"splash_left_out", Severity::kInfo, std::nullopt, std::nullopt,
         fmt::format(
             "from {:.0f} px below the exit on the picture changes beside the cone as much as in it: a tray "
             "or floor that the spray foams on; nothing is read there",
             *model.splash_row - model.exit_px.y),
         "set the tray deeper, or frame the clip above it"});
    const ClipModel before = model;
    SetRows(model);
    SetColumns(model, false);
    if (!SearchCone(model, sample).found) {
      model = before;
      SetRows(model);
    }
  }
  SetColumns(model, true);
  PrepareSceneMotion(model);
  return result;
}

}  // namespace conebook::vision

// The spray half of a run: from a clip to angles and breakup per stretch of video time.
// Two calls: ReadClip decodes the clip once (twice without spray-free frames) and keeps what it read;
// MeasureSpray reduces that to numbers for given stretches. In between, the caller ties video time to the
// stand log (it needs spray_start_s for that).
#pragma once

#include <cstdint>
#include <functional>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include <opencv2/core.hpp>

#include <calib/flag.h>
#include <calib/quantity.h>
#include <vision/drop_sizing.h>
#include <vision/edge_waves.h>
#include <vision/evenness.h>
#include <vision/grain_index.h>
#include <vision/spray_stage.h>
#include <vision/view.h>

namespace conebook::vision {

struct ReadOptions {
  int threads = 0;                          // 0: all cores; never changes a result
  std::function<void(double)> on_progress;  // share done, 0 to 1; called from one thread at a time
  std::function<bool()> should_stop;        // true: give up by throwing Interrupted
};

struct Interrupted {};

// What the container and the decoded frames said.
struct ClipFacts {
  std::int64_t frames = 0;          // decoded
  int width_px = 0, height_px = 0;  // of the upright image
  double duration_s = 0.0;          // capture time, first to last frame plus one frame interval
  bool pace_known = true;           // false: times are not the camera's, see clip_clock.h
  std::optional<double>
      spray_start_s;  // capture time of the first spray frame; nothing: already on at frame one
  double u_spray_start_s = 0.0;
  // How far the picture below the exit had changed, of its later level, about the first spray frame; capture
  // time. Empty: no first spray frame is known.
  std::vector<double> onset_s, onset_level;
  std::optional<Illumination> illumination;
  bool illumination_stated = false;
  std::string recorded_at;  // ISO 8601, as the container says; empty: it does not
};

class ClipReading {  // opaque; move-only
 public:
  ClipReading();
  ClipReading(ClipReading&&) noexcept;
  ClipReading& operator=(ClipReading&&) noexcept;
  ~ClipReading();

  ClipFacts facts;
  std::vector<calib::Flag> flags;  // of the clip as a whole; any kReject: MeasureSpray must not be called

  bool Rejected() const;

  struct Kept;  // vision/clip_reading.h
  std::unique_ptr<Kept> kept;
};

// Throws calib::InputError: missing clip, no frame that decodes, mixed frame sizes, exit outside the image.
ClipReading ReadClip(const std::string& path, const View& view, const ReadOptions& options);

struct TimeSpan {
  double t0_s = 0.0, t1_s = 0.0;  // video (capture) time
};

struct HalfAngle {
  calib::Quantity mean_deg, left_deg, right_deg, lean_deg;
};

struct Pulsation {
  double hz = 0.0;
  double amplitude_deg = 0.0;  // half peak to peak of the mean half angle
  double u_deg = 0.0;
};

// Of the half angle, mean of both sides, over the point's frames.
struct Steadiness {
  double scatter_deg = 0.0;         // standard deviation
  double correlation_time_s = 0.0;  // between two frames as good as independent
  double detectable_deg = 0.0;      // a swing of this amplitude would be found nine times in ten
  double fastest_hz = 0.0;          // faster swings show at another rate
};

// Per frame, for time series and scatter; never mixed with the point's value.
struct FrameAngle {
  double t_s = 0.0;
  float left_deg = 0.0F, right_deg = 0.0F;  // line per frame, as the image shows it
  float breakup_mm = 0.0F;                  // 0: not read in this frame
  float gain = 1.0F;                        // of the light, against the clip's head
  float shift_x_px = 0.0F, shift_y_px = 0.0F;
};

struct SprayPoint {
  std::int64_t frames = 0;          // used
  std::optional<SprayStage> stage;  // nothing: between two stages, or it cannot be told
  std::optional<HalfAngle> half_angle;
  std::optional<calib::Quantity> apparent_half_angle_deg;
  std::optional<calib::Quantity> sheet_half_angle_deg;
  std::optional<calib::Quantity> cone_half_angle_deg;
  std::optional<calib::Quantity> breakup_mm;
  std::optional<double> breakup_lower_bound_mm;                  // instead of breakup_mm
  std::vector<std::pair<std::string, double>> breakup_readings;  // of vision/breakup.h: in mm, spread in ln
  std::optional<Pulsation> pulsation;
  std::optional<Steadiness> steadiness;
  std::optional<Grain> grain;
  std::optional<Evenness> evenness;
  std::optional<EdgeWaves> waves;
  std::optional<DropSizing> drops;  // of a close-up of drops in back light
  // For pictures, px of the upright image: boundary per row, the fitted lines between the stations, breakup.
  std::vector<cv::Point2f> boundary_left, boundary_right;
  cv::Point2f line_left[2], line_right[2];  // near, far
  std::vector<cv::Point2f> breakup_front;   // where the sheet ends, across the width
  cv::Mat still;                            // one frame of the stretch, 8-bit grey, upright
  std::vector<FrameAngle> series;           // every frame in which both sides were found
};

struct SprayMeasurement {
  bool has_scale = false;              // false: lengths are null, stations in exit diameters
  double near_mm = 0.0, far_mm = 0.0;  // one pair for all points
  std::optional<calib::Quantity> px_per_mm;
  cv::Point2d exit_px{0.0, 0.0};
  double axis_deg = 0.0;
  bool lean_against_image_vertical = true;  // axis not stated in the rig
  std::vector<SprayPoint> points;           // one a span, in order
  std::vector<calib::Flag> flags;           // additional to ClipReading::flags
};

// Spans without frames give a SprayPoint of 0 frames with a flag. An empty list means: one span, the steady
// spray.
SprayMeasurement MeasureSpray(const ClipReading& reading, const View& view, std::vector<TimeSpan> spans);

// The stretch of steady spray of the clip: after onset and start-up, to the end (or to shut-off).
TimeSpan SteadySpray(const ClipReading& reading);

}  // namespace conebook::vision

#include "render/clip.h"

#include <algorithm>
#include <cmath>
#include <fstream>
#include <stdexcept>
#include <string>
#include <vector>

#include "render/exposure.h"
#include "render/long_time.h"
#include "render/random.h"
#include "render/recorder.h"
#include "render/rig_file.h"
#include "render/timeline.h"
#include "render/truth_file.h"
#include "render/video_writer.h"

namespace conebook::render {
namespace {

void WriteText(const std::filesystem::path& path, const std::string& text) {
  std::ofstream out(path, std::ios::binary);
  out << text;
  if (!out.flush()) throw std::runtime_error("cannot write " + path.string());
}

// The rig's stations, or the contract's default from the true breakup.
StationRows StationsOf(const Scene& s, const std::vector<Stand::Steady>& steady) {
  double shortest_mm = 1e9;
  for (const auto& point : steady)
    shortest_mm = std::min(shortest_mm, SteadyInstant(s, point.drop_bar, 0.0, 0.0).breakup_mm);
  const double near_mm = s.near_mm.value_or(std::max(1.0, 2.0 * *s.exit_diameter_mm.stated));
  return {near_mm, s.far_mm.value_or(0.75 * shortest_mm), s.shown_px_per_mm};
}

// When each frame was taken.
std::vector<double> FrameTimes(const Scene& s) {
  const RecordingSetting& rec = s.recording;
  Random clock(s.seed, "clock");
  std::vector<double> times_s;
  double dropped = 0.0;
  for (int i = 0; i < rec.frames; ++i) {
    const double jitter = rec.variable_rate && i > 0 ? 0.08 * clock.Normal() / rec.fps : 0.0;
    if (rec.variable_rate && i > 2 && clock.Chance(0.015)) dropped += 1.0;
    const double t = (i + dropped) / rec.fps + std::clamp(jitter, -0.3 / rec.fps, 0.3 / rec.fps);
    times_s.push_back(std::round(t * 90000.0) / 90000.0);
  }
  // A high-speed camera's clock is its own; the container's stamps are rounded, the frames were not.
  if (!rec.variable_rate)
    for (int i = 0; i < rec.frames; ++i) times_s[static_cast<std::size_t>(i)] = i / rec.fps;
  return times_s;
}

// After the pressure has settled the liquid still has to fill the view.
std::vector<ClipPoint> PointsInVideo(const Scene& s, const std::vector<Stand::Steady>& steady,
                                     double last_s) {
  std::vector<ClipPoint> points;
  for (const auto& p : steady) {
    const Instant now = SteadyInstant(s, p.drop_bar, 0.0, 0.0);
    const double fill_s = 1.3e-3 * now.breakup_mm / now.axial_m_s;
    points.push_back({std::max(0.0, p.t0_s + fill_s - s.log_minus_video_s),
                      std::min(last_s, p.t1_s - s.log_minus_video_s)});
  }
  return points;
}

// Rows of a boundary, along the axis from the exit.
int BoundaryRows(const Scene& s) {
  const RecordingSetting& rec = s.recording;
  const double scale = s.shown_px_per_mm;
  return static_cast<int>(std::ceil(
             std::min(1.3 * s.spray.breakup_mm, 1.05 * std::hypot(rec.width, rec.height) / scale) * scale)) +
         2;
}

// Draws and writes every frame; adds what a perfect mask sees of it to the truth.
void WriteFrames(const std::vector<double>& times_s, int rows, const std::filesystem::path& directory,
                 ClipTruth& truth) {
  const Scene& s = truth.scene;
  const RecordingSetting& rec = s.recording;
  const Timeline timeline(s);
  const Recorder recorder(s, truth.camera);
  const bool turned = rec.rotation_deg == 90 || rec.rotation_deg == 270;
  ClipWriter writer(directory, rec, turned ? rec.height : rec.width, turned ? rec.width : rec.height);
  FloatImage signal;
  SheetExtent extent;
  double stamp_s = 0.0;
  for (int i = 0; i < rec.frames; ++i) {
    // A frame that repeats the one before is that frame, again.
    const bool repeats =
        rec.faults.repeat_every > 0 && i % rec.faults.repeat_every == rec.faults.repeat_every - 1;
    const int shown = repeats && i > 0 ? i - 1 : i;
    const double t = times_s[static_cast<std::size_t>(shown)];
    const Instant now = timeline.At(t);
    const Pixel shift = recorder.NozzleShift(t);
    extent.Reset(truth.camera, shift, rows);
    RenderSignal(s, truth.spray, truth.camera, now, shift, true, {}, signal, &extent);
    if (truth.spray_start_s < 0.0 && now.front_mm > s.spray.exit_radius_mm) truth.spray_start_s = t;
    for (std::size_t p = 0; p < truth.points.size(); ++p) {
      if (t < truth.points[p].t0_s || t > truth.points[p].t1_s) continue;
      ++truth.points[p].frames;
      truth.own[p].Add(signal, extent);
    }
    const double plain_s = rec.state_fps ? i / rec.playback_fps : times_s[static_cast<std::size_t>(i)];
    if (rec.faults.ramp != 1.0 && i > 0) {
      const bool slow = 3 * i > rec.frames && 3 * i < 2 * rec.frames;
      stamp_s += (slow ? rec.faults.ramp : 1.0) / (rec.state_fps ? rec.playback_fps : rec.fps);
    }
    writer.Write(recorder.Record(signal, t, shown), rec.faults.ramp != 1.0 ? stamp_s : plain_s);
  }
  writer.Finish();
  truth.clip_name = writer.Name();
}

}  // namespace

void RenderClip(const Scene& s, const std::filesystem::path& directory, const ClipOptions& options) {
  std::filesystem::create_directories(directory);
  const Spray spray(s.spray);
  const Stand stand(s.stand);
  const std::vector<Stand::Steady> steady = stand.Points();
  const std::vector<double> times_s = FrameTimes(s);
  ClipTruth truth{s, spray, MakeCamera(s.camera), StationsOf(s, steady), {}, {}, {}, -1.0, {}};
  truth.points = PointsInVideo(s, steady, times_s.back() + 0.5 / s.recording.fps);
  const int rows = BoundaryRows(s);
  truth.own.assign(truth.points.size(),
                   BoundaryStack(rows, std::hypot(s.look.blur_px, s.recording.defocus_px)));
  WriteFrames(times_s, rows, directory, truth);
  WriteText(directory / options.rig_name, RigText(s));
  if (s.lens_file) WriteText(directory / "lens.toml", LensText(s));
  WriteText(directory / options.log_name, LogText(stand, s.log_format));
  if (!options.fast && (s.negative.empty() || s.marginal)) {
    truth.long_time = DrawLongTime(s, spray, truth.camera, truth.stations, rows,
                                   {options.truth_u_deg, options.truth_frames});
  }
  WriteText(directory / "truth.json", TruthText(truth));
}

}  // namespace conebook::render

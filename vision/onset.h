// The first spray frame: watches a box below the exit for a lasting change against the clip's first frame.
#pragma once

#include <cstdint>
#include <optional>
#include <vector>

#include "vision/clip_model.h"

namespace conebook::vision {

struct OnsetOptions {
  double least_ratio = 2.5;  // of the later change to that of the frames before
  double sharp_steps = 5.0;  // or: of the step to the scatter before and after it
  double sure_ratio = 8.0;   // from here on the step is the valve's; below, a step of pressure looks alike
  double most_likeness =
      0.6;  // below sure_ratio: correlation of the first frames' edges with the later ones'
  double least_change = 0.004;  // of full light
  double most_unrest =
      2.0;  // change in the box before the step against that elsewhere; more: already spraying
  double most_calming = 1.5;  // unrest from frame to frame before the step against after it; more: it closes
  int most_points = 5000;     // looked at in a frame
};

class OnsetWatch {
 public:
  OnsetWatch(const ClipModel& model, const OnsetOptions& options);

  void Add(const RowsView& rows);
  // The last frames differ from the clip's beginning more than its noise does.
  bool Suspicious() const;
  // A first spray frame is known and `frames` more have been seen at a steady level.
  bool Settled(int frames) const;
  // Index of the first frame at half the later level. Nothing: no lasting step, the spray was on at frame one
  // (or never).
  std::optional<std::int64_t> FirstSprayFrame() const;
  // Change of each frame added against the first, of the later level.
  std::vector<double> Change() const;
  double RiseFrames() const;  // from a quarter to three quarters of the level

 private:
  struct Spot {
    int x, y;
  };
  void Place();
  void KeepEdges(const RowsView& rows);
  double Level() const;
  // The picture is calmer after the step than before it: the spray ends there.
  bool Calms(std::size_t first) const;
  bool Sharp(std::size_t first, double step) const;
  // Correlation between the horizontal light differences of the first and of the last frames: near 1 where
  // the spray's rims stand in both.
  double Likeness() const;
  double StrongChange(const RowsView& rows, const std::vector<Spot>& spots, const std::vector<float>& first,
                      const std::vector<float>& shaken, float gain);
  float ChangeByShake(const RowsView& rows, const Spot& spot) const;
  // Light of the picture's rows against the first frame, where bands run across it alike on both sides.
  void LevelRows(const RowsView& rows, float gain);

  const ClipModel& model_;
  OnsetOptions options_;
  std::vector<Spot> box_, around_;
  std::vector<float> first_box_, first_around_;
  // Where the whole picture is watched the body's edges are in it: what shake may change, of each place.
  std::vector<float> shaken_box_, shaken_around_;
  std::vector<double> change_;     // of each frame against the first
  std::vector<double> elsewhere_;  // the same outside any spray
  std::vector<Spot> all_over_;     // the whole picture: near the exit a sheet may be as smooth as air
  std::vector<double> unrest_;     // there, of each frame against the one before
  std::vector<float> last_light_, now_light_;  // there, of the last frame and of this
  std::vector<float> shaken_all_over_;
  std::vector<float> first_edges_;              // sums over the first frames
  std::vector<std::vector<float>> last_edges_;  // of the last frames, a ring
  int edge_reach_px_ = 2;
  std::vector<float> row_light_;  // relative to the gain; empty: even
  std::vector<float> work_;
};

}  // namespace conebook::vision

// Bands across the picture: a lamp on the mains flickers while a rolling shutter goes from line to line, so
// each sensor line has a light of its own. Told from the spray-free frames: the lines' means vary from frame
// to frame, and alike on the left and on the right. In back light the lines' light is read anew in each frame
// from what lies outside the spray, and taken out. In front light it cannot be (mist adds light to a dark
// background), and is flagged.
//
// Bands that stand still are part of the background, and do no harm.
#pragma once

#include <vector>

#include <calib/flag.h>

#include "vision/clip_model.h"
#include "vision/reading_frame.h"

namespace conebook::vision {

struct LightBandOptions {
  int line_step = 8;            // sensor lines whose light is taken for one
  double least_rms = 0.005;     // of the light: less is left alone
  double least_likeness = 0.6;  // correlation of the left with the right
  double doubt_rms = 0.03;      // front light: worth a warning
};

// Whether the sensor's lines are the rows of the reading frame (else its columns), or neither.
enum class LinesRun { kAcross, kDown, kAskew };
LinesRun LinesOf(const ReadingFrame& reading);

class BandWatch {
 public:
  BandWatch(const ClipModel& model, const LightBandOptions& options) : model_(model), options_(options) {}
  void Add(const RowsView& rows);  // of a spray-free frame
  double Rms() const;              // relative, of the bands; 0: none
 private:
  const ClipModel& model_;
  LightBandOptions options_;
  std::vector<std::vector<double>> halves_[2];  // [frame][line group], relative to the frame's mean
};

// Light of every line against the frame's gain: one value a row (or column) of the reading frame. Ones where
// too little of the background shows.
void BandGain(const ClipModel& model, const RowsView& rows, float gain, std::vector<float>& of_line);

void FlagBands(const ClipModel& model, const LightBandOptions& options, std::vector<calib::Flag>& flags);

}  // namespace conebook::vision

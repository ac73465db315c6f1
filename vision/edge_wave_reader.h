// Reads vision/edge_waves.h from the edges of many frames.
//
// Per side and row the edge's place in time, less its mean and less the frame's own straight line (pulsation,
// lean), in units of the row's scatter (waves grow downstream). Correlated with itself, rows and frames
// apart:
//   wavelength   twice the distance at which rows of one frame are most unlike
//   speed        the distance at which rows are most alike one frame later, and two, .. as long as they are;
//                straight line through nothing
// The edge is the silhouette of the sheet: its waves are the sheet's that pass there. A camera that reads its
// rows one after another sees them stretched: by less than speed over (picture height * frame rate), in u for
// display-encoded footage. Definitions by us; correlation in space and time is common practice.
#pragma once

#include <optional>
#include <span>
#include <string>
#include <vector>

#include "vision/edge_waves.h"
#include "vision/record_spool.h"

namespace conebook::vision {

struct EdgeWaveOptions {
  int most_rows = 160;  // coarser beyond
  int most_frames = 1200;
  int least_frames = 24;
  double least_found = 0.8;      // of a row's frames
  double least_alike = 0.3;      // of neighbouring rows: less is noise
  double least_kept = 0.35;      // of that, one frame later: less is not the same wave
  double least_rms_px = 0.25;    // of the edge at the end of the sheet
  double least_waves = 2.0;      // between the first row and the last
  double least_unlike = -0.05;   // at half a wave
  double ambiguous_part = 0.75;  // of the best agreement, at another place
  double better_part = 1.15;     // of it: elsewhere it is clearly better
  int most_steps = 4;            // frames apart
  int blocks = 8;
};

struct EdgeWaveRequest {
  const RecordSpool* spool = nullptr;
  std::vector<std::size_t> frames;  // indices into the spool
  std::vector<double> time_s;       // of each of the spool's frames
  double interval_s = 0.0;
  std::vector<double> z_mm;  // of each read row, below the exit
  double from_mm = 0.0, to_mm = 0.0;
  double px_per_mm = 0.0, u_px_per_mm = 0.0;
  double picture_height_px = 0.0;
  bool rows_one_after_another = false;  // it may be so
};

struct EdgeWaveResult {
  std::optional<EdgeWaves> waves;
  std::string why;  // where there are none
};

EdgeWaveResult ReadEdgeWaves(const EdgeWaveRequest& request, const EdgeWaveOptions& options);

}  // namespace conebook::vision

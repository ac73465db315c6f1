// Where the cone lies, roughly: level of the rims and a line along each side, from a sample of the clip. What
// every frame is then read around.
#pragma once

#include <array>
#include <optional>
#include <vector>

#include "vision/clip_model.h"
#include "vision/footage.h"
#include "vision/read_frame.h"

namespace conebook::vision {

// Rows from just below the exit to the picture's end; columns first as wide as any cone, later around the
// guess.
void SetRows(ClipModel& model);
void SetColumns(ClipModel& model, bool around_guess);

// Level and cone from a sample, starting low and wide. False: no connected cone could be followed.
struct GuessOutcome {
  bool found = false;
  std::array<bool, 2> followed{false, false};  // a line could be laid along that side
  std::optional<double> opening;               // sum of the sides' slopes outward, where both were followed
  double found_share = 0.0;
  double row_spread = 0.0;                 // of the median boundary about its line, parts of the half width
  std::optional<double> exit_diameter_px;  // width of the spray where it leaves
};

// Of the rows that its sides can be seen on: a cone shows on more.
inline constexpr double kLeastFoundShare = 0.12;

// A share of all rows and sides with an edge, as a share of those whose guessed side lies in the picture: a
// wide cone leaves a picture held lengthwise long before its last row.
double FoundShareInPicture(const ClipModel& model, double found_share);

// Noise near the threshold: average neighbouring rows, filter more.
GuessOutcome SearchCone(ClipModel& model, const std::vector<LumaFrame>& sample);

// Level and cone guess anew, from frames of one stretch; what else the model knows stays. False: no cone
// could be followed, and the model is as it was.
bool GuessCone(const std::vector<LumaFrame>& frames, ClipModel& model);

// The frames read without any guess: what hangs together from the exit on, whatever its shape. `model`: with
// columns as wide as any spray and the level found for these frames.
std::vector<FrameRecord> ReadWithoutGuess(const std::vector<LumaFrame>& frames, ClipModel& model);

}  // namespace conebook::vision

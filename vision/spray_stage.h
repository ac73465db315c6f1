// Stages through which a simplex swirl element goes as the pressure rises: dribble, distorted pencil, onion,
// tulip, fully developed (A. H. Lefebvre, Atomization and Sprays; from memory).
//   dribble           liquid leaves in drops: what hangs together below the exit comes and goes
//   distorted pencil  a jet, its sides nearly parallel
//   onion             a hollow cone that surface tension closes again, a jet below
//   tulip             hollow and open, with a ragged edge, but its sides bend towards the axis
//   fully developed   straight sides: only this one has a cone angle
//
// Decided from the half width w of the outline against the distance z below the exit, both in the same unit.
// A free sheet is the hyperboloid w^2 = r0^2 + (z tan a)^2, which only ever bends outward. Surface tension
// draws a sheet whose thickness goes as 1 / radius inward at a constant rate (balance of forces normal to a
// thin sheet, slender limit; G. I. Taylor 1959 on water bells, from memory), so that z becomes z (1 - z /
// zc): a bell that would close at zc. The bend is the part of its first slope that the side has lost where
// the sheet ends, at z = L:
//   bend = 2 L / zc.
// 0: straight; 1: the side hangs parallel to the axis. Waves and the hyperboloid's own curvature make it
// negative, air drawn in by the spray a little positive. All measures are free of scale: mirrored, enlarged
// or turned footage gives the same stage.
#pragma once

#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <vector>

namespace conebook::vision {

enum class SprayStage { kDribble, kDistortedPencil, kOnion, kTulip, kFullyDeveloped };

const char* NameOf(SprayStage stage);   // as in the result file: "distorted_pencil"
const char* InWords(SprayStage stage);  // "distorted pencil"
std::optional<SprayStage> StageNamed(std::string_view name);

// The outline of a stretch of frames, from the exit downward. Outward distances from the spray's axis.
struct OutlineRow {
  double z = 0.0;
  double left = 0.0, right = 0.0;  // medians over frames
  double scatter = 0.0;            // of the half width from frame to frame, robust
  double ragged =
      0.0;  // mean bend of the sides from row to row in single frames: drops jump, a sheet does not
  double found = 0.0;  // share of frames that show liquid from the exit on both sides here
  double HalfWidth() const { return 0.5 * (left + right); }
};

struct Outline {
  std::vector<OutlineRow> rows;  // by rising z; rows where nothing was found have found = 0
  double exit_radius = 0.0;      // same unit
  double pixel = 1.0;            // of the image, same unit
  double largest_drop = 1e9;     // diameter of the largest drop that can hang from this exit, same unit
};

struct StageOptions {
  double straight_bend = 0.15;  // up to here straight: the sheet would close no nearer than 13 of its lengths
  double tulip_bend = 0.35;     // from here on a tulip: it would close within 6 of its lengths
  double pencil_deg = 4.0;      // half angle up to which sides are parallel
  double open_deg = 7.0;        // from here on they are not
  double jet_bulge = 1.35;      // greatest width against that near the exit: less is a jet's unevenness
  double hollow_bulge = 1.6;    // more is a hollow body
  double closed_part = 0.75;    // of the widening that is lost again: more is closed
  double open_part = 0.5;       // less is open
  double least_found = 0.6;     // share of frames in which a row must show liquid
  double least_length = 4.0;    // exit diameters of outline; less cannot tell, unless it
  double least_sheet = 1.5;     // is so long and opens to its very end
  double most_scatter = 0.12;   // of the half width, from frame to frame, of a sheet
  double most_ragged_px = 0.45;     // and its sides' bend from row to row, or
  double most_ragged_part = 0.005;  // of the half width, or
  double most_ragged_times = 2.5;   // times that nearer the exit: beyond are drops
  double most_aside = 0.35;  // |left - right| / (left + right) about a straight lean: more is not one spray
  double noise_part = 0.06;  // bend from row to row, of the half width: noise, no liquid
  double drop_length = 1.4;  // against its width: a drop that hangs is no longer
};

struct StageReading {
  std::optional<SprayStage> stage;  // nothing: between two stages, or too little to see
  bool undeveloped = false;         // whatever the stage, it is not the fully developed cone
  bool hollow = false;              // undeveloped, and no jet
  bool shapeless = false;           // what was seen is not one body of liquid below the exit
  double half_angle_deg = 0.0;      // of the sides as they leave the exit
  double bend = 0.0;
  double length = 0.0;  // how far down the outline was judged
  std::string why;      // a clause, without a full stop
};

// A drop falls when it outweighs the pull of its neck: diameter^3 = 6 sigma d / (rho g) for an exit of
// diameter d (T. Tate 1864, from memory); for water sigma / (rho g) = 7.4 mm^2, and few liquids pull harder.
double LargestDropMm(double exit_diameter_mm);

StageReading StageOf(const Outline& outline, const StageOptions& options);

// Least squares of w = sqrt(r0^2 + (t z (1 - k z))^2) + c; robust against the odd row. Nothing where there
// are too few rows or no convergence.
struct BellFit {
  double tan_a = 0.0;      // t
  double per_close = 0.0;  // k = 1 / zc
  double offset = 0.0;     // c
  double spread = 0.0;     // robust, of the rows about the fit
  double Bend(double z) const { return 2.0 * per_close * z; }
};
std::optional<BellFit> FitBell(std::span<const double> z, std::span<const double> w, double r0);

}  // namespace conebook::vision

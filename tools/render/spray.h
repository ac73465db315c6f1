// The physics of one spray: a swirling sheet that is a hyperboloid r^2 = r0^2 + (z tan a)^2 (liquid leaves
// the exit's circle on straight lines), waves that grow and convect on it, a rim where it ends, ligaments
// beyond, drops on the straight paths of the liquid they came from. Millimetres; axial distance z from the
// exit along the spray's axis.
//
// Below full development surface tension wins: a thin sheet whose thickness goes as 1 / radius is drawn
// towards its axis at a constant rate (balance of the sheet's normal forces, slender limit; G. I. Taylor 1959
// on water bells, from memory). Then z tan a becomes z (1 - z / closes_mm) tan a, a bell that closes at
// closes_mm and runs on as a jet: an onion if it closes before it breaks up, a tulip if it breaks up on the
// way.
//
// Everything is a function of the instant, in any order: waves and drops are carried by `travel_mm`, the
// axial way the liquid has gone since it first left the exit. So sub-frames, far-away frames and long-time
// truth cost the same.
#pragma once

#include <cstdint>
#include <vector>

#include "render/camera.h"

namespace conebook::render {

enum class Film { kGrey, kClear };

struct SpraySetting {
  std::uint64_t seed = 0;
  double exit_radius_mm = 0.5, r0_mm = 0.45;
  double half_angle_deg = 30.0, breakup_mm = 15.0;  // at the reference pressure
  double breakup_scatter = 0.1;                     // of ln(breakup) around the cone and in time
  double breakup_patch_deg = 30.0;                  // how far around the cone the breakup stays alike
  double wave_mm = 0.2;                             // rms displacement at the breakup
  double wave_growth = 3.0;                         // e-folds from exit to breakup
  double wave_length_mm = 3.0;
  int wave_modes = 12, wave_swirl = 4;                   // largest circumferential wavenumber
  double ligament_pitch_mm = 0.5, ligament_reach = 0.3;  // reach as a part of the breakup length
  double drop_um = 150.0, drop_spread = 0.45;            // median by number, sd of ln(diameter)
  double drops_per_mm = 100.0;                           // of axial travel
  double drop_scatter_deg = 3.0, stray_share = 0.02, stray_scatter_deg = 12.0;
  // Drops per angle about the axis as 1 + drop_uneven cos(angle), 0 to the picture's right, 90 away from the
  // camera; and a share of them in one ray.
  double drop_uneven = 0.0, drop_ray_share = 0.0, drop_ray_deg = 60.0, drop_ray_width_deg = 4.0;
  double pulsation_hz = 0.0, pulsation_deg = 0.0;  // amplitude: half peak to peak of the cone half angle
  double view_mm = 60.0;                           // drops are followed this far
  bool solid_jet = false;
};

// Stages of a simplex swirl element with rising pressure (A. H. Lefebvre, Atomization and Sprays; from
// memory).
enum class Stage { kDribble, kPencil, kOnion, kTulip, kCone };

// What the liquid does at one instant.
struct Instant {
  Stage stage = Stage::kCone;
  double closes_mm = 0.0;  // where the bell would close; 0: never
  double wave_part = 1.0;  // of the setting's waves
  double time_s = 0.0, travel_mm = 0.0;
  double front_mm = 1e9;  // how far liquid has come since the valve opened
  double tail_mm = 0.0;   // how far the last liquid has gone since the valve shut
  double line_s = 0.0;    // a rolling shutter takes each picture row so much later than the one above
  double stop_mm = 1e9;   // no sheet is drawn beyond
  double tan_a = 0.5, breakup_mm = 15.0;
  double axial_m_s = 15.0;
};

struct Texture {  // uniform in [0, 1], smooth, periodic both ways
  int width = 0, height = 0;
  std::vector<float> value;
};

inline constexpr int kRimSectors = 360;

class Spray {
 public:
  explicit Spray(const SpraySetting& setting);

  // ln(breakup / median) at an angle around the axis: zero median.
  double BreakupLog(double phi_rad, double travel_mm, double breakup_mm) const;
  // The same for evenly spaced angles.
  std::vector<float> BreakupLogs(int count, double travel_mm, double breakup_mm) const;
  // Axial distance where the continuous sheet ends.
  double BreakupAt(double phi_rad, const Instant& now) const;
  // Where the continuous sheet ends, around the cone: kRimSectors and the first one again.
  std::vector<float> RimAround(const Instant& now) const;
  // Radius of the mean (wave-free) sheet, and its slope dr/dz.
  double RadiusAt(double z_mm, double tan_a, double closes_mm = 0.0) const;
  // Of the waves, weighted by their power: of the liquid's speed.
  double WaveSpeedPart() const;
  double SlopeAt(double z_mm, double tan_a, double closes_mm = 0.0) const;

  struct Mode {
    double wave_rad_mm, speed, phase, share;
    int swirl;
  };
  SpraySetting setting;
  std::vector<Mode> modes;
  Texture net, skin;  // ligaments; thickness and small holes

 private:
  struct Ripple {
    int turns;
    double per_breakup, phase;
  };
  std::vector<Ripple> ripples_;
};

// At a turn around the cone, whole turns aside.
double RimAt(const std::vector<float>& rim_mm, double turn);

}  // namespace conebook::render

// A small rendered clip of clear liquid that nothing is wrong with, and its view.
#pragma once

#include <algorithm>
#include <cstdlib>
#include <filesystem>
#include <string>
#include <vector>

#include <catch2/catch.hpp>

#include <vision/spray_measurement.h>

#include "scratch.h"

namespace conebook::tests {

// `more` changes some of it.
inline std::filesystem::path Clip(const std::string& name, const std::string& more) {
  const std::filesystem::path folder = ScratchFolder("small-" + name);
  const std::string command =
      std::string(CONEBOOK_RENDER) + " --seed 5 --fast --out '" + folder.string() +
      "' --set light=backlit film=clear container=mp4 codec=h264 camera=phone clean=1 prespray=1 width=480 "
      "height=360 fps=30 rotation=0 quality=12 bit_rate_mbit=0 full_range=0 variable_rate=0 px_per_mm=8.2 "
      "exit_x_px=241 exit_y_px=46 axis_deg=0 tilt_deg=0 distance_mm=420 exit_diameter_mm=1.2 r0_mm=0.56 "
      "half_angle_deg=34 breakup_mm=19 breakup_in_view=1 limb_depth=1.4 field=0.66 haze=0 shake_px=0 "
      "pulsation_deg=0 window_drops=0 flicker=0 exposure_drift=0 pressures_bar=4 hold_1_s=1.2 frames=40 " +
      more + " > /dev/null 2>&1";
  REQUIRE(std::system(command.c_str()) == 0);
  return folder / "clip.mp4";
}

inline const std::filesystem::path& GoodClip() {
  static const std::filesystem::path kGood = Clip("good", "gain=1");
  return kGood;
}

inline calib::Stated Known(double value, double u) {
  return {value, u, false, false};
}

inline vision::View ViewOfClip() {
  vision::View view;
  view.px_per_mm = Known(8.2, 0.01);
  view.distance_mm = Known(420.0, 1.0);
  view.tilt_deg = Known(0.0, 0.1);
  view.axis_deg = Known(0.0, 0.1);
  view.exit_x_px = Known(241.0, 0.3);
  view.exit_y_px = Known(46.0, 0.3);
  view.exit_diameter_mm = Known(1.2, 0.01);
  view.illumination = vision::Illumination::kBacklit;
  return view;
}

inline const calib::Flag* Find(const std::vector<calib::Flag>& flags, const std::string& code) {
  const auto at =
      std::find_if(flags.begin(), flags.end(), [&](const calib::Flag& f) { return f.code == code; });
  return at == flags.end() ? nullptr : &*at;
}

}  // namespace conebook::tests

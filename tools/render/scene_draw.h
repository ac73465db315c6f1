// The drawing of a clip, subject by subject, in the order of its keys. Each subject has its own stream of
// random numbers; what one finds and others need stands here.
#pragma once

#include <cstdint>
#include <numbers>
#include <vector>

#include "render/random.h"
#include "render/scene.h"
#include "render/scene_keys.h"

namespace conebook::render {

inline constexpr double kRadians = std::numbers::pi / 180.0;

struct SceneDraw {
  SceneDraw(const SceneOptions& given, std::vector<SceneKey>* list);

  // In this order.
  void DrawKind();
  void DrawPicture();
  void DrawPressures();
  void DrawGeometry();  // of view and spray
  void DrawCamera();
  void DrawLightAndRecording();
  void DrawFaults();
  void DrawStand();
  void DrawTimes();
  void DrawDrops();  // as many as the flow feeds, up to what is sensible to draw
  void DrawStagesOfLevels();
  void Spoil();     // clips that must be refused, or are spoilt by degrees
  void StateRig();  // what the rig says, in error by draws from its u

  const SceneOptions& options;
  Keys keys;
  std::uint64_t seed;
  Scene s;
  RecordingSetting& rec = s.recording;
  StandSetting& st = s.stand;
  SpraySetting& sp = s.spray;
  Random stand, view, sheet;

  bool is_phone = false, frontlit = false, clear = false;
  double lowest_bar = 0.0, highest_bar = 0.0, log_span = 0.0;  // of the levels; ln highest / lowest
  double widest_deg = 0.0;                                     // half angle at the highest level
  bool rig_measured = false, axis_written = false, tilt_written = false;
  double dx = 0.0, dy = 1.0;             // where the nozzle points in the picture
  double scale = 0.0;                    // px/mm at the exit
  double depth_mm = 0.0, side_mm = 0.0;  // from the exit to the picture's border
  double exit_mm = 0.0, area_mm2 = 0.0, tap_mm = 0.0;
};

}  // namespace conebook::render

#include "render/scene.h"

#include <algorithm>
#include <cmath>
#include <stdexcept>
#include <utility>

#include <fmt/format.h>

#include "render/scene_draw.h"

namespace conebook::render {
namespace {

constexpr std::pair<Stage, const char*> kStageNames[] = {{Stage::kDribble, "dribble"},
                                                         {Stage::kPencil, "distorted_pencil"},
                                                         {Stage::kOnion, "onion"},
                                                         {Stage::kTulip, "tulip"},
                                                         {Stage::kCone, "fully_developed"}};

// One word for all levels, or one a level: "onion/tulip/fully_developed".
std::vector<Stage> Stages(const std::string& text, std::size_t levels) {
  std::vector<Stage> stages;
  for (std::size_t at = 0; at <= text.size();) {
    const std::size_t end = std::min(text.find('/', at), text.size());
    const std::string word = text.substr(at, end - at);
    const auto* found = std::find_if(std::begin(kStageNames), std::end(kStageNames),
                                     [&](const auto& entry) { return word == entry.second; });
    if (found == std::end(kStageNames))
      throw std::invalid_argument(fmt::format("--set stage: no such stage \"{}\"", word));
    stages.push_back(found->first);
    at = end + 1;
  }
  if (stages.size() == 1) stages.resize(levels, stages.front());
  if (stages.size() != levels)
    throw std::invalid_argument(
        fmt::format("--set stage: expected one or {} stages, found {}", levels, stages.size()));
  return stages;
}

}  // namespace

const char* NameOf(Stage stage) {
  for (const auto& [known, name] : kStageNames) {
    if (known == stage) return name;
  }
  return "";
}

SceneDraw::SceneDraw(const SceneOptions& given, std::vector<SceneKey>* list)
    : options(given),
      keys(given, list),
      seed(given.seed),
      stand(given.seed, "stand"),
      view(given.seed, "view"),
      sheet(given.seed, "sheet") {
  s.seed = given.seed;
  s.negative = given.negative;
}

void SceneDraw::DrawKind() {
  Random kind(seed, "kind");
  const double which = kind.Unit();
  const bool drawn_clean = kind.Chance(0.4);
  const bool drawn_phone = which < 0.6;
  const bool phone = options.group == "phone" || (options.group != "highspeed" && drawn_phone);
  s.clean = keys.Flag("clean", options.group == "clean" || (options.group == "any" && drawn_clean),
                      "1: low noise, no shake or haze, rig values well known");
  s.camera_kind = keys.Word("camera", phone ? "phone" : "highspeed", {"phone", "highspeed"}, "");
  is_phone = s.camera_kind == "phone";
  s.light = keys.Word("light", kind.Chance(0.5) ? "backlit" : "frontlit", {"backlit", "frontlit"}, "");
  const std::string film = keys.Word("film", kind.Chance(0.5) ? "grey" : "clear", {"grey", "clear"},
                                     "grey: depth through both walls; clear: the limb only");
  const bool drawn_prespray = kind.Chance(s.clean ? 1.0 : 0.85);
  s.prespray = keys.Flag("prespray", drawn_prespray, "frames before the valve opens");
  frontlit = s.light == "frontlit";
  clear = film == "clear";
  s.look.film = clear ? Film::kClear : Film::kGrey;
  s.look.frontlit = frontlit;
  s.element = keys.Text("element", fmt::format("R{:02d}", 1 + kind.Index(40)), "element id in the rig");
  s.batch = keys.Text("batch", kind.Chance(0.5) ? "reamed" : "spark_eroded", "its batch");
}

void SceneDraw::DrawStagesOfLevels() {
  Random stage(seed, "stage");
  s.stages = Stages(
      keys.Text("stage", "fully_developed",
                "of all levels, or one a level: dribble, distorted_pencil, onion, tulip, fully_developed"),
      st.drops_bar.size());
  s.onion_closes_mm =
      keys.Number("onion_closes_mm", depth_mm * stage.Uniform(0.35, 0.75), "where an onion closes");
  s.onion_breakup_mm = depth_mm * stage.Uniform(1.3, 1.8);
  s.tulip_closes_part = keys.Number("tulip_closes_part", stage.LogUniform(1.6, 3.5),
                                    "where a tulip would close, in its breakup lengths");
  s.pencil_deg = keys.Number("pencil_deg", stage.LogUniform(0.2, 2.0), "half angle of a distorted pencil");
}

void SceneDraw::Spoil() {
  Random spoil(seed, "spoil");
  const double spoil_a = spoil.Unit();
  const bool spoil_b = spoil.Chance(0.5);
  if (s.negative == "solid_jet" || s.negative == "several_jets") {
    sp.solid_jet = true;
    sp.half_angle_deg = 0.15;
    s.angle_rise_deg = 0.0;
    sp.pulsation_deg = 0.0;
    sp.breakup_mm = depth_mm * (0.8 + 1.2 * spoil_a);
    sp.wave_mm = 0.06 * sp.r0_mm;
    sp.drop_scatter_deg = 0.4;
    sp.drops_per_mm = std::min(sp.drops_per_mm, 1.0 / sp.exit_radius_mm);
    sp.drop_um = 1.8e3 * sp.exit_radius_mm;
    sp.drop_spread = 0.1;
    s.look.wall_depth = std::max(s.look.wall_depth, 0.5);
    s.look.limb_depth = std::max(s.look.limb_depth, 1.0);
    s.look.interior_depth = std::max(s.look.interior_depth, 0.35);
    s.lean_deg *= 0.3;
    if (s.negative == "several_jets") {
      // As a plate with slanted holes throws them, well apart or nearly one.
      const double apart = 8.0 + 22.0 * spoil_a;
      s.jets_deg = {-apart, spoil_b ? 0.15 * apart : -0.1 * apart, apart};
    }
  } else if (s.negative == "cut_off") {
    // One side leaves the picture before half of the station rows.
    const double side =
        std::tan(sp.half_angle_deg * kRadians) * sp.breakup_mm * 0.75 * (0.2 + 0.2 * spoil_a) * scale;
    const double sign = spoil_b ? 1.0 : -1.0;
    if (std::abs(dy) > std::abs(dx)) {
      s.camera.exit_px.x = sign > 0.0 ? rec.width - 1 - side : side;
    } else {
      s.camera.exit_px.y = sign > 0.0 ? rec.height - 1 - side : side;
    }
  } else if (s.negative == "cut_off_partly") {
    // One side leaves the picture somewhere between the near station and a third beyond the far one.
    s.marginal = true;
    const double side =
        std::tan(sp.half_angle_deg * kRadians) * sp.breakup_mm * 0.75 * (0.3 + spoil_a) * scale;
    const double sign = spoil_b ? 1.0 : -1.0;
    if (std::abs(dy) > std::abs(dx)) {
      s.camera.exit_px.x = sign > 0.0 ? rec.width - 1 - side : side;
    } else {
      s.camera.exit_px.y = sign > 0.0 ? rec.height - 1 - side : side;
    }
  } else if (s.negative == "overexposed_partly") {
    s.marginal = true;
    rec.gain = std::exp(spoil_a * std::log(5.0));
  } else if (s.negative == "defocused_partly") {
    s.marginal = true;
    rec.defocus_px = std::exp(spoil_a * std::log(10.0));
  } else if (s.negative == "barely_open") {
    s.marginal = true;
    sp.half_angle_deg = 1.2 * std::exp(spoil_a * std::log(8.0));
    s.angle_rise_deg = 0.0;
    sp.pulsation_deg = 0.0;
  } else if (s.negative == "moving_background") {
    s.marginal = true;
    rec.moving = 0.01 * std::exp(spoil_a * std::log(50.0));
  } else if (s.negative == "overexposed") {
    rec.gain = frontlit ? 8.0 + 12.0 * spoil_a : 5.0 + 8.0 * spoil_a;
    s.look.wall_depth = std::min(s.look.wall_depth, 0.3);
  } else if (s.negative == "defocused") {
    rec.defocus_px = 10.0 + 12.0 * spoil_a;
  }
}

Scene DrawScene(const SceneOptions& options, std::vector<SceneKey>* list) {
  SceneDraw draw(options, list);
  draw.DrawKind();
  draw.DrawPicture();
  draw.DrawPressures();
  draw.DrawGeometry();
  draw.DrawCamera();
  draw.DrawLightAndRecording();
  draw.DrawFaults();
  draw.DrawStand();
  draw.DrawTimes();
  draw.DrawDrops();
  draw.DrawStagesOfLevels();
  draw.Spoil();
  draw.StateRig();
  draw.keys.CheckAllUsed();
  return draw.s;
}

Instant SteadyInstant(const Scene& scene, double drop_bar, double time_s, double travel_mm) {
  Instant now;
  now.time_s = time_s;
  now.travel_mm = travel_mm;
  const double part = std::max(drop_bar, 1e-6) / scene.reference_bar;
  // Below a fraction of the level the swirl is not there yet: a dribble, a narrow tulip, then the cone.
  const double formed = std::min(1.0, std::sqrt(part / 0.35));
  const double angle =
      (scene.spray.half_angle_deg + scene.angle_rise_deg * std::log(std::max(part, 0.3))) * formed;
  now.tan_a = std::tan(std::max(angle, 0.05) * kRadians);
  now.breakup_mm = scene.spray.breakup_mm * std::pow(std::clamp(part, 0.3, 10.0), -scene.breakup_power);
  const double full_m_s =
      scene.velocity_part * std::sqrt(2e5 * std::max(drop_bar, 0.0) / scene.stand.density_kg_m3);
  if (!scene.stages.empty()) {
    const auto away = [&](std::size_t i) {
      return std::abs(std::log(std::max(drop_bar, 1e-3) / scene.stand.drops_bar[i]));
    };
    std::size_t nearest = 0;
    for (std::size_t i = 1; i < scene.stages.size(); ++i) {
      if (away(i) < away(nearest)) nearest = i;
    }
    now.stage = scene.stages[nearest];
  }
  if (now.stage == Stage::kOnion) {
    now.closes_mm = scene.onion_closes_mm;
    now.breakup_mm = scene.onion_breakup_mm;
  } else if (now.stage == Stage::kTulip) {
    now.closes_mm = scene.tulip_closes_part * now.breakup_mm;
  } else if (now.stage == Stage::kPencil) {
    now.tan_a = std::tan(scene.pencil_deg * kRadians);
    now.breakup_mm = scene.onion_breakup_mm;
    now.wave_part = std::min(1.0, 0.3 * scene.spray.r0_mm / scene.spray.wave_mm);
  }
  now.axial_m_s = std::max(full_m_s / std::sqrt(1.0 + now.tan_a * now.tan_a), 0.05);
  return now;
}

}  // namespace conebook::render

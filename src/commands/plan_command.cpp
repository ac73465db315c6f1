#include "src/commands/plan_command.h"

#include <vector>

#include <CLI/CLI.hpp>
#include <fmt/core.h>
#include <nlohmann/json.hpp>

#include "src/commands/output.h"
#include "src/quantity_json.h"
#include "src/report/digits.h"

namespace conebook::src {
namespace {

using Json = nlohmann::ordered_json;

constexpr const char* kHelp =
    R"(From what is expected of the spray and what is known of the camera: field of view, px/mm, the longest exposure that
freezes the sheet to one pixel, the frame rate up to which frames are independent, depth of field, diffraction,
the smallest drop that can be sized, the clip's length for a wanted u, and the u of the half angle by cause. The
sheet's speed is taken as the most that the pressure allows.

Examples:
  conebook plan --pressure-bar 5 --half-angle-deg 35 --exit-mm 1.6 --width-px 1920 --height-px 1080 --focal-mm 35
      --pixel-um 5.5 --distance-mm 400 --f-number 8 --fps 60
  conebook plan ... --exposure-us 10 --wanted-u-deg 0.05 --lens-calibrated --u-tilt-deg 0.5 --json

What it says of u is worked out, not measured. How to film, in pictures: vision/filming/README.md of the sources.
Pressurised liquid can injure: keep to the stand's rated pressure, your local codes, and licensed practice.)";

std::string PlanJson(const Plan& plan) {
  const auto or_null = [](const std::optional<double>& value) {
    return value ? Json(*value) : Json(nullptr);
  };
  Json json{{"schema", "conebook.plan/1"},
            {"px_per_mm", plan.px_per_mm},
            {"focal_px", plan.focal_px},
            {"magnification", plan.magnification},
            {"view_mm", {plan.view_width_mm, plan.view_height_mm}},
            {"spray_in_view_mm", plan.spray_in_view_mm},
            {"far_mm", plan.far_mm},
            {"speed_m_s", plan.speed_m_s},
            {"longest_exposure_us", plan.longest_exposure_us}};
  json["smear_px"] = or_null(plan.smear_px);
  json["independent_fps"] = plan.independent_fps;
  json["near_limit_mm"] = plan.near_limit_mm;
  json["far_limit_mm"] = or_null(plan.far_limit_mm);
  json["depth_of_field_mm"] = plan.far_limit_mm ? Json(plan.depth_of_field_mm) : Json(nullptr);
  json["airy_um"] = plan.airy_um;
  json["airy_px"] = plan.airy_px;
  json["smallest_drop_um"] = plan.drop_4_percent_um;
  json["frames_wanted"] = plan.frames_wanted;
  json["clip_s"] = plan.clip_s;
  json["frames"] = plan.frames;
  json["half_angle_deg"] = Json::parse(QuantityJson(plan.half_angle_deg));
  return json.dump(2) + "\n";
}

void Print(const PlanInput& in, const Plan& plan) {
  fmt::print("scale             {:.2f} px/mm; the picture shows {:.1f} x {:.1f} mm\n", plan.px_per_mm,
             plan.view_width_mm, plan.view_height_mm);
  fmt::print("spray             in view down to {:.1f} mm below the exit; far station {:.1f} mm\n",
             plan.spray_in_view_mm, plan.far_mm);
  fmt::print(
      "exposure          {:.2g} us at most: the sheet moves at up to {:.1f} m/s{}\n",
      plan.longest_exposure_us, plan.speed_m_s,
      plan.smear_px ? fmt::format("; {:g} us smear it over {:.1f} px", *in.exposure_us, *plan.smear_px) : "");
  fmt::print("frame rate        frames are independent up to {:.0f} a second\n", plan.independent_fps);
  if (plan.far_limit_mm)
    fmt::print("depth of field    {:.1f} mm, from {:.1f} to {:.1f} mm from the lens (blur of one pixel)\n",
               plan.depth_of_field_mm, plan.near_limit_mm, *plan.far_limit_mm);
  else
    fmt::print("depth of field    from {:.1f} mm to infinity (blur of one pixel)\n", plan.near_limit_mm);
  fmt::print("diffraction       {:.1f} um at the exit, {:.2f} px\n", plan.airy_um, plan.airy_px);
  fmt::print("smallest drop     {:.0f} um (diameter to 4 %)\n", plan.drop_4_percent_um);
  fmt::print("clip              {:.0f} independent frames, {:.1f} s, for a u of {:g} deg by scatter\n",
             plan.frames_wanted, plan.clip_s, in.wanted_u_deg);
  fmt::print("half angle        {} deg to expect\n", ValueWithU(plan.half_angle_deg));
  for (const calib::Contribution& part : plan.half_angle_deg.budget)
    fmt::print("    {:.2g}  {}\n", part.u, part.source);
}

}  // namespace

void AddPlan(CLI::App& app, PlanOptions& options) {
  CLI::App* plan = app.add_subcommand("plan", "What to expect of a filming set-up");
  plan->fallthrough();
  plan->footer(kHelp);
  PlanInput& in = options.input;
  plan->add_option("--pressure-bar", in.pressure_drop_bar, "Pressure drop")->required()->type_name("BAR");
  plan->add_option("--half-angle-deg", in.half_angle_deg, "Expected half angle")
      ->required()
      ->type_name("DEG");
  plan->add_option("--exit-mm", in.exit_diameter_mm, "Exit diameter")->required()->type_name("MM");
  plan->add_option("--width-px", in.width_px, "Picture")->required()->type_name("PX");
  plan->add_option("--height-px", in.height_px, "Picture")->required()->type_name("PX");
  plan->add_option("--focal-mm", in.focal_mm, "Focal length of the lens itself")->required()->type_name("MM");
  plan->add_option("--pixel-um", in.pixel_um, "From pixel to pixel on the sensor, in the clip's mode")
      ->required()
      ->type_name("UM");
  plan->add_option("--distance-mm", in.distance_mm, "Lens to exit")->required()->type_name("MM");
  plan->add_option("--f-number", in.f_number, "Lens number")->required()->type_name("N");
  plan->add_option("--fps", in.fps, "Frame rate")->type_name("HZ");
  plan->add_option("--exposure-us", in.exposure_us, "Exposure")->type_name("US");
  plan->add_option("--pulsation-deg", in.pulsation_deg,
                   "Half peak to peak of the half angle, where the spray is known to pulsate; 0")
      ->type_name("DEG");
  plan->add_option("--clip-s", in.clip_s, "Length of steady spray to expect u for; left out: as wanted")
      ->type_name("S");
  plan->add_option("--near-mm", in.near_mm, "Near station; left out: as the measurement chooses it")
      ->type_name("MM");
  plan->add_option("--far-mm", in.far_mm, "Far station; left out: 0.7 of what is in view")->type_name("MM");
  plan->add_option("--wanted-u-deg", in.wanted_u_deg, "u of the half angle by scatter; 0.1")
      ->type_name("DEG");
  plan->add_option("--density-kg-m3", in.density_kg_m3, "Of the liquid; water")->type_name("KG_M3");
  plan->add_option("--exit-px", options.exit_px,
                   "Exit in the picture, the spray pointing down; left out: middle, a tenth down")
      ->delimiter(',')
      ->expected(2)
      ->type_name("X,Y");
  plan->add_option("--tilt-deg", in.tilt_deg, "Tilt towards the camera; 0")->type_name("DEG");
  plan->add_option("--u-tilt-deg", in.u_tilt_deg, "u of the tilt; 2")->type_name("DEG");
  plan->add_option("--u-distance-percent", options.u_distance_percent, "u of the distance; 3")
      ->type_name("PERCENT");
  plan->add_flag(
      "--distance-not-stated", [&in](std::int64_t) { in.distance_stated = false; },
      "The rig file will not state the distance");
  plan->add_flag("--lens-calibrated", in.lens_calibrated, "There is a lens file");
  plan->add_flag(
      "--lossless", [&in](std::int64_t) { in.compressed = false; }, "The footage is not compressed");
  AddJson(plan, options.json);
}

int PlanCommand(const PlanOptions& options) {
  CheckOutput(options.json);
  PlanInput input = options.input;
  if (options.exit_px.size() == 2) {
    input.exit_x_px = options.exit_px[0];
    input.exit_y_px = options.exit_px[1];
  }
  input.u_distance_part = options.u_distance_percent / 100.0;
  const Plan plan = MakePlan(input);
  if (options.json) WriteOutput(*options.json, PlanJson(plan));
  if (!options.quiet && options.json != "-") Print(input, plan);
  FlushOutput();
  return 0;
}

}  // namespace conebook::src

#include "src/commands/size_command.h"

#include <algorithm>
#include <cmath>

#include <CLI/CLI.hpp>
#include <fmt/core.h>

#include <calib/error.h>

#include "src/archive/archive.h"
#include "src/archive/element_readings.h"
#include "src/commands/output.h"
#include "src/report/digits.h"
#include "src/report/size_page.h"
#include "src/size.h"
#include "src/size_json.h"
#include "src/text_table.h"

namespace conebook::src {
namespace {

using calib::InputError;

constexpr double kAtmosphereBar = 1.01325;
constexpr double kPaPerBar = 1e5;

constexpr const char* kHelp =
    R"(What the elements on record, with theory behind them, say of one that is not made yet: flow and cone half angle with
95 % intervals, how far that extrapolates, and how well each element on record is foretold by the others. With a target
file, turned round: which elements and how many of them give the wanted flow and angle on a plate, made with the drills
at hand; where they stand, where cones meet, what drilling spreads, and which element to make and test next.

Elements need inlets, chamber and exit on record: in the rig file, or a table of elements (conebook import).

Examples:
  conebook size --archive book.db --exit-mm 1.6 --inlets 3 --inlet-mm 0.7 --chamber-mm 5 --pressure-bar 6
  conebook size --archive book.db --target plate.toml --report plate.html
  conebook size --archive book.db --target plate.toml --batch reamed --json plate.json

A target file:
  [target]
  total_flow_kg_s = 0.20
  pressure_drop_bar = 6.0
  cone_half_angle_deg = [32.0, 42.0]
  [liquid]
  name = "water"               # or density_kg_m3, viscosity_pa_s, vapour_pressure_pa, critical_temperature_c
  [chamber]
  pressure_bar = 1.013         # absolute, behind the elements
  [plate]
  diameter_mm = 80.0
  wall_clearance_mm = 10.0     # chamber wall to the nearest element's axis
  least_pitch_mm = 12.0
  [drills]
  exit_mm = [1.4, 1.6, 1.8, 2.0]
  inlet_mm = [0.6, 0.7, 0.8]
  inlet_count = [2, 3, 4]
  chamber_mm = [4.0, 5.0, 6.0]
  exit_length_diameters = 1.0  # or exit_length_mm = [..]
  tolerance_mm = 0.02
Also: [target] flow_within_percent (5); [chamber] gas_density_kg_m3; [plate] wall_diameter_mm (the plate's own),
layout ("rings", "hexagonal"; either), elements ([1, 400]).

Water in still air says nothing of breakup, drop size or cone in a hot, dense gas. Hardware built on these numbers is to
be flowed cold first, one element at a time; pressurised liquid and hot firing can injure and kill: keep to local codes
and licensed practice.)";

std::string Of(const SizeValue& value, double scale = 1.0) {
  const calib::Quantity quantity{value.value * scale, value.u * scale, calib::Quantity{}.dof, {}};
  const int digits = DecimalsFor(quantity.u);
  return fmt::format("{} (95 %: {:.{}f} to {:.{}f})", RoundByU(quantity.value, quantity.u).value,
                     value.interval95.lo * scale, digits, value.interval95.hi * scale, digits);
}

void PrintRemarks(const std::vector<SizeRemark>& remarks) {
  for (const SizeRemark& remark : remarks)
    if (remark.warn) fmt::print("warning: {}\n", remark.text);
  for (const SizeRemark& remark : remarks)
    if (!remark.warn) fmt::print("note: {}\n", remark.text);
}

void PrintRecord(const SizeModel& model) {
  const auto law = [](const SizeLaw& of, const char* what) {
    if (of.rows.empty()) {
      fmt::print("{:<18}no element on record: theory alone\n", what);
      return;
    }
    fmt::print(
        "{:<18}{} element{} on record; left out one at a time, {} within their 95 % intervals, rms {}\n",
        what, of.rows.size(), of.rows.size() == 1 ? "" : "s", of.left_out_held, PercentText(of.left_out_rms));
  };
  law(model.cd, "flow");
  law(model.tangent, "cone half angle");
  if (!model.record.unused.empty()) {
    const UnusedElement& first = model.record.unused.front();
    fmt::print("{:<18}{} element{}, for instance {}: {}\n", "not used", model.record.unused.size(),
               model.record.unused.size() == 1 ? "" : "s", first.id, first.reason);
  }
}

void PrintPrediction(const SizePrediction& prediction) {
  fmt::print("{:<18}{}\n", "element", InWords(prediction.geometry));
  fmt::print("{:<18}{} g/s at {:g} bar of {}\n", "flow", Of(prediction.flow_kg_s, 1000.0),
             prediction.flow.pressure_drop_bar,
             prediction.flow.liquid.empty() ? "the stated liquid" : prediction.flow.liquid);
  fmt::print("{:<18}{} mm2\n", "flow area", Of(prediction.flow_area_mm2));
  fmt::print("{:<18}{}; theory alone {:.3g}\n", "Cd on exit area", Of(prediction.cd), prediction.theory_cd);
  fmt::print("{:<18}{} deg; theory alone {:.3g}\n", "cone half angle", Of(prediction.cone_half_angle_deg),
             prediction.theory_half_angle_deg);
}

void PrintSizing(const Sizing& sizing) {
  fmt::print(
      "{:<18}{} by drills; at the least pitch the plate holds {} in rings, {} on a hexagonal lattice\n",
      "combinations", sizing.combinations, sizing.fullest_rings, sizing.fullest_hexagonal);
  for (const LeftOutCombination& one : sizing.left_out)
    fmt::print("{:<18}{}: {}\n", "left out", one.count, one.reason);
  if (!sizing.candidates.empty()) {
    std::vector<std::vector<std::string>> rows{
        {"rank", "elements", "exit mm", "inlets", "chamber mm", "plate flow g/s", "half angle deg", "chance",
         "layout, pitch mm", "cones meet mm", "wall mm", "extrapolates"}};
    int rank = 0;
    for (const SizeCandidate& one : sizing.candidates) {
      const SizeGeometry& geometry = one.one.geometry;
      rows.push_back(
          {fmt::format("{}", ++rank), fmt::format("{}", one.elements), fmt::format("{:g}", geometry.exit.mm),
           fmt::format("{} x {:g}", geometry.inlets, geometry.inlet.mm),
           fmt::format("{:g}", geometry.chamber.mm),
           fmt::format("{:.4g} ({:.4g} to {:.4g})", 1000.0 * one.total_flow_kg_s.value,
                       1000.0 * one.total_flow_kg_s.interval95.lo,
                       1000.0 * one.total_flow_kg_s.interval95.hi),
           fmt::format("{:.1f} ({:.1f} to {:.1f})", one.one.cone_half_angle_deg.value,
                       one.one.cone_half_angle_deg.interval95.lo, one.one.cone_half_angle_deg.interval95.hi),
           fmt::format("{:.2f}", one.score),
           one.elements == 1
               ? std::string("middle")
               : fmt::format("{}, {:.1f}", calib::NameOf(one.layout.kind), one.layout.least_pitch_mm),
           one.neighbours ? fmt::format("{:.1f}", one.neighbours->mm) : std::string("-"),
           fmt::format("{:.1f}", one.wall.mm), ReachInWords(one.one)});
    }
    fmt::print("{}", TextTable(rows));
    const SizeCandidate& first = sizing.candidates.front();
    fmt::print("{:<18}of one element from another: {} by a tolerance of {:g} mm ({} to first order){}\n",
               "flow spread", PercentText(first.drilling.drawn), sizing.target.tolerance_mm,
               PercentText(first.drilling.linear),
               first.drilling.Agree() ? "" : ": the two differ, go by the first");
    fmt::print(
        "{:<18}{}: {} with what elements on record have of their own; {} if one worn drill makes all\n", "",
        "together", PercentText(first.element_to_element), PercentText(first.drilling.common_drill));
  }
  if (sizing.next) {
    fmt::print(
        "{:<18}{}{}: one more element's flow from +-{:.1f} to +-{:.1f} %, tangent of its angle from "
        "+-{:.1f} to +-{:.1f} %\n",
        "test next", InWords(sizing.next->geometry), sizing.next->is_the_candidate ? " (rank 1 itself)" : "",
        100.0 * sizing.next->flow_now, 100.0 * sizing.next->flow_after, 100.0 * sizing.next->tangent_now,
        100.0 * sizing.next->tangent_after);
  }
  if (sizing.target.gas_density_kg_m3)
    for (const std::string& ratio : TheoryRatios(*sizing.target.gas_density_kg_m3)) fmt::print("{}\n", ratio);
}

SizeModel ModelFrom(const SizeOptions& options) {
  RunFilter filter;
  filter.elements = options.elements;
  filter.batches = options.batches;
  return FitSizeModel(SizeRecordOf(FindReadings(options.archive, filter), FindElementFacts(options.archive)));
}

SizePrediction PredictionFor(const SizeOptions& options, const SizeModel& model) {
  const auto need = [](bool there, const char* option) {
    if (!there)
      throw InputError(
          fmt::format("{} is missing: an element to foretell takes --exit-mm, --inlets, --inlet-mm, "
                      "--chamber-mm and --pressure-bar; a plate takes --target TARGET.toml",
                      option));
  };
  need(options.exit_mm.has_value(), "--exit-mm");
  need(options.inlets.has_value(), "--inlets");
  need(options.inlet_mm.has_value(), "--inlet-mm");
  need(options.chamber_mm.has_value(), "--chamber-mm");
  need(options.pressure_bar.has_value(), "--pressure-bar");
  for (const auto& [option, value] :
       {std::pair("--exit-mm", options.exit_mm), std::pair("--inlet-mm", options.inlet_mm),
        std::pair("--chamber-mm", options.chamber_mm), std::pair("--exit-length-mm", options.exit_length_mm),
        std::pair("--pressure-bar", options.pressure_bar), std::pair("--behind-bar", options.behind_bar)}) {
    if (value && !(*value > 0.0 && std::isfinite(*value)))
      throw InputError(fmt::format("{}: expected a number above 0, found {:g}", option, *value));
  }
  if (*options.inlets < 1) throw InputError("--inlets: expected 1 or more");
  SizeGeometry geometry{{*options.exit_mm, 0.0},
                        {*options.inlet_mm, 0.0},
                        {*options.chamber_mm, 0.0},
                        *options.inlets,
                        std::nullopt};
  if (options.exit_length_mm) geometry.exit_length = SizeLength{*options.exit_length_mm, 0.0};
  if (!(geometry.chamber.mm > geometry.exit.mm))
    throw InputError(fmt::format("--chamber-mm {:g}: expected wider than the exit of {:g} mm",
                                 geometry.chamber.mm, geometry.exit.mm));
  const double behind_bar = options.behind_bar.value_or(kAtmosphereBar);
  const SizeLiquid liquid =
      LiquidByName(options.liquid.value_or("water"), options.temperature_c.value_or(20.0),
                   (behind_bar + *options.pressure_bar) * kPaPerBar, "--liquid");
  RefuseFlashing(liquid, behind_bar, "--liquid");
  return PredictSize(
      model, geometry,
      {*options.pressure_bar, liquid.density_kg_m3, liquid.viscosity_pa_s, liquid.u_ln_density, liquid.name});
}

}  // namespace

void AddSize(CLI::App& app, SizeOptions& options) {
  CLI::App* size = app.add_subcommand("size", "Foretell an element or a plate from what is on record");
  size->fallthrough();
  size->footer(kHelp);
  size->add_option("--archive", options.archive, "The archive")->required()->type_name("BOOK.db");
  CLI::Option* target =
      size->add_option("--target", options.target, "What the plate is to do, and what it can be made with")
          ->type_name("TARGET.toml");
  const auto number = [&](const char* name, std::optional<double>& value, const char* meaning,
                          const char* unit) {
    size->add_option(name, value, meaning)->type_name(unit)->excludes(target);
  };
  number("--exit-mm", options.exit_mm, "Exit diameter of an element to foretell", "MM");
  size->add_option("--inlets", options.inlets, "Number of tangential inlets")
      ->type_name("N")
      ->excludes(target);
  number("--inlet-mm", options.inlet_mm, "Inlet diameter", "MM");
  number("--chamber-mm", options.chamber_mm, "Swirl chamber diameter", "MM");
  number("--exit-length-mm", options.exit_length_mm,
         "Exit length; left out: one diameter, to a factor of 1.65", "MM");
  number("--pressure-bar", options.pressure_bar, "Pressure drop", "BAR");
  size->add_option("--liquid", options.liquid, "water, ethanol, isopropanol, kerosene; water")
      ->type_name("NAME")
      ->excludes(target);
  number("--temperature-c", options.temperature_c, "Of the liquid; 20", "C");
  number("--behind-bar", options.behind_bar, "Absolute pressure behind the element; 1.013", "BAR");
  size->add_option("--most", options.most, "Candidates to work out; 10")
      ->type_name("N")
      ->check(CLI::Range(1, 50));
  size->add_option("--element", options.elements, "Rest on this element alone; may be given several times")
      ->type_name("ID")
      ->take_all()
      ->expected(1);
  size->add_option("--batch", options.batches, "Rest on this batch alone; may be given several times")
      ->type_name("NAME")
      ->take_all()
      ->expected(1);
  AddJson(size, options.json);
  size->add_option("--report", options.report, "Page for people, opens offline")->type_name("OUT.html");
}

int SizeCommand(const SizeOptions& options) {
  CheckOutput(options.json);
  CheckOutput(options.report);
  const bool said = !options.quiet && options.json != "-" && options.report != "-";
  if (options.target) {
    const SizeTarget target = ReadSizeTarget(*options.target);
    const SizeModel model = ModelFrom(options);
    const Sizing sizing = SizePlate(model, target, options.most);
    if (options.json) WriteOutput(*options.json, SizeJson(model, sizing));
    if (options.report) WriteOutput(*options.report, SizePage(model, sizing));
    if (said) {
      PrintRecord(model);
      PrintSizing(sizing);
      PrintRemarks(RemarksOn(model, sizing));
    }
  } else {
    const SizeModel model = ModelFrom(options);
    const SizePrediction prediction = PredictionFor(options, model);
    if (options.json) WriteOutput(*options.json, SizeJson(model, prediction));
    if (options.report) WriteOutput(*options.report, SizePage(model, prediction));
    if (said) {
      PrintRecord(model);
      PrintPrediction(prediction);
      PrintRemarks(RemarksOn(model, prediction));
    }
  }
  if (said) fmt::print("caution: {}\n", SizeCautions().back());
  FlushOutput();
  return 0;
}

}  // namespace conebook::src

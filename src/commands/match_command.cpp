#include "src/commands/match_command.h"

#include <CLI/CLI.hpp>
#include <fmt/core.h>

#include <calib/error.h>

#include "src/archive/archive.h"
#include "src/commands/output.h"
#include "src/iso_date.h"
#include "src/match.h"
#include "src/match_json.h"
#include "src/match_words.h"
#include "src/report/match_page.h"
#include "src/report/plate_map.h"

namespace conebook::src {
namespace {

constexpr const char* kHelp =
    R"(The plate file says where elements stand and what the drawing allows:
  [plate]
  id = "P2"
  pressure_drop_bar = 6.0
  rings = [ { count = 4, radius_mm = 14.0, first_angle_deg = 45.0 }, { count = 8, radius_mm = 30.0, wall = true } ]
  [limits]
  flow_area_mm2 = { target = 0.80, tolerance = 0.02 }
  cone_half_angle_deg = { target = 35.0, tolerance = 1.5 }
  [wall_limits]                # of rings with wall = true
  flow_area_mm2 = { target = 0.78, tolerance = 0.02 }
Also: positions = [ { name, radius_mm, angle_deg, ring, wall, mark_deg } ] instead of rings; circuits = ["core",
"ring"] for elements with two; mark = "outward" where the elements' datum marks face; [weights] flow, angle,
circuit_ratio, first_harmonic, second_harmonic, lean; [match] guard_u, use_undecided, spares. Angles run
counter-clockwise looking upstream at the face, from the plate's own mark.

Elements are accepted, rejected or undecided with guard bands of 2 u (JCGM 106:2012). Of those accepted, and in stock,
that choice is made and placed which has the least score: spread of flow, of cone half angle, of circuit ratio, first
and second harmonic of flow around the rings, mean lean, each over what the drawing allows, added as squares.
Choices that cannot be told from it by more than u are listed as ties. Exit status 3: no plate can be made of the stock.

Examples:
  conebook match --archive book.db --plate P2.toml
  conebook match --archive book.db --plate P2.toml --batch reamed --at-bar 8 --report p2.html --svg p2.svg
  conebook match --archive book.db --plate P2.toml --json p2.json
Afterwards flow the plate itself: a rig with [element] kind = "plate" and [plate] match = "p2.json" holds its flow
against the sum of its elements'.

For cold-flow matching: whether an engine may be fired is for licensed practice and your local codes to say.)";

}  // namespace

void AddMatch(CLI::App& app, MatchOptions& options) {
  CLI::App* match =
      app.add_subcommand("match", "Pick elements out of stock for a plate, and say where each goes");
  match->fallthrough();
  match->footer(kHelp);
  match->add_option("--archive", options.archive, "The archive")->required()->type_name("BOOK.db");
  match->add_option("--plate", options.plate, "Plate file")->required()->type_name("PLATE.toml");
  match->add_option("--at-bar", options.at_bar, "Pressure drop of the readings; left out: the plate file's")
      ->type_name("BAR");
  match->add_option("--element", options.elements, "Only these elements; may be given several times")
      ->type_name("ID")
      ->take_all()
      ->expected(1);
  match->add_option("--batch", options.batches, "Only these batches; may be given several times")
      ->type_name("NAME")
      ->take_all()
      ->expected(1);
  match->add_option("--from", options.from, "Only runs of this day or later")->type_name("2031-05-04");
  match->add_option("--to", options.to, "Only runs of this day or before")->type_name("2031-05-04");
  match->add_flag("--all", options.all, "Also elements that are not in stock");
  match->add_flag("--use-undecided", options.use_undecided, "Take undecided elements, too");
  AddJson(match, options.json);
  match->add_option("--report", options.report, "Page for people, opens offline")->type_name("OUT.html");
  match->add_option("--svg", options.svg, "The plate's map")->type_name("MAP.svg");
}

int MatchCommand(const MatchOptions& options) {
  for (const auto* output : {&options.json, &options.report, &options.svg}) CheckOutput(*output);
  if (options.at_bar && !(*options.at_bar > 0.0))
    throw calib::InputError(
        fmt::format("--at-bar: expected a pressure drop above 0, found {:g}", *options.at_bar));
  MatchQuestion question;
  question.archive = options.archive;
  question.filter.elements = options.elements;
  question.filter.batches = options.batches;
  question.filter.from = options.from;
  question.filter.to = options.to;
  StatedDay(options.from, "--from");
  StatedDay(options.to, "--to");
  question.all = options.all;
  question.pressure_drop_bar = options.at_bar;
  question.use_undecided = options.use_undecided;
  const MatchPlate plate = ReadMatchPlate(options.plate);
  const MatchResult result = MatchPlateFrom(plate, question);
  if (options.json) WriteOutput(*options.json, MatchJson(result));
  if (options.report) WriteOutput(*options.report, RenderMatchHtml(result));
  if (options.svg && result.found) WriteOutput(*options.svg, PlateMapSvg(result));
  if (!options.quiet && options.json != "-") fmt::print("{}", MatchInWords(result));
  FlushOutput();
  return result.found ? 0 : 3;
}

}  // namespace conebook::src

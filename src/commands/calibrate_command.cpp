#include "src/commands/calibrate_command.h"

#include <CLI/CLI.hpp>
#include <fmt/core.h>

#include <calib/error.h>

#include "src/commands/calibrate_words.h"
#include "src/commands/output.h"

namespace conebook::src {
namespace {

constexpr const char* kLensHelp =
    R"(FILES: pictures of a flat chessboard, or clips of it that is moved about, in the mode (size, frame rate, zoom,
stabiliser off, focus locked) of the clips to be measured. Ten views or more, in every corner of the picture,
half of them tilted by 20 to 40 deg to different sides. --columns and --rows count inner corners.

The rig file refers to the result: [camera] lens = "lens.toml"

Examples:
  conebook calibrate lens board/*.jpg --columns 9 --rows 6 --square-mm 25 --out lens.toml
  conebook calibrate lens board.mp4 --square-mm 10 --out lens.toml --json)";

void AddBoard(CLI::App* command, int& columns, int& rows, double& square_mm) {
  command->add_option("--columns", columns, "Inner corners along a row of the chessboard")
      ->check(CLI::Range(3, 100))
      ->type_name("N");
  command->add_option("--rows", rows, "Inner corners along a column")
      ->check(CLI::Range(3, 100))
      ->type_name("N");
  command->add_option("--square-mm", square_mm, "Side of a square")
      ->check(CLI::PositiveNumber)
      ->type_name("MM");
}

void AddLens(CLI::App& calibrate, CalibrateLensOptions& options) {
  CLI::App* lens =
      AddCommand(calibrate, "lens", "Focal length and distortion from views of a chessboard", kLensHelp);
  lens->add_option("FILES", options.files, "Pictures, clips, or folders of frames")
      ->required()
      ->type_name("");
  AddBoard(lens, options.columns, options.rows, options.square_mm);
  lens->add_option("--out", options.out, "Lens file to write")->type_name("LENS.toml");
  AddJson(lens, options.json);
}

constexpr const char* kTargetHelp =
    R"(Without --element: one page with a chessboard, two check lengths of 100 mm, and dark triangles with half angles of
20, 35 and 50 deg. With --element: cards to film before each element's clip, with a QR code and the id in letters,
eight a page. SVG of true size: print at 100 %, not fitted to the page.

Examples:
  conebook calibrate target --out sheet.svg
  conebook calibrate target --paper letter --square-mm 8 --out sheet.svg
  conebook calibrate target --element A07 --element A08 --out cards.svg
  conebook calibrate target --read card.jpg              which cards can be read?)";

void AddTarget(CLI::App& calibrate, CalibrateTargetOptions& options) {
  CLI::App* target =
      AddCommand(calibrate, "target", "Calibration sheet and element cards to print", kTargetHelp);
  target->add_option("--out", options.out, "Page to write")->type_name("SHEET.svg");
  target->add_option("--paper", options.paper, "a4 (default) or letter")
      ->check(CLI::IsMember({"a4", "letter"}));
  AddBoard(target, options.columns, options.rows, options.square_mm);
  target->add_option("--element", options.elements, "A card for this element; may be given several times")
      ->type_name("ID")
      ->take_all()
      ->expected(1);
  target->add_option("--read", options.read, "Read the cards in this picture or clip")->type_name("FILE");
  AddJson(target, options.json);
}

constexpr const char* kScaleHelp =
    R"(IMAGE: a picture (or clip, of which one frame is taken) in the clip's own mode, of something that stands where the
spray will be, in the plane of the nozzle's axis:
  two points with a length between them    --from x,y --to x,y --length-mm L
  a chessboard, also for tilt and axis     --columns N --rows N --square-mm MM
  the nozzle's round body                  --body-mm W --at x,y (a point on the body)
Pixels of the upright picture, 0,0 the centre of the top left one. What is not stated is assumed, and the budget
says so.

The rig file refers to the result: [scale] calibration = "scale.toml"; where the rig does not state tilt_deg and
axis_deg itself, those of the file are used.

Examples:
  conebook calibrate scale rule.png --from 212,640 --to 1032,642 --length-mm 100 --out scale.toml
  conebook calibrate scale board.png --columns 9 --rows 6 --square-mm 10 --lens lens.toml --at 640,82 --out scale.toml
  conebook calibrate scale nozzle.png --body-mm 12.00 --at 640,40 --distance-mm 600 --out scale.toml --json)";

CLI::Option* AddPoint(CLI::App* command, const char* name, std::optional<std::vector<double>>& point,
                      const char* meaning) {
  return command->add_option(name, point, meaning)->delimiter(',')->expected(2)->type_name("X,Y");
}

void AddScale(CLI::App& calibrate, CalibrateScaleOptions& options) {
  CLI::App* scale = AddCommand(calibrate, "scale", "Pixels per mm at the exit, from one picture", kScaleHelp);
  scale->add_option("IMAGE", options.image, "Picture or clip")->required()->type_name("");
  AddPoint(scale, "--from", options.from, "First of two points");
  AddPoint(scale, "--to", options.to, "Second point");
  scale->add_option("--length-mm", options.length_mm, "Between the two points")->type_name("MM");
  scale->add_option("--columns", options.columns, "Inner corners along a row of the chessboard")
      ->check(CLI::Range(3, 100))
      ->type_name("N");
  scale->add_option("--rows", options.rows, "Inner corners along a column")
      ->check(CLI::Range(3, 100))
      ->type_name("N");
  scale->add_option("--square-mm", options.square_mm, "Side of a square")
      ->check(CLI::PositiveNumber)
      ->type_name("MM");
  scale->add_option("--body-mm", options.body_mm, "Width of the nozzle's round body")->type_name("MM");
  AddPoint(scale, "--at", options.at, "The exit (board); a point on the body");
  scale->add_option("--lens", options.lens, "Lens file of this camera and mode")->type_name("LENS.toml");
  scale->add_option("--focal-px", options.focal_px, "Focal length, where there is no lens file")
      ->check(CLI::PositiveNumber)
      ->type_name("PX");
  scale->add_option("--distance-mm", options.distance_mm, "Lens to exit, where the focal length is not known")
      ->check(CLI::PositiveNumber)
      ->type_name("MM");
  scale->add_option("--u-distance-mm", options.u_distance_mm, "Its u; left out: 3 %")->type_name("MM");
  scale->add_option("--offset-mm", options.offset_mm, "How much nearer to the camera than the axis it stood")
      ->type_name("MM");
  scale->add_option("--u-offset-mm", options.u_offset_mm, "Its u; left out: 1 mm, 0.1 mm for the body")
      ->type_name("MM");
  scale
      ->add_option("--u-percent", options.u_percent, "u of the length; left out: 0.3, 0.2 for board and body")
      ->type_name("PERCENT");
  scale->add_option("--u-point-px", options.u_point_px, "u of each point; 0.5")->type_name("PX");
  scale
      ->add_option("--u-align-deg", options.u_align_deg, "u of board or body against the axis; left out: 0.5")
      ->type_name("DEG");
  scale->add_option("--axis-deg", options.axis_deg, "About where the spray points; 0: down")
      ->type_name("DEG");
  scale->add_option("--out", options.out, "Scale file to write")->type_name("SCALE.toml");
  AddJson(scale, options.json);
}

constexpr const char* kConeHelp =
    R"(CLIP: a clip, a folder of frames or a picture of a dark cone (a lathe centre, point up) or of a printed triangle, of
known half angle, that stands in the exit's place before an even light ground, its tip in view; filmed as sprays are.
What was read less what was known is a check of the whole rig: lens, distance, tilt, edges.

Each check is added to --out. The rig file refers to it: [camera] cone_checks = "cone_checks.toml"; the half angle's
budget then quotes the checks of the last day, and --report charts all of them.

Examples:
  conebook calibrate cone centre.mp4 --half-angle-deg 30 --rig rig.toml --out cone_checks.toml
  conebook calibrate cone sheet.png --half-angle-deg 35 --shape triangle --tip 640,82 --rig rig.toml --json
  conebook calibrate cone --out cone_checks.toml --report checks.html        chart what is on file)";

void AddCone(CLI::App& calibrate, CalibrateConeOptions& options) {
  CLI::App* cone =
      AddCommand(calibrate, "cone", "Check the rig with a cone or triangle of known angle", kConeHelp);
  cone->add_option("CLIP", options.clip, "Clip, folder of frames, or picture")->type_name("");
  cone->add_option("--half-angle-deg", options.half_angle_deg, "Known: half of the full angle")
      ->type_name("DEG");
  cone->add_option("--u-half-angle-deg", options.u_half_angle_deg,
                   "Its u; left out: 0.05 of a cone, a stretch of 0.2 % of a print")
      ->type_name("DEG");
  cone->add_option("--shape", options.shape, "cone (default) or triangle")
      ->check(CLI::IsMember({"cone", "triangle"}));
  cone->add_option("--rig", options.rig,
                   "Rig file: camera, scale, axis; left out: no perspective is taken out")
      ->type_name("RIG.toml");
  cone->add_option("--axis-deg", options.axis_deg, "Without a rig: where the shape opens; 0: down")
      ->type_name("DEG");
  AddPoint(cone, "--tip", options.tip, "About where the tip is, if there are several shapes");
  cone->add_option("--date", options.date, "Day of the check; left out: today")->type_name("2031-05-04");
  cone->add_option("--out", options.out, "File of checks; this one is added")->type_name("CHECKS.toml");
  cone->add_option("--report", options.report, "Page with all checks of that file")->type_name("PAGE.html");
  AddJson(cone, options.json);
}

}  // namespace

void AddCalibrate(CLI::App& app, CalibrateOptions& options) {
  CLI::App* calibrate =
      app.add_subcommand("calibrate", "Calibrate camera, sensors and line, print targets, check cones");
  calibrate->fallthrough();
  calibrate->require_subcommand(0, 1);
  calibrate->footer(R"(Examples:
  conebook calibrate lens board/*.jpg --columns 9 --rows 6 --square-mm 25 --out lens.toml
  conebook calibrate target --out sheet.svg
  conebook calibrate scale nozzle.png --body-mm 12.00 --at 640,40 --out scale.toml
  conebook calibrate cone centre.mp4 --half-angle-deg 30 --rig rig.toml --out cone_checks.toml
  conebook calibrate meter bucket.csv --out meter.toml
  conebook calibrate pressure readings.csv --out pressure.toml
  conebook calibrate line blank.csv --rig rig.toml --out line.toml

conebook calibrate COMMAND --help tells more of each.)");
  AddLens(*calibrate, options.lens);
  AddScale(*calibrate, options.scale);
  AddCone(*calibrate, options.cone);
  AddTarget(*calibrate, options.target);
  AddCalibrateStand(*calibrate, options.stand);
}

std::optional<int> RunCalibrate(const CLI::App& app, CalibrateOptions& options, bool quiet) {
  const CLI::App* calibrate = app.get_subcommand("calibrate");
  if (!calibrate->parsed()) return std::nullopt;
  const auto asked = [&](const char* name) { return calibrate->get_subcommand(name)->parsed(); };
  options.lens.quiet = quiet;
  options.target.quiet = options.scale.quiet = options.cone.quiet = quiet;
  if (asked("cone")) return CalibrateConeCommand(options.cone);
  if (asked("scale")) return CalibrateScaleCommand(options.scale);
  if (asked("target")) return CalibrateTargetCommand(options.target);
  if (asked("lens")) return CalibrateLensCommand(options.lens);
  if (const auto status = RunCalibrateStand(*calibrate, options.stand, quiet)) return status;
  std::string names;
  for (const CLI::App* command : calibrate->get_subcommands({}))
    names += (names.empty() ? "" : ", ") + command->get_name();
  throw calib::InputError(fmt::format("calibrate what? One of {} (see conebook calibrate --help)", names));
}

}  // namespace conebook::src

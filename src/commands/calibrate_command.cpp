#include "src/commands/calibrate_command.h"

#include <CLI/CLI.hpp>
#include <fmt/core.h>

#include <calib/error.h>

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

CLI::App* AddCommand(CLI::App& calibrate, const char* name, const char* purpose, const char* footer) {
  CLI::App* command = calibrate.add_subcommand(name, purpose);
  command->fallthrough();
  command->footer(footer);
  return command;
}

void AddJson(CLI::App* command, std::optional<std::string>& json) {
  command
      ->add_option_function<std::vector<std::string>>(
          "--json",
          [&json](const std::vector<std::string>& values) {
            json = values.empty() || values.front().empty() ? "-" : values.front();
          },
          "As JSON, on standard output or into a file")
      ->expected(0, 1)
      ->type_name("[OUT]");
}

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

}  // namespace

void AddCalibrate(CLI::App& app, CalibrateOptions& options) {
  CLI::App* calibrate =
      app.add_subcommand("calibrate", "Calibrate lens and scale, print targets, check cones");
  calibrate->fallthrough();
  calibrate->require_subcommand(0, 1);
  calibrate->footer(R"(Examples:
  conebook calibrate lens board/*.jpg --columns 9 --rows 6 --square-mm 25 --out lens.toml
  conebook calibrate target --out sheet.svg

conebook calibrate COMMAND --help tells more of each.)");
  AddLens(*calibrate, options.lens);
  AddTarget(*calibrate, options.target);
}

std::optional<int> RunCalibrate(const CLI::App& app, CalibrateOptions& options, bool quiet) {
  const CLI::App* calibrate = app.get_subcommand("calibrate");
  if (!calibrate->parsed()) return std::nullopt;
  const auto asked = [&](const char* name) { return calibrate->get_subcommand(name)->parsed(); };
  options.lens.quiet = quiet;
  options.target.quiet = quiet;
  if (asked("target")) return CalibrateTargetCommand(options.target);
  if (asked("lens")) return CalibrateLensCommand(options.lens);
  std::string names;
  for (const CLI::App* command : calibrate->get_subcommands({}))
    names += (names.empty() ? "" : ", ") + command->get_name();
  throw calib::InputError(fmt::format("calibrate what? One of {} (see conebook calibrate --help)", names));
}

}  // namespace conebook::src

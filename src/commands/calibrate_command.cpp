#include "src/commands/calibrate_command.h"

#include <CLI/CLI.hpp>

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

}  // namespace

void AddCalibrate(CLI::App& app, CalibrateOptions& options) {
  CLI::App* calibrate =
      app.add_subcommand("calibrate", "Calibrate lens and scale, print targets, check cones");
  calibrate->fallthrough();
  calibrate->require_subcommand(1);
  calibrate->footer(R"(Examples:
  conebook calibrate lens board/*.jpg --columns 9 --rows 6 --square-mm 25 --out lens.toml

conebook calibrate COMMAND --help tells more of each.)");
  AddLens(*calibrate, options.lens);
}

std::optional<int> RunCalibrate(const CLI::App& app, CalibrateOptions& options, bool quiet) {
  const CLI::App* calibrate = app.get_subcommand("calibrate");
  if (!calibrate->parsed()) return std::nullopt;
  const auto asked = [&](const char* name) { return calibrate->get_subcommand(name)->parsed(); };
  options.lens.quiet = quiet;
  if (asked("lens")) return CalibrateLensCommand(options.lens);
  throw calib::InputError("calibrate what? (see conebook calibrate --help)");
}

}  // namespace conebook::src

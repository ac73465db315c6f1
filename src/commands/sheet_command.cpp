#include "src/commands/sheet_command.h"

#include <filesystem>

#include <CLI/CLI.hpp>
#include <fmt/core.h>

#include <calib/error.h>

#include "src/commands/interrupt.h"
#include "src/commands/output.h"
#include "src/commands/progress.h"
#include "src/rig.h"
#include "src/sheet_draft.h"

namespace conebook::src {
namespace {

namespace fs = std::filesystem;

constexpr const char* kHelp =
    R"(Which element a clip shows is read from its card (conebook calibrate target --element A07): a picture, or a
clip of the card alone, directly before the clip, or the card in the clip's first 3 s. A picture is better: a
card before the lens disturbs the frames without spray. When it was filmed is read from the file, and the
pressure at that time from the log, which needs clock times.

What cannot be read is left blank, with the reason beside it: an unreadable card, two cards, cards that
contradict each other; a clip outside the log, on changing pressure, or whose clock may be off by hours. An
element left blank is not measured until it is filled in.

Camera and log may be in different zones: a shift of whole quarter hours is found where only one puts every
clip under pressure, and a few clips are there to show it. Any other, or one in doubt, must be stated, also 0:
film the log's clock and subtract.

Examples:
  conebook sheet DCIM/ --log log.csv --rig rig.toml --out DAY.toml
  conebook sheet DCIM/ --log log.csv --rig rig.toml --camera-offset-s -3600 --out DAY.toml
  conebook measure --sheet DAY.toml --json results/ --report day.html)";

// Its [log] keys are wanted; element and exit may be left to the sheet's clips.
Rig RigOfDay(const std::string& path) {
  TomlNode overrides, text, number;
  text.kind = TomlNode::Kind::kText;
  text.text = "any";
  number.kind = TomlNode::Kind::kNumber;
  number.number = 1.0;
  const TomlNode document = ReadToml(path);
  const TomlNode* element = document.Find("element");
  const TomlNode* nozzle = document.Find("nozzle");
  if (element == nullptr || element->Find("id") == nullptr) SetValue(overrides, "element", "id", text);
  if (nozzle == nullptr || nozzle->Find("exit_diameter_mm") == nullptr)
    SetValue(overrides, "nozzle", "exit_diameter_mm", number);
  return ReadRig(path, &overrides);
}

// As the sheet must write it.
std::string SeenFrom(const fs::path& sheet_folder, const std::string& path) {
  return fs::proximate(fs::absolute(path).lexically_normal(), fs::absolute(sheet_folder).lexically_normal())
      .generic_string();
}

std::string NameOfDay(const std::string& folder) {
  const fs::path path = fs::absolute(folder).lexically_normal();
  return (path.has_filename() ? path : path.parent_path()).filename().string();
}

}  // namespace

void AddSheet(CLI::App& app, SheetOptions& options) {
  CLI::App* sheet = app.add_subcommand("sheet", "Draft a test-day sheet from camera files and the log");
  sheet->fallthrough();
  sheet->footer(kHelp);
  sheet
      ->add_option("FOLDER", options.folder,
                   "The day's camera files: clips, folders of frames, pictures of cards")
      ->required()
      ->type_name("");
  sheet->add_option("--log", options.log, "Stand log with clock times")->required()->type_name("LOG.csv");
  sheet->add_option("--rig", options.rig, "Rig file of the day: how to read the log, true frame rate")
      ->type_name("RIG.toml");
  sheet->add_option("--out", options.out, "The sheet, a new file; left out: standard output")
      ->type_name("DAY.toml");
  sheet
      ->add_option("--camera-offset-s", options.camera_offset_s,
                   "The camera's time plus this is the log's, both as written; then nothing is searched for")
      ->type_name("S");
  sheet->add_flag(
      "--file-times", options.file_times,
      "Where a file does not say when it was made, take when it was last written: copying changes that");
}

int SheetCommand(const SheetOptions& options) {
  std::error_code error;
  if (options.out && *options.out != "-") {
    if (fs::exists(*options.out, error)) {
      throw calib::InputError(
          *options.out +
          ": is there already and may have been filled in by hand; give another name with "
          "--out, or remove it");
    }
    CheckOutput(options.out);
  }
  SheetDraftInput input;
  std::optional<Rig> rig;
  if (options.rig) rig = RigOfDay(*options.rig);
  const StandLog log = ReadStandLog(options.log, rig ? rig->log : LogKeys{});
  CameraFilesOptions reading;
  if (rig) reading.fps = rig->view.fps;
  reading.use_modified_times = options.file_times;
  reading.threads = options.threads;
  reading.should_stop = InterruptWanted;
  reading.on_progress = ProgressLine("reading " + options.folder, options.quiet);
  input.files = ReadCameraFiles(options.folder, reading);
  EndProgress(options.quiet);
  input.cards = OrderCards(input.files);
  ClipTimesOptions tie;
  tie.camera_offset_s = options.camera_offset_s;
  input.times = TieClips(input.files, log, rig ? &*rig : nullptr, tie);
  const fs::path out_folder =
      options.out && *options.out != "-" ? fs::path(*options.out).parent_path() : fs::path();
  const fs::path from = out_folder.empty() ? fs::path(".") : out_folder;
  input.name = NameOfDay(options.folder);
  if (!log.date.empty()) input.date = log.date;
  if (options.rig) input.rig = SeenFrom(from, *options.rig);
  input.log = SeenFrom(from, options.log);
  input.folder = SeenFrom(from, options.folder);
  const SheetDraft draft = DraftSheet(input);
  if (draft.clips == 0) {
    throw calib::InputError(options.folder +
                            ": holds no clip that can be read; expected video files or folders of "
                            "frames" +
                            (draft.left_out.empty() ? std::string() : " (" + draft.left_out.front() + ")"));
  }
  const std::string out = options.out.value_or("-");
  WriteOutput(out, draft.toml);
  if (!options.quiet && out != "-") {
    fmt::print("{}: {} clip{}, {} entr{} left blank\n", out, draft.clips, draft.clips == 1 ? "" : "s",
               draft.blanks.size(), draft.blanks.size() == 1 ? "y" : "ies");
    for (const std::string& blank : draft.blanks) fmt::print("  blank: {}\n", blank);
    for (const std::string& file : draft.left_out) fmt::print("  left out: {}\n", file);
  }
  FlushOutput();
  return 0;
}

}  // namespace conebook::src

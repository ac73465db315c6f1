#include "src/commands/command_line.h"

#include <cstdio>
#include <functional>
#include <string>
#include <vector>

#include <CLI/CLI.hpp>
#include <fmt/core.h>

#include <calib/error.h>

#include "src/commands/archive_commands.h"
#include "src/commands/calibrate_command.h"
#include "src/commands/compare_command.h"
#include "src/commands/interrupt.h"
#include "src/commands/match_command.h"
#include "src/commands/measure_command.h"
#include "src/commands/output.h"
#include "src/commands/plan_command.h"
#include "src/commands/sheet_command.h"
#include "src/commands/size_command.h"
#include "src/iso_date.h"
#include "src/nearest_name.h"
#include "src/version.h"

namespace conebook::src {
namespace {

constexpr const char* kExamples = R"(Examples:
  conebook measure clip.mp4 --rig rig.toml --log log.csv --archive book.db --report out.html
  conebook list --archive book.db --element A07
  conebook report --archive book.db --element A07 --report A07.html
  conebook compare R1 R2 --archive book.db --report routes.html
  conebook match --archive book.db --plate P2.toml --report p2.html
  conebook verify --archive book.db --footage clips/ --remeasure
  conebook calibrate lens board/*.jpg --square-mm 25 --out lens.toml

conebook COMMAND --help tells more of each.

Exit status: 0 done (a result may carry flags), 1 a bug in conebook, 2 bad usage or bad input,
3 footage that cannot be measured, or no plate can be made of the stock (the result file says why),
4 archive unusable, 5 verify found a difference, 130 interrupted.

Pressurised liquid can injure: keep to the stand's rated pressure, your local codes, and licensed practice.)";

constexpr const char* kMeasureExamples = R"(Examples:
  conebook measure clip.mp4 --rig rig.toml --log log.csv --json out.json --report out.html
  conebook measure frames/ --rig rig.toml --json -
  conebook measure --log log.csv --rig rig.toml
  conebook measure --sheet DAY.toml --json results/ --report day.html --archive book.db
  conebook measure --log log.csv --rig coaxial.toml --report out.html     a rig with [[circuit]] core and ring
  conebook measure --log plate.csv --rig plate.toml --archive book.db     a plate against its elements on record
  conebook measure --follow DCIM/ --rig rig.toml --json results/ --report day.html
  conebook measure clip.mp4 --rig rig.toml --archive book.db --supersedes 3fa2 --reason "wrong element in the rig"

With --follow every clip that comes into the folder is measured once it has been written to its end, all under
the rig's element, and what to change before filming it again is said. Bad clips do not end it; Ctrl-C does, with
a summary and the exit status of a test day. Where element and pressure differ from clip to clip, measure for the
record afterwards, with conebook sheet.

A test day tells by a check element whether the stand still reads what it read: [[clip]] element = "C1",
role = "check", first and last. With --archive it is also held against its control limits on record.

Exit status: 0 measured (flags possible), 2 bad usage or bad input, 3 footage that cannot be measured
(the result file says why), 4 archive unusable, 130 interrupted.

Pressurised liquid can injure: keep to the stand's rated pressure, your local codes, and licensed practice.)";

// One line, no library's words: what was wrong and where to look.
[[noreturn]] void RefuseUsage(const CLI::ParseError& problem, const CLI::App& app) {
  const CLI::App* command = &app;
  std::string path;
  while (!command->get_subcommands().empty()) {
    command = command->get_subcommands().back();
    path += command->get_name() + " ";
  }
  std::string text = problem.what();
  if (dynamic_cast<const CLI::ExtrasError*>(&problem) != nullptr) {
    std::string extra = text.substr(text.find_last_of(" \t\n") + 1);
    std::vector<std::string> names;
    for (const CLI::Option* option : command->get_options()) {
      for (const std::string& name : option->get_lnames()) names.push_back("--" + name);
    }
    for (const char* name : {"--threads", "--quiet", "--version"}) names.emplace_back(name);
    if (extra.rfind('-', 0) == 0) {
      const auto nearest = NearestName(extra, names);
      text = fmt::format("unknown option {}{}", extra,
                         nearest ? "; did you mean " + *nearest + "?" : std::string());
    } else if (command->get_name() == "measure") {
      text = fmt::format("{} was not expected: one clip at a time, or a test day with --sheet", extra);
    } else {
      text = fmt::format("{} was not expected", extra);
    }
  }
  throw calib::InputError(fmt::format("{} (see conebook {}--help)", text, path));
}

void RequireKnownCommand(int argc, char** argv, const CLI::App& app) {
  std::vector<std::string> names;
  for (const CLI::App* command : app.get_subcommands({})) names.push_back(command->get_name());
  bool value_follows = false;
  for (int i = 1; i < argc; ++i) {
    const std::string word = argv[i];
    if (value_follows) {
      value_follows = false;
      continue;
    }
    value_follows = word == "--threads";
    if (word.empty() || word.front() == '-') continue;
    std::string all;
    for (const std::string& name : names) {
      if (word == name) return;
      all += (all.empty() ? "" : ", ") + name;
    }
    const auto nearest = NearestName(word, names);
    throw calib::InputError(fmt::format("unknown command {}{}; this version has: {} (see conebook --help)",
                                        word, nearest ? ", did you mean " + *nearest + "?" : std::string(),
                                        all));
  }
}

CLI::App* AddCommand(CLI::App& app, const char* name, const char* purpose, const char* footer) {
  CLI::App* command = app.add_subcommand(name, purpose);
  command->fallthrough();
  command->footer(footer);
  return command;
}

void AddArchive(CLI::App* command, std::string& archive) {
  command->add_option("--archive", archive, "The archive")->required()->type_name("BOOK.db");
}

void AddFilter(CLI::App* command, RunFilter& filter) {
  command->add_option("--element", filter.elements, "Only this element; may be given several times")
      ->type_name("ID")
      ->take_all()
      ->expected(1);
  command->add_option("--batch", filter.batches, "Only this batch; may be given several times")
      ->type_name("NAME")
      ->take_all()
      ->expected(1);
  command->add_option("--from", filter.from, "Only tests of this day or later")->type_name("2031-05-04");
  command->add_option("--to", filter.to, "Only tests of this day or earlier")->type_name("2031-05-04");
  command
      ->add_option_function<std::string>(
          "--date", [&filter](const std::string& day) { filter.from = filter.to = day; },
          "Only tests of this day")
      ->type_name("2031-05-04");
  command->add_option("--verdict", filter.verdict, "Only this verdict")
      ->check(CLI::IsMember({"ok", "flagged", "rejected", "imported"}));
  command->add_option("--flag", filter.flags, "Only runs with this flag; may be given several times")
      ->type_name("CODE")
      ->take_all()
      ->expected(1);
  command->add_option("--origin", filter.origin, "Only measured or only imported results")
      ->check(CLI::IsMember({"measured", "imported"}));
  command->add_flag("--superseded", filter.superseded, "Also what no longer counts");
}

void CheckFilter(const RunFilter& filter) {
  StatedDay(filter.from, "--from");
  StatedDay(filter.to, "--to");
}

void AddMeasure(CLI::App& app, MeasureOptions& options) {
  CLI::App* measure =
      AddCommand(app, "measure", "Measure a clip, a log alone, or a whole test day", kMeasureExamples);
  measure->add_option("CLIP", options.clip, "Video file, or folder of frames")->type_name("");
  measure->add_option("--rig", options.rig, "Rig file: element, camera, scale, nozzle, stand")
      ->type_name("RIG.toml");
  measure->add_option("--log", options.log, "Stand log: time, pressure, flow")->type_name("LOG.csv");
  measure->add_option("--sheet", options.sheet, "Test-day sheet: many clips, in parallel")
      ->type_name("DAY.toml");
  measure->add_option("--follow", options.follow, "Watch this folder, measure each clip that comes into it")
      ->type_name("FOLDER");
  measure->add_flag(
      "--existing", options.existing,
      "With --follow: also the clips that are there already, unless results or archive have them");
  measure
      ->add_option("--json", options.json,
                   "Result file; - for standard output; with --sheet and --follow a folder")
      ->type_name("OUT.json");
  measure
      ->add_option(
          "--archive", options.archive,
          "Put the run on record in this archive; with --sheet, what it has of the same files by this "
          "program is not measured again")
      ->type_name("BOOK.db");
  measure->add_flag("--sweep", options.sweep,
                    "The log is a blow-down, a pressure that falls slowly: measured in bins of pressure");
  measure->add_flag("--again", options.again, "With --sheet and --archive: measure everything again");
  measure->add_option("--report", options.report, "Page for people, opens offline")->type_name("OUT.html");
  measure
      ->add_option("--overlay", options.overlay,
                   "Film with what was measured drawn in; with --sheet a folder")
      ->type_name("OUT.mp4");
  measure->add_option("--date", options.date, "Day of the test; left out: as sheet, log or footage say")
      ->type_name("2031-05-04");
  measure
      ->add_option("--supersedes", options.supersedes,
                   "This run stands for a record that was wrong; first digits of its key")
      ->type_name("KEY");
  measure->add_option("--reason", options.reason, "Why that record no longer counts")->type_name("TEXT");
}

struct ArchiveOptions {
  ListOptions list;
  ShowOptions show;
  ExportOptions out;
  ImportOptions in;
  VerifyOptions verify;
  MergeOptions merge;
  ReportOptions report;
  StockOptions stock;
  WithdrawOptions withdraw;
};

void AddReading(CLI::App& app, ArchiveOptions& options) {
  CLI::App* list = AddCommand(app, "list", "List the runs on record", R"(Examples:
  conebook list --archive book.db
  conebook list --archive book.db --element A07 --verdict flagged
  conebook list --archive book.db --from 2031-05-01 --sort flow_area --descending
  conebook list --archive book.db --flag cut_off --csv runs.csv)");
  AddArchive(list, options.list.archive);
  AddFilter(list, options.list.filter);
  list->add_option("--sort", options.list.sort,
                   "date (default), element, batch, verdict, flow_area, half_angle, breakup")
      ->type_name("BY");
  list->add_flag("--descending", options.list.descending, "Largest or latest first");
  AddOutput(list, "--json", options.list.json, "As JSON, on standard output or into a file");
  AddOutput(list, "--csv", options.list.csv, "As CSV, on standard output or into a file");

  CLI::App* show = AddCommand(app, "show", "Show a record, or all about an element", R"(Examples:
  conebook show 3fa2b1 --archive book.db
  conebook show A07 --archive book.db
  conebook show 3fa2b1 --archive book.db --json)");
  AddArchive(show, options.show.archive);
  show->add_option("WHAT", options.show.what, "First digits of a record's key, or an element's id")
      ->required()
      ->type_name("");
  AddOutput(show, "--json", options.show.json, "The record itself, on standard output or into a file");

  CLI::App* out = AddCommand(app, "export", "Write what is on record into open files", R"(Examples:
  conebook export --archive book.db --csv points.csv       one row a pressure point, units in the header;
                                                           points_dictionary.csv says what each column means
  conebook export --archive book.db --element A07 --json A07.json
  conebook export --archive book.db --bundle book_2031/    a folder that needs no program: CSV, PNG, HTML)");
  AddArchive(out, options.out.archive);
  AddFilter(out, options.out.filter);
  AddOutput(out, "--csv", options.out.csv, "Pressure points as CSV, with a dictionary beside it");
  AddOutput(out, "--json", options.out.json, "Whole records as JSON");
  out->add_option("--bundle", options.out.bundle,
                  "A folder with everything, for readers without this program")
      ->type_name("FOLDER");

  CLI::App* report = AddCommand(app, "report", "Make a page of what is on record", R"(Examples:
  conebook report --archive book.db --record 3fa2b1 --report run.html
  conebook report --archive book.db --element A07 --report A07.html
  conebook report --archive book.db --day 2031-05-04 --report day.html
  conebook report --archive book.db --side-by-side A07,A08,A11 --at-bar 5 --hide-order --report look.html)");
  AddArchive(report, options.report.archive);
  report->add_option("--record", options.report.record, "A measured run; first digits of its key")
      ->type_name("KEY");
  report->add_option("--element", options.report.element, "All that is on record of an element")
      ->type_name("ID");
  report->add_option("--day", options.report.day, "All runs of a day")->type_name("2031-05-04");
  report
      ->add_option("--side-by-side", options.report.side_by_side,
                   "Stills of these elements, in the same millimetres and greys")
      ->delimiter(',')
      ->type_name("ID,ID,..");
  report->add_option("--at-bar", options.report.at_bar, "With --side-by-side: at this pressure drop")
      ->type_name("BAR");
  report->add_flag("--hide-order", options.report.hide_order,
                   "With --side-by-side: number the sprays, and fold the key away");
  report->add_option("--report", options.report.report, "The page, opens offline; - for standard output")
      ->required()
      ->type_name("OUT.html");
}

void AddWriting(CLI::App& app, ArchiveOptions& options) {
  CLI::App* in =
      AddCommand(app, "import", "Put tables of elements, earlier results or result files on record",
                 R"(What a file is, is seen from its header.
  Elements, CSV: element, and any of batch, kind, route, material, drawing, notes, measured_by, inlet_count,
    inlet_diameter_mm, inlet_edge_radius_mm, chamber_diameter_mm, chamber_length_mm, exit_diameter_mm,
    exit_length_mm (lengths also as u_...); state (in_stock, reserved, fitted, fired, cleaned, scrapped), date,
    plate, position, firings, state_note
  Earlier results, CSV, marked imported: element, pressure_bar (or _kpa, _mpa, _psi), and any of flow_kg_s (or
    _g_s, _l_min, _ml_s), date, batch, liquid, temperature_c, exit_diameter_mm, half_angle_deg, breakup_mm, notes;
    u_... of each
  Result files, JSON: as conebook measure writes them

Examples:
  conebook import elements.csv --archive book.db
  conebook import elements.csv --archive book.db --reason "pin gauges recalibrated"
  conebook import flow_bench_2029.csv --archive book.db
  conebook import results/*.json --archive book.db)");
  AddArchive(in, options.in.archive);
  in->add_option("FILES", options.in.files, "Tables or result files")->required()->type_name("");
  in->add_option("--reason", options.in.reason, "Why what is on record is corrected")->type_name("TEXT");
  in->add_option("--supersedes", options.in.supersedes, "The result stands for this record; needs --reason")
      ->type_name("KEY");
  in->add_option("--date", options.in.date, "Day of the statements; left out: today")
      ->type_name("2031-05-04");

  CLI::App* verify =
      AddCommand(app, "verify", "Check the archive, and whether runs can be repeated", R"(Examples:
  conebook verify --archive book.db                        records, hashes, index
  conebook verify --archive book.db --footage clips/       also: is the footage still there, unchanged?
  conebook verify --archive book.db --footage clips/ --remeasure --element A07

Measuring again must give the same bytes with the same build on the same kind of machine, and values within
0.1 u with another. Exit status 5 where anything differs or is missing.)");
  AddArchive(verify, options.verify.archive);
  verify
      ->add_option("--footage", options.verify.footage,
                   "Folder to look for footage in; several times if need be")
      ->type_name("FOLDER")
      ->take_all()
      ->expected(1);
  verify->add_flag("--remeasure", options.verify.remeasure, "Measure again and compare");
  verify->add_flag("--rebuild-index", options.verify.rebuild_index,
                   "First make the index again from the records");
  AddFilter(verify, options.verify.filter);

  CLI::App* merge = AddCommand(app, "merge", "Bring archives of several machines together", R"(Examples:
  conebook merge laptop_a.db laptop_b.db --archive book.db

The archives named are only read. Nothing is lost, nothing is there twice; what two of them say differently of
an element is listed, and both stay on record until you decide.)");
  AddArchive(merge, options.merge.archive);
  merge->add_option("FROM", options.merge.from, "Archives to read")->required()->type_name("");

  CLI::App* stock = AddCommand(app, "stock", "Put on record where an element is and what happened to it",
                               R"(Examples:
  conebook stock A07 in_stock --archive book.db
  conebook stock A07 fitted --plate P2 --position 5 --archive book.db
  conebook stock A07 fired --firings 1 --note "2 s, no damage seen" --archive book.db)");
  AddArchive(stock, options.stock.archive);
  stock->add_option("ELEMENT", options.stock.element, "Its id")->required()->type_name("");
  stock->add_option("STATE", options.stock.state, "in_stock, reserved, fitted, fired, cleaned or scrapped")
      ->required()
      ->type_name("");
  stock->add_option("--plate", options.stock.plate, "Plate that it is fitted to or reserved for")
      ->type_name("ID");
  stock->add_option("--position", options.stock.position, "Position in the plate")->type_name("N");
  stock->add_option("--firings", options.stock.firings, "Number of hot firings")->type_name("N");
  stock->add_option("--date", options.stock.date, "Day; left out: today")->type_name("2031-05-04");
  stock->add_option("--note", options.stock.note, "Anything else")->type_name("TEXT");

  CLI::App* withdraw = AddCommand(app, "withdraw", "Say that a record no longer counts", R"(Examples:
  conebook withdraw 3fa2b1 --reason "tray in front of the lens" --archive book.db

The record stays, with the reason. Where another run stands for it, measure that one with --supersedes.)");
  AddArchive(withdraw, options.withdraw.archive);
  withdraw->add_option("RECORD", options.withdraw.record, "First digits of its key")
      ->required()
      ->type_name("");
  withdraw->add_option("--reason", options.withdraw.reason, "Why")->required()->type_name("TEXT");
}

int Run(const CLI::App& app, const MeasureOptions& measure, ArchiveOptions& options) {
  const auto asked = [&](const char* name) { return app.get_subcommand(name)->parsed(); };
  for (bool* quiet :
       {&options.list.quiet, &options.out.quiet, &options.in.quiet, &options.verify.quiet,
        &options.merge.quiet, &options.report.quiet, &options.stock.quiet, &options.withdraw.quiet})
    *quiet = measure.quiet;
  options.verify.threads = measure.threads;
  for (const RunFilter* filter : {&options.list.filter, &options.out.filter, &options.verify.filter})
    CheckFilter(*filter);
  if (asked("measure")) {
    if (measure.existing && !measure.follow) throw calib::InputError("--existing goes with --follow FOLDER");
    if (measure.again && !(measure.sheet && measure.archive))
      throw calib::InputError("--again goes with --sheet DAY.toml --archive BOOK.db");
    if (measure.follow) return MeasureFollow(measure);
    return measure.sheet ? MeasureDay(measure) : MeasureOne(measure);
  }
  if (asked("list")) return List(options.list);
  if (asked("show")) return Show(options.show);
  if (asked("export")) return Export(options.out);
  if (asked("import")) return Import(options.in);
  if (asked("verify")) return Verify(options.verify);
  if (asked("merge")) return Merge(options.merge);
  if (asked("report")) return Report(options.report);
  if (asked("stock")) return MoveStock(options.stock);
  if (asked("withdraw")) return Withdraw(options.withdraw);
  throw calib::InputError("no command; try conebook measure, or conebook --help");
}

}  // namespace

int RunCommandLine(int argc, char** argv) {
  MeasureOptions measure;
  ArchiveOptions options;
  CLI::App app(
      "conebook: from footage of an injector element's spray and the stand's log to half-cone angle, "
      "breakup\n"
      "length and discharge coefficient per pressure point, each with its uncertainty; archived per element",
      "conebook");
  app.footer(kExamples);
  app.set_version_flag("--version", fmt::format("conebook {} ({})", ProgramVersion(), ProgramBuild()));
  app.add_option("--threads", measure.threads, "Cores to use; 0: all. Never changes a result")
      ->check(CLI::Range(0, 1024))
      ->type_name("N");
  app.add_flag("--quiet", measure.quiet, "No summary and no progress");
  AddMeasure(app, measure);
  AddReading(app, options);
  AddWriting(app, options);
  CalibrateOptions calibrate;
  AddCalibrate(app, calibrate);
  PlanOptions plan;
  AddPlan(app, plan);
  SizeOptions size;
  AddSize(app, size);
  SheetOptions sheet;
  AddSheet(app, sheet);
  CompareCommandOptions compare;
  AddCompare(app, compare);
  MatchOptions match;
  AddMatch(app, match);
  if (argc < 2)
    throw calib::InputError("nothing to do; try conebook measure CLIP --rig RIG.toml, or conebook --help");
  RequireKnownCommand(argc, argv, app);
  try {
    app.parse(argc, argv);
  } catch (const CLI::Success& asked_for_help) {
    return app.exit(asked_for_help);
  } catch (const CLI::ParseError& problem) {
    RefuseUsage(problem, app);
  }
  CatchInterrupts();
  if (const auto status = RunCalibrate(app, calibrate, measure.quiet)) return *status;
  plan.quiet = measure.quiet;
  if (app.get_subcommand("plan")->parsed()) return PlanCommand(plan);
  size.quiet = measure.quiet;
  if (app.get_subcommand("size")->parsed()) return SizeCommand(size);
  sheet.quiet = measure.quiet;
  sheet.threads = measure.threads;
  if (app.get_subcommand("sheet")->parsed()) return SheetCommand(sheet);
  compare.quiet = measure.quiet;
  if (app.get_subcommand("compare")->parsed()) return CompareCommand(compare);
  match.quiet = measure.quiet;
  if (app.get_subcommand("match")->parsed()) return MatchCommand(match);
  return Run(app, measure, options);
}

}  // namespace conebook::src

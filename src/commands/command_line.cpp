#include "src/commands/command_line.h"

#include <cstdio>
#include <string>
#include <vector>

#include <CLI/CLI.hpp>
#include <fmt/core.h>

#include <calib/error.h>

#include "src/commands/interrupt.h"
#include "src/commands/measure_command.h"
#include "src/nearest_name.h"
#include "src/version.h"

namespace conebook::src {
namespace {

constexpr const char* kExamples = R"(Examples:
  conebook measure clip.mp4 --rig rig.toml --log log.csv --json out.json --report out.html
  conebook measure frames/ --rig rig.toml --json -
  conebook measure --log log.csv --rig rig.toml
  conebook measure --sheet DAY.toml --json results/ --report day.html --archive book.db

Exit status: 0 measured (flags possible), 1 a bug in conebook, 2 bad usage or bad input,
3 footage that cannot be measured (the result file says why), 4 archive unusable, 130 interrupted.

Pressurised liquid can injure: keep to the stand's rated pressure, your local codes, and licensed practice.)";

const std::vector<std::string> kCommands{"measure"};

// One line, no library's words: what was wrong and where to look.
[[noreturn]] void RefuseUsage(const CLI::ParseError& problem, const CLI::App& measure) {
  std::string text = problem.what();
  if (dynamic_cast<const CLI::ExtrasError*>(&problem) != nullptr) {
    std::string extra = text.substr(text.find_last_of(" \t\n") + 1);
    std::vector<std::string> names;
    for (const CLI::Option* option : measure.get_options()) {
      for (const std::string& name : option->get_lnames()) names.push_back("--" + name);
    }
    for (const char* name : {"--threads", "--quiet", "--version"}) names.emplace_back(name);
    if (extra.rfind('-', 0) == 0) {
      const auto nearest = NearestName(extra, names);
      text = fmt::format("unknown option {}{}", extra,
                         nearest ? "; did you mean " + *nearest + "?" : std::string());
    } else {
      text = fmt::format("{} was not expected: one clip at a time, or a test day with --sheet", extra);
    }
  }
  throw calib::InputError(fmt::format("{} (see conebook measure --help)", text));
}

void RequireKnownCommand(int argc, char** argv) {
  bool value_follows = false;
  for (int i = 1; i < argc; ++i) {
    const std::string word = argv[i];
    if (value_follows) {
      value_follows = false;
      continue;
    }
    value_follows = word == "--threads";
    if (word.empty() || word.front() == '-') continue;
    for (const std::string& command : kCommands) {
      if (word == command) return;
    }
    throw calib::InputError(
        fmt::format("unknown command {}; this version has: measure (see conebook --help)", word));
  }
}

}  // namespace

int RunCommandLine(int argc, char** argv) {
  MeasureOptions options;
  CLI::App app(
      "conebook: from footage of an injector element's spray and the stand's log to half-cone angle, "
      "breakup\n"
      "length and discharge coefficient per pressure point, each with its uncertainty",
      "conebook");
  app.footer(kExamples);
  app.set_version_flag("--version", fmt::format("conebook {} ({})", ProgramVersion(), ProgramBuild()));
  app.add_option("--threads", options.threads, "Cores to use; 0: all. Never changes a result")
      ->check(CLI::Range(0, 1024))
      ->type_name("N");
  app.add_flag("--quiet", options.quiet, "No summary and no progress");
  CLI::App* measure = app.add_subcommand("measure", "Measure a clip, a log alone, or a whole test day");
  measure->fallthrough();
  measure->footer(kExamples);
  measure->add_option("CLIP", options.clip, "Video file, or folder of frames")->type_name("");
  measure->add_option("--rig", options.rig, "Rig file: element, camera, scale, nozzle, stand")
      ->type_name("RIG.toml");
  measure->add_option("--log", options.log, "Stand log: time, pressure, flow")->type_name("LOG.csv");
  measure->add_option("--sheet", options.sheet, "Test-day sheet: many clips, in parallel")
      ->type_name("DAY.toml");
  measure->add_option("--json", options.json, "Result file; - for standard output; with --sheet a folder")
      ->type_name("OUT.json");
  measure->add_option("--archive", options.archive, "Put the run on record in this archive")
      ->type_name("BOOK.db");
  measure->add_option("--report", options.report, "Page for people, opens offline")->type_name("OUT.html");
  measure
      ->add_option("--overlay", options.overlay,
                   "Film with what was measured drawn in; with --sheet a folder")
      ->type_name("OUT.mp4");
  if (argc < 2)
    throw calib::InputError("nothing to do; try conebook measure CLIP --rig RIG.toml, or conebook --help");
  RequireKnownCommand(argc, argv);
  try {
    app.parse(argc, argv);
  } catch (const CLI::Success& asked_for_help) {
    return app.exit(asked_for_help);
  } catch (const CLI::ParseError& problem) {
    RefuseUsage(problem, *measure);
  }
  if (!measure->parsed()) throw calib::InputError("no command; try conebook measure, or conebook --help");
  CatchInterrupts();
  return options.sheet ? MeasureDay(options) : MeasureOne(options);
}

}  // namespace conebook::src

#include "src/commands/compare_command.h"

#include <CLI/CLI.hpp>
#include <fmt/core.h>

#include <calib/error.h>

#include "src/commands/calibrate_words.h"
#include "src/commands/output.h"
#include "src/compare.h"
#include "src/report/compare_page.h"

namespace conebook::src {
namespace {

constexpr const char* kExamples =
    R"(A group is a batch ("R1"), or what its runs have in common: "NAME: WORD=VALUE, WORD=VALUE". Words: batch,
element, from, to, verdict, origin, flag; the same word again means either.

Examples:
  conebook compare R1 R2 --archive book.db
  conebook compare R1 R2 --archive book.db --at-bar 8 --margin flow_area_mm2=1% --margin cone_half_angle_deg=1
  conebook compare "before: batch=R1, to=2031-05-04" "after: batch=R1, from=2031-06-01" --archive book.db
  conebook compare "cast: element=A1, element=A2, element=A3" R2 --archive book.db --report cast.html

Both groups are read at one pressure drop, between each run's own points. Elements count as a random draw from
their group, mountings and readings from their element, so that many readings of few elements do not pass for many
elements. Days are taken out. Where the groups share no day, only check elements (role = "check" on the test-day
sheet) tell route from day. Errors that both groups share (rig and meter file, method) cancel.
The difference is the second group less the first. "not told apart" is not "equal": give --margin for that.

A cold-flow comparison says nothing of hot firing; keep to drawing, local codes, and licensed practice.)";

}  // namespace

void AddCompare(CLI::App& app, CompareCommandOptions& options) {
  CLI::App* compare =
      AddCommand(app, "compare", "Hold two groups of elements on record against each other", kExamples);
  compare->add_option("GROUPS", options.groups, "Two groups: batches, or \"NAME: WORD=VALUE, ...\"")
      ->type_name("");
  compare->add_option("--group", options.more_groups, "A group, in place of the above")
      ->type_name("\"NAME: ...\"")
      ->take_all()
      ->expected(1);
  compare->add_option("--archive", options.archive, "The archive")->required()->type_name("BOOK.db");
  compare
      ->add_option("--at-bar", options.at_bar,
                   "Pressure drop; left out: one that most elements were read about")
      ->check(CLI::PositiveNumber)
      ->type_name("BAR");
  compare
      ->add_option(
          "--margin", options.margins,
          "Are they equivalent within this? In the quantity's unit, or % of the first group; several times "
          "if need be")
      ->type_name("QUANTITY=VALUE")
      ->take_all()
      ->expected(1);
  AddJson(compare, options.json);
  compare->add_option("--report", options.report, "Page for people, opens offline")->type_name("OUT.html");
}

int CompareCommand(const CompareCommandOptions& options) {
  std::vector<std::string> groups = options.groups;
  groups.insert(groups.end(), options.more_groups.begin(), options.more_groups.end());
  if (groups.size() != 2)
    throw calib::InputError(
        fmt::format("compare: expected two groups, found {}; as in conebook compare R1 R2 --archive {}",
                    groups.size(), options.archive));
  for (const auto& output : {options.json, options.report}) CheckOutput(output);
  CompareOptions asked;
  for (const std::string& margin : options.margins) asked.margins.push_back(ReadCompareMargin(margin));
  for (std::size_t i = 0; i < 2; ++i) asked.groups[i] = ReadCompareGroup(options.archive, groups[i]);
  asked.at_bar = options.at_bar;
  const Comparison comparison = Compare(options.archive, asked);
  if (options.json) WriteOutput(*options.json, CompareJson(comparison));
  if (options.report) WriteOutput(*options.report, RenderComparePage(comparison));
  const bool taken = (options.json && *options.json == "-") || (options.report && *options.report == "-");
  if (!options.quiet && !taken) WriteOutput("-", CompareInWords(comparison));
  FlushOutput();
  return 0;
}

}  // namespace conebook::src

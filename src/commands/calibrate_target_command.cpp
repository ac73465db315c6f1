#include <filesystem>

#include <fmt/core.h>
#include <nlohmann/json.hpp>

#include <calib/error.h>
#include <vision/pictures.h>

#include "src/commands/calibrate_command.h"
#include "src/commands/output.h"
#include "src/element_code.h"
#include "src/output_file.h"
#include "src/target_sheet.h"

namespace conebook::src {
namespace {

using Json = nlohmann::ordered_json;
namespace fs = std::filesystem;

constexpr int kFramesToRead = 12;

TargetSheetOptions SheetOf(const CalibrateTargetOptions& options) {
  TargetSheetOptions sheet;
  sheet.columns = options.columns;
  sheet.rows = options.rows;
  sheet.square_mm = options.square_mm;
  if (options.paper == "letter") {  // ANSI/ASME Y14.1, size A
    sheet.page_width_mm = 215.9;
    sheet.page_height_mm = 279.4;
  }
  return sheet;
}

// cards.svg, cards_2.svg, ...
std::string NameOfPage(const std::string& out, std::size_t page) {
  if (page == 0) return out;
  const fs::path path(out);
  return (path.parent_path() /
          fmt::format("{}_{}{}", path.stem().string(), page + 1, path.extension().string()))
      .string();
}

int ReadCards(const CalibrateTargetOptions& options) {
  Json json{{"schema", "conebook.cards/1"}, {"pictures", Json::array()}};
  std::string text;
  for (const vision::Picture& picture : vision::TakePictures(*options.read, kFramesToRead)) {
    const std::vector<std::string> ids = ReadElementCodes(picture.grey);
    json["pictures"].push_back({{"name", picture.name}, {"elements", ids}});
    text += picture.name + ":";
    for (const std::string& id : ids) text += " " + id;
    text += ids.empty() ? " no card can be read\n" : "\n";
  }
  if (options.json)
    WriteOutput(*options.json, json.dump(2, ' ', false, Json::error_handler_t::replace) + "\n");
  if (!options.quiet && options.json != "-") WriteOutput("-", text);
  FlushOutput();
  return 0;
}

}  // namespace

int CalibrateTargetCommand(const CalibrateTargetOptions& options) {
  CheckOutput(options.json);
  if (options.read) return ReadCards(options);
  if (options.out.empty()) throw calib::InputError("--out SHEET.svg is missing: the sheet to print");
  const TargetSheetOptions sheet = SheetOf(options);
  std::vector<std::pair<std::string, std::string>> pages;
  if (options.elements.empty()) {
    pages.emplace_back(options.out, CalibrationSheetSvg(sheet));
  } else {
    for (std::size_t from = 0; from < options.elements.size(); from += kCardsAPage) {
      const std::size_t to = std::min(options.elements.size(), from + kCardsAPage);
      pages.emplace_back(NameOfPage(options.out, from / kCardsAPage),
                         ElementCardsSvg({options.elements.begin() + static_cast<std::ptrdiff_t>(from),
                                          options.elements.begin() + static_cast<std::ptrdiff_t>(to)},
                                         sheet));
    }
  }
  for (const auto& [path, svg] : pages) CheckCanWrite(path);
  for (const auto& [path, svg] : pages) WriteWhole(path, svg);

  Json json{{"schema", "conebook.target/1"},
            {"page_mm", {sheet.page_width_mm, sheet.page_height_mm}},
            {"files", Json::array()}};
  for (const auto& [path, svg] : pages) json["files"].push_back(NameForResult(path));
  if (options.elements.empty()) {
    const SheetLayout layout = LayOut(sheet);
    json["check_length_mm"] = kCheckLengthMm;
    json["board"] = {{"columns", sheet.columns}, {"rows", sheet.rows}, {"square_mm", sheet.square_mm}};
    json["half_angles_deg"] = Json::array();
    for (const SheetTriangle& t : layout.triangles) json["half_angles_deg"].push_back(t.half_angle_deg);
  } else {
    json["elements"] = options.elements;
  }
  if (options.json)
    WriteOutput(*options.json, json.dump(2, ' ', false, Json::error_handler_t::replace) + "\n");
  if (!options.quiet && options.json != "-") {
    for (const auto& [path, svg] : pages) fmt::print("{}\n", path);
    fmt::print("print at 100 %, not fitted to the page{}\n",
               options.elements.empty() ? ", and check both bars: 100.0 mm" : "");
  }
  FlushOutput();
  return 0;
}

}  // namespace conebook::src

#include "src/sheet_draft.h"

#include <filesystem>

#include <fmt/format.h>

namespace conebook::src {
namespace {

std::string Quoted(const std::string& text) {
  std::string result = "\"";
  for (const char c : text) {
    const auto u = static_cast<unsigned char>(c);
    if (c == '"' || c == '\\') {
      result += std::string("\\") + c;
    } else if (u < 0x20 || u == 0x7f) {
      result += fmt::format("\\u{:04x}", u);
    } else {
      result += c;
    }
  }
  return result + "\"";
}

// A file's name must not break out of its comment.
std::string OneLine(std::string text) {
  for (char& c : text) {
    if (static_cast<unsigned char>(c) < 0x20 || c == 0x7f) c = ' ';
  }
  return text;
}

std::string Line(const std::string& entry, const std::string& comment) {
  constexpr std::size_t kColumn = 34;
  if (comment.empty()) return entry + "\n";
  return fmt::format("{:<{}}  # {}\n", entry, kColumn, OneLine(comment));
}

std::string FileComment(const CameraFile& file, const ClipTime& time) {
  std::string text;
  if (time.begins_s) {
    text = "about " + TimeOfDay(*time.begins_s);
  } else if (file.time) {
    text = TimeOfDay(file.time->clock.epoch_s) + " by the camera";
  }
  if (file.time && file.time->from != FileTime::From::kContainer)
    text += fmt::format(" ({})", InWords(file.time->from));
  if (file.duration_s) text += fmt::format("{}{:.1f} s long", text.empty() ? "" : ", ", *file.duration_s);
  return text;
}

}  // namespace

SheetDraft DraftSheet(const SheetDraftInput& input) {
  SheetDraft draft;
  std::string clips;
  for (const std::size_t i : input.cards.order) {
    const CameraFile& file = input.files[i];
    if (!file.problem.empty()) {
      draft.left_out.push_back(file.name + ": " + file.problem);
      continue;
    }
    if (!file.IsClip()) continue;
    const ElementFound& element = input.cards.elements[i];
    const ClipTime& time = input.times.clips[i];
    ++draft.clips;
    const std::string path = (std::filesystem::path(input.folder) / file.name).lexically_normal().string();
    clips += "\n[[clip]]\n" + Line("file = " + Quoted(path), FileComment(file, time));
    if (element.element) {
      clips += Line("element = " + Quoted(*element.element), element.from);
    } else {
      clips += Line("element = \"\"", "blank: " + element.why_blank);
      draft.blanks.push_back(file.name + ": element: " + element.why_blank);
    }
    if (!time.pressures_bar.empty()) {
      std::string bars;
      for (const double bar : time.pressures_bar)
        bars += fmt::format("{}{:.2f}", bars.empty() ? "" : ", ", bar);
      clips +=
          Line("log = " + Quoted(input.log),
               fmt::format("{} bar, {} from {} to {}", bars,
                           time.pressures_bar.size() > 1 ? "each steady, told apart by the first spray frame,"
                                                         : "steady",
                           TimeOfDay(time.steady_t0_s), TimeOfDay(time.steady_t1_s)));
      clips += fmt::format("rig = {{sync = {{log_minus_video_s = {:.1f}, u_log_minus_video_s = {:.1f}}}}}\n",
                           time.log_minus_video_s, time.u_log_minus_video_s);
    } else {
      clips += Line("# log = " + Quoted(input.log), "pressure blank: " + time.why_blank);
      draft.blanks.push_back(file.name + ": pressure: " + time.why_blank);
    }
  }
  std::string& toml = draft.toml;
  toml = "# Drafted from camera files and log; to be checked.\n";
  if (!draft.blanks.empty() || !input.rig)
    toml +=
        "# Fill in what is blank: without an element a clip is not measured, without a log it has no "
        "pressure.\n";
  for (const std::string& remark : input.times.remarks) toml += "# " + OneLine(remark) + "\n";
  for (const std::string& file : draft.left_out) toml += "# left out: " + OneLine(file) + "\n";
  toml += "[day]\nname = " + Quoted(input.name) + "\n";
  if (input.date) toml += "date = " + Quoted(*input.date) + "\n";
  if (input.rig) {
    toml += "rig = " + Quoted(*input.rig) + "\n";
  } else {
    toml += Line("rig = \"\"", "blank: the rig file of the day");
    draft.blanks.insert(draft.blanks.begin(), "[day] rig: --rig was not given");
  }
  toml += clips;
  return draft;
}

}  // namespace conebook::src

#include "src/report/remarks.h"

#include <algorithm>
#include <array>
#include <cctype>
#include <string_view>
#include <utility>

#include <fmt/format.h>

#include "src/report/html.h"
#include "src/report/point_table.h"

namespace conebook::src {
namespace {

using calib::Flag;
using calib::Severity;

constexpr std::string_view kRatedCode = "above_rated_pressure";

const char* VerdictSentence(const Run& run) {
  switch (run.GetVerdict()) {
    case Verdict::kOk:
      return "Measured, nothing to remark.";
    case Verdict::kFlagged:
      return "Measured. Read the remarks before using the numbers.";
    case Verdict::kRejected:
      return run.footage ? "Not measured: the footage cannot support a number."
                         : "Not measured: the log cannot support a number.";
  }
  return "";
}

std::string AboutText(const Run& run, const Remark& remark) {
  std::string about;
  for (std::size_t i = 0; i < remark.points.size(); ++i)
    about += (i ? ", " : "") + PointInWords(run, remark.points[i]);
  if (remark.flag.quantity) about += (about.empty() ? "" : ": ") + QuantityInWords(*remark.flag.quantity);
  return about;
}

}  // namespace

std::string Sentence(std::string text) {
  if (text.empty()) return text;
  const std::string_view first_word = std::string_view(text).substr(0, text.find(' '));
  // A key or a file name keeps its spelling.
  if (first_word.find_first_of("_.[/0123456789") == std::string_view::npos)
    text.front() = static_cast<char>(std::toupper(static_cast<unsigned char>(text.front())));
  if (std::string_view(".!?").find(text.back()) == std::string_view::npos) text += '.';
  return text;
}

bool ComesFirst(const Flag& flag) {
  return flag.code == kRatedCode;
}

std::vector<Remark> RemarksOf(const Run& run) {
  std::vector<Remark> remarks;
  for (const Flag& flag : run.flags) {
    const auto same = std::find_if(remarks.begin(), remarks.end(), [&](const Remark& remark) {
      return remark.flag.code == flag.code && remark.flag.quantity == flag.quantity &&
             remark.flag.message == flag.message && remark.flag.severity == flag.severity &&
             remark.flag.point.has_value() == flag.point.has_value();
    });
    Remark& remark = same != remarks.end() ? *same : remarks.emplace_back(Remark{flag, {}});
    if (flag.point) remark.points.push_back(*flag.point);
  }
  const auto rank = [](const Remark& remark) {
    if (ComesFirst(remark.flag)) return 0;
    return remark.flag.severity == Severity::kReject ? 1 : remark.flag.severity == Severity::kWarn ? 2 : 3;
  };
  std::stable_sort(remarks.begin(), remarks.end(),
                   [&](const Remark& a, const Remark& b) { return rank(a) < rank(b); });
  return remarks;
}

std::string RemarkHtml(const Flag& flag, const std::string& about) {
  static constexpr std::array<std::pair<const char*, const char*>, 3> kWords{
      std::pair{"info", "Note"}, std::pair{"warn", "Warning"}, std::pair{"reject", "Refused"}};
  const auto& [name, word] = kWords[static_cast<std::size_t>(flag.severity)];
  return fmt::format(
      "<li class=\"{}\"><p><b>{}</b> <code>{}</code><span class=\"about\">{}</span></p><p>{}</p>{}</li>",
      name, word, EscapeHtml(flag.code), EscapeHtml(about), EscapeHtml(Sentence(flag.message)),
      flag.advice.empty()
          ? ""
          : "<p class=\"advice\"><b>What to do:</b> " + EscapeHtml(Sentence(flag.advice)) + "</p>");
}

std::string VerdictHtml(const Run& run) {
  const Verdict verdict = run.GetVerdict();
  std::string shown, notes;
  int note_count = 0;
  for (const Remark& remark : RemarksOf(run)) {
    if (remark.flag.severity == Severity::kInfo && !ComesFirst(remark.flag)) {
      notes += RemarkHtml(remark.flag, AboutText(run, remark));
      ++note_count;
    } else {
      shown += RemarkHtml(remark.flag, AboutText(run, remark));
    }
  }
  std::string out = fmt::format("<section class=\"verdict {}\"><h2>Verdict</h2><p class=\"sentence\">{}</p>",
                                NameOf(verdict), VerdictSentence(run));
  if (!shown.empty()) out += "<ul class=\"remarks\">" + shown + "</ul>";
  if (note_count > 0)
    out += fmt::format(
        "<details><summary>{} note{} on what was assumed or found</summary><ul class=\"remarks\">{}</ul>"
        "</details>",
        note_count, note_count == 1 ? "" : "s", notes);
  return out + "</section>";
}

std::string RatedBanner(const Run& run) {
  for (const Remark& remark : RemarksOf(run))
    if (ComesFirst(remark.flag))
      return fmt::format("<div class=\"banner\" role=\"alert\"><b>Above rated pressure.</b> {} {}</div>",
                         EscapeHtml(Sentence(remark.flag.message)), EscapeHtml(Sentence(remark.flag.advice)));
  return "";
}

}  // namespace conebook::src

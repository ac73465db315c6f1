#include "src/report/page.h"

#include <fmt/format.h>

#include "src/report/assets.h"
#include "src/report/html.h"

namespace conebook::src {

std::string TitleCell(const std::string& name, const std::string& html) {
  return fmt::format("<div><span>{}</span><b>{}</b></div>", name, html);
}

std::string FileTitleCell(const std::string& name, const std::string& path) {
  constexpr std::size_t kLettersInACell = 10;
  return fmt::format("<div{}><span>{}</span><b>{}</b></div>",
                     path.size() > kLettersInACell ? " class=\"long\"" : "", name, FileNameHtml(path));
}

std::string DateSpanHtml(const std::string& first, const std::string& last) {
  const auto piece = [](const std::string& date) {
    return "<span class=\"date\">" + EscapeHtml(date) + "</span>";
  };
  return first == last ? piece(first) : piece(first) + " to " + piece(last);
}

std::string Page(const std::string& title, const std::string& body) {
  std::string out =
      "<!DOCTYPE html>\n<html lang=\"en\"><head><meta charset=\"utf-8\"><meta name=\"viewport\" "
      "content=\"width=device-width, initial-scale=1\"><meta name=\"color-scheme\" content=\"light dark\">"
      "<title>" +
      EscapeHtml(title) + "</title>\n<style>";
  out += ReportStyle();
  out += "</style></head>\n<body><main>" + body +
         "</main>\n<footer><p><b>Cautions.</b> A cold-flow stand is a pressure vessel with jets: stay below "
         "the rated "
         "pressure of its weakest part, keep out of line with elements and fittings, wear eye protection, "
         "depressurise "
         "before touching anything; mist of flammable or harmful liquids and lamps near water can kill. This "
         "page "
         "reports what a picture and a log show; it does not say that an element, a stand or an engine is "
         "safe. Local "
         "codes and licensed practice come first.</p><p>± gives the standard uncertainty u (k = 1) after "
         "JCGM 100:2008; "
         "intervals are two-sided with 95 % coverage. Half angles are half of the full cone "
         "angle.</p></footer>\n"
         "<noscript><p class=\"hint\">The charts need scripts; the tables hold the same "
         "numbers.</p></noscript>\n";
  // A page without charts stays light.
  if (body.find("<script type=\"application/json\">") != std::string::npos) {
    out += "<script>";
    out += PlotlyBundle();
    out += "</script>\n";
  }
  out += "<script>";
  out += ReportScript();
  return out + "</script></body></html>\n";
}

}  // namespace conebook::src

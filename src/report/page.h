// What every page has around its matter: head, style, cautions, scripts. Nothing on it comes from outside.
#pragma once

#include <string>

namespace conebook::src {

// body: HTML; title: text. A page without charts goes without the chart library and stays light.
std::string Page(const std::string& title, const std::string& body);

// A cell of a title block; html is taken as it is.
std::string TitleCell(const std::string& name, const std::string& html);

// A cell for the name of a file, with more room where it is long; breaks only after the signs that part it.
std::string FileTitleCell(const std::string& name, const std::string& path);

// "2026-11-03 to 2026-11-05", each date in one piece; a single date where both are the same.
std::string DateSpanHtml(const std::string& first, const std::string& last);

}  // namespace conebook::src

// What a page about an element says in tables and lists: its runs, what they remark, its facts, its stock
// history, and imported earlier results. Each is a section, empty where there is nothing to say.
#pragma once

#include <set>
#include <string>

#include "src/report/element_report.h"

namespace conebook::src {

// in_full: indices of the runs whose section is on the page; they get a link to #run-<index + 1>.
std::string ElementRunsHtml(const ElementReport& report, const std::set<std::size_t>& in_full);

// True lean of each test day on which the element was filmed at several rotations; superseded runs left out.
std::string ElementViewsHtml(const ElementReport& report);

// What runs that count remark, each kind once, with what to do.
std::string ElementRemarksHtml(const ElementReport& report);

std::string ElementFactsHtml(const ElementReport& report);
std::string ElementStockHtml(const ElementReport& report);
std::string EarlierResultsHtml(const ElementReport& report);

}  // namespace conebook::src

// All that is on record of an element, gathered for its page.
#pragma once

#include <string>

#include "src/archive/query.h"
#include "src/report/element_report.h"

namespace conebook::src {

// Throws calib::InputError where nothing is on record of it, ArchiveError.
ElementReport GatherElement(const std::string& archive, const std::string& element);

// "exit_diameter_mm" -> "exit diameter", and "1.2" with "0.004" -> "1.2 mm, u 0.004 mm".
std::vector<ElementFact> FactsInWords(const std::vector<FactRow>& rows);

// "in_stock" -> "in stock", with plate, position, firings and note.
StockEvent StockInWords(const StockRow& row);

}  // namespace conebook::src

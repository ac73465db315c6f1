#include "src/report/assets.h"

#include <cstddef>

// Symbols of report_assets.S.
extern "C" {
extern const char kConebookPlotlyBegin[], kConebookPlotlyEnd[];
extern const char kConebookReportCssBegin[], kConebookReportCssEnd[];
extern const char kConebookReportJsBegin[], kConebookReportJsEnd[];
}

namespace conebook::src {
namespace {

std::string_view Between(const char* begin, const char* end) {
  return {begin, static_cast<std::size_t>(end - begin)};
}

}  // namespace

std::string_view PlotlyBundle() {
  return Between(kConebookPlotlyBegin, kConebookPlotlyEnd);
}
std::string_view ReportStyle() {
  return Between(kConebookReportCssBegin, kConebookReportCssEnd);
}
std::string_view ReportScript() {
  return Between(kConebookReportJsBegin, kConebookReportJsEnd);
}

}  // namespace conebook::src

#include "src/report/assets.h"

#include <cstddef>

// Symbols of report_assets.S.
extern "C" {
extern const char conebook_plotly_begin[], conebook_plotly_end[];
extern const char conebook_report_css_begin[], conebook_report_css_end[];
extern const char conebook_report_js_begin[], conebook_report_js_end[];
}

namespace conebook::src {
namespace {

std::string_view Between(const char* begin, const char* end) {
  return {begin, static_cast<std::size_t>(end - begin)};
}

}  // namespace

std::string_view PlotlyBundle() {
  return Between(conebook_plotly_begin, conebook_plotly_end);
}
std::string_view ReportStyle() {
  return Between(conebook_report_css_begin, conebook_report_css_end);
}
std::string_view ReportScript() {
  return Between(conebook_report_js_begin, conebook_report_js_end);
}

}  // namespace conebook::src

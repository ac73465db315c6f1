#include "src/report/report.h"

#include "src/report/page.h"
#include "src/report/page_budget.h"
#include "src/report/run_section.h"

namespace conebook::src {

std::string RenderReportHtml(const Run& run) {
  RunSectionOptions options;
  std::string section = RunSectionHtml(run, options);
  if (section.size() > BytesForRuns(0)) {
    options.detail = Detail::kLean;
    section = RunSectionHtml(run, options);
  }
  return Page(
      "Element " + run.element + (run.batch.empty() ? "" : ", batch " + run.batch) + ": spray measurement",
      "<article>" + section + "</article>");
}

}  // namespace conebook::src

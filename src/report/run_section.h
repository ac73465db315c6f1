// All that a page says about one run, from title block to inputs; a page of its own, or one of many sections.
#pragma once

#include <cstddef>
#include <string>

#include "src/run.h"

namespace conebook::src {

enum class Detail {
  kFull,    // everything
  kLean,    // one picture, thinned readings, no make-up of u: where a page holds many runs
  kNumbers  // table and remarks alone
};

struct RunSectionOptions {
  std::string prefix = "r1-";  // keeps ids apart where a page shows several runs
  const char* title_tag = "h1";
  std::size_t picture_bytes = 900'000;  // for all pictures of the run together
  Detail detail = Detail::kFull;
  std::string record;         // first digits of the record's key; empty: not from an archive
  std::string superseded_by;  // by which record and why, or why withdrawn; empty: counts
};

std::string RunSectionHtml(const Run& run, const RunSectionOptions& options);

// The date of the test and how it is known, for a title block.
std::string DateHtml(const Run& run);

}  // namespace conebook::src

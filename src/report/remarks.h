// Flags as remarks for a reader: what was seen, about which points, and what to do.
#pragma once

#include <string>
#include <vector>

#include <calib/flag.h>

#include "src/run.h"

namespace conebook::src {

// Flags that say the same of several points are one remark.
struct Remark {
  calib::Flag flag;
  std::vector<int> points;
};

// Pressure above the rated one first, then refusals, warnings, notes; else in the order of the run.
std::vector<Remark> RemarksOf(const Run& run);

// Whether the flag is to be read before anything else: people may be at risk.
bool ComesFirst(const calib::Flag& flag);

// A flag's message as a sentence: a capital in front, a full stop behind.
std::string Sentence(std::string text);

// An item of a list of class "remarks".
std::string RemarkHtml(const calib::Flag& flag, const std::string& about);

// The verdict in a sentence with all remarks, mere notes folded away.
std::string VerdictHtml(const Run& run);

// A warning that stands above everything else on a page; empty unless a flag ComesFirst.
std::string RatedBanner(const Run& run);

}  // namespace conebook::src

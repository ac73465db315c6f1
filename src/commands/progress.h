// A progress line on standard error, only where someone watches: a terminal, and not --quiet.
#pragma once

#include <functional>
#include <string>

namespace conebook::src {

// Nothing when there is nobody to show it to.
std::function<void(double)> ProgressLine(const std::string& what, bool quiet);

// A line of its own above it, in its place.
void ProgressNote(const std::string& text, bool quiet);

// Wipes the line, so that what follows starts clean.
void EndProgress(bool quiet);

}  // namespace conebook::src

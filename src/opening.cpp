#include "src/opening.h"

#include <algorithm>
#include <cstddef>
#include <optional>

#include <fmt/format.h>

namespace conebook::src {
namespace {

using calib::Flag;
using calib::Severity;
using vision::SprayStage;

struct Seen {
  double bar = 0.0;
  std::optional<SprayStage> stage;
};

// The highest pressure below full development and the lowest fully developed.
class Branch {
 public:
  void Add(const Seen& seen) {
    if (!seen.stage) return;
    if (*seen.stage == SprayStage::kFullyDeveloped) {
      open_bar_ = open_bar_ ? std::min(*open_bar_, seen.bar) : seen.bar;
    } else {
      closed_bar_ = closed_bar_ ? std::max(*closed_bar_, seen.bar) : seen.bar;
    }
  }

  std::optional<OpeningInterval> Interval(const char* direction, std::vector<Flag>& flags) const {
    if (!open_bar_ || !closed_bar_) return std::nullopt;
    if (*closed_bar_ < *open_bar_) return OpeningInterval{*closed_bar_, *open_bar_};
    flags.push_back(
        {"opening_unclear", Severity::kInfo, std::nullopt, std::string("opening_bar"),
         fmt::format("with {} pressure the spray is below full development at {:.2f} bar, though fully "
                     "developed at {:.2f} bar: no one pressure opens it",
                     direction, *closed_bar_, *open_bar_),
         "look for air in the line, a sticking valve or dirt in the element, and repeat the run"});
    return std::nullopt;
  }

 private:
  std::optional<double> open_bar_, closed_bar_;
};

}  // namespace

Opening OpeningOf(const std::vector<Point>& points, std::vector<Flag>& flags) {
  std::vector<Seen> seen;
  for (const Point& point : points) {
    if (point.pressure_bar) seen.push_back({point.pressure_bar->value, point.spray.stage});
  }
  Branch rising, falling;
  for (std::size_t k = 0; k < seen.size(); ++k) {
    const bool first = k == 0;
    const bool last = k + 1 == seen.size();
    if ((!first && seen[k].bar > seen[k - 1].bar) || (!last && seen[k].bar < seen[k + 1].bar))
      rising.Add(seen[k]);
    if ((!first && seen[k].bar < seen[k - 1].bar) || (!last && seen[k].bar > seen[k + 1].bar))
      falling.Add(seen[k]);
  }
  return {rising.Interval("rising", flags), falling.Interval("falling", flags)};
}

std::vector<std::string> OpeningSentences(const Opening& opening) {
  std::vector<std::string> sentences;
  const auto say = [&](const std::optional<OpeningInterval>& at, const char* words) {
    if (at)
      sentences.push_back(fmt::format("{} between {:.2f} and {:.2f} bar", words, at->lo_bar, at->hi_bar));
  };
  say(opening.rising, "opens to its full cone, pressure rising,");
  say(opening.falling, "closes from its full cone, pressure falling,");
  return sentences;
}

}  // namespace conebook::src

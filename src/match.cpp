#include "src/match.h"

#include <algorithm>
#include <cmath>
#include <map>
#include <numbers>
#include <set>

#include <fmt/format.h>

#include <calib/error.h>
#include <calib/liquid.h>

namespace conebook::src {
namespace {

using calib::Conformity;

constexpr std::size_t kMostTies = 10;  // listed
constexpr int kPressures = 6;          // of the prediction, beside the plate's own

calib::Quantity QuantityOf(const StockReading& reading) {
  std::vector<calib::Contribution> budget{{"runs of the element", reading.own_u, calib::Shared::kClip}};
  double shared2 = 0.0;
  for (const auto& [error, u] : reading.shared) shared2 += u * u;
  budget.push_back({"meter, rig and day", std::sqrt(shared2), calib::Shared::kMeter});
  return calib::Combine(reading.value, std::move(budget));
}

std::string RangeOf(const StockElement& element, double pressure_bar) {
  if (!element.range_bar) return "no flow area on record";
  return fmt::format("no flow area at {:g} bar: its points reach {:.3g} to {:.3g} bar", pressure_bar,
                     element.range_bar->first, element.range_bar->second);
}

JudgedLimit Judge(const StockElement& element, const DrawingLimit& limit, double pressure_bar,
                  double guard_u) {
  JudgedLimit judged;
  judged.limit = limit;
  if (limit.quantity == "flow_area_mm2") {
    const auto& reading = element.flow_area_mm2[static_cast<std::size_t>(std::max(0, limit.circuit))];
    if (reading) judged.reading = QuantityOf(*reading);
    if (!reading) judged.missing = RangeOf(element, pressure_bar);
  } else if (limit.quantity == "circuit_ratio") {
    if (element.circuit_ratio) judged.reading = QuantityOf(*element.circuit_ratio);
  } else if (limit.quantity == "lean_deg") {
    if (element.lean) judged.reading = element.lean->size_deg;
    if (!element.lean) judged.missing = "no lean: " + element.no_lean;
  } else if (const auto found = element.readings.find(limit.quantity); found != element.readings.end()) {
    judged.reading = QuantityOf(found->second);
  }
  if (judged.reading && limit.HasLimits())
    judged.result = calib::Assess(*judged.reading, limit.tolerance, guard_u);
  if (!judged.reading && judged.missing.empty())
    judged.missing = fmt::format("no {} at {:g} bar on record", limit.quantity, pressure_bar);
  return judged;
}

std::string ReasonOf(const JudgedLimit& judged, const MatchPlate& plate) {
  if (!judged.reading) return judged.missing;
  const calib::ConformityResult& result = *judged.result;
  std::string text = fmt::format("{} {:.5g} (u {:.2g}), allowed {}: conforms to {:.1f} %",
                                 NameOf(judged.limit, plate), judged.reading->value, judged.reading->u,
                                 calib::InWords(judged.limit.tolerance), 100.0 * result.probability);
  if (result.decision == Conformity::kUndecided && result.limits_too_close)
    text += "; with this u no reading could be accepted";
  else if (result.decision == Conformity::kUndecided && result.u_to_accept > 0.0)
    text += fmt::format("; accepted once u is {:.2g} or less", result.u_to_accept);
  return text;
}

StockVerdict VerdictOn(const StockElement& element, const MatchPlate& plate, bool wall, double pressure_bar) {
  StockVerdict verdict;
  std::vector<std::string> reasons;
  for (const auto& area : element.flow_area_mm2) verdict.readable = verdict.readable && area;
  if (!verdict.readable) {
    verdict.decision = Conformity::kUndecided;
    reasons.push_back(RangeOf(element, pressure_bar));
  }
  for (const DrawingLimit& limit : plate.limits[wall ? 1 : 0]) {
    if (!limit.HasLimits()) continue;
    JudgedLimit judged = Judge(element, limit, pressure_bar, plate.guard_u);
    if (judged.result) verdict.probability *= judged.result->probability;
    if (!judged.reading) verdict.readable = false;
    const Conformity decision = judged.result ? judged.result->decision : Conformity::kUndecided;
    if (decision != Conformity::kAccept) {
      if (verdict.decision != Conformity::kReject) verdict.decision = decision;
      const std::string reason = ReasonOf(judged, plate);
      if (std::find(reasons.begin(), reasons.end(), reason) == reasons.end()) reasons.push_back(reason);
    }
    verdict.judged.push_back(std::move(judged));
  }
  verdict.reason = fmt::format("{}", fmt::join(reasons, "; "));
  return verdict;
}

// What the drawing aims at, where it says so.
std::optional<double> AimOf(const MatchPlate& plate, bool wall, const std::string& quantity, int circuit) {
  const DrawingLimit* limit = plate.LimitOf(wall, quantity, circuit);
  if (limit == nullptr) return std::nullopt;
  if (limit->target) return limit->target;
  if (limit->tolerance.lower && limit->tolerance.upper)
    return 0.5 * (*limit->tolerance.lower + *limit->tolerance.upper);
  return std::nullopt;
}

double FlowOf(const StockLine& line, std::size_t circuit) {
  return line.element.flow_area_mm2[circuit]->value;
}

const StockReading* AngleOf(const StockLine& line) {
  const auto found = line.element.readings.find("cone_half_angle_deg");
  return found == line.element.readings.end() ? nullptr : &found->second;
}

bool AdmittedAnywhere(const StockLine& line) {
  return line.admitted[0] || line.admitted[1];
}

// Mean over the admitted; 1 where there is none.
template <typename Value>
double MeanOfAdmitted(const std::vector<StockLine>& stock, std::size_t group, const Value& value) {
  double sum = 0.0;
  int n = 0;
  for (const StockLine& line : stock) {
    if (!line.admitted[group]) continue;
    const std::optional<double> one = value(line);
    if (!one) continue;
    sum += *one;
    ++n;
  }
  return n > 0 ? sum / n : 1.0;
}

std::vector<calib::GroupTarget> TargetsOf(const MatchPlate& plate, const std::vector<StockLine>& stock) {
  const std::size_t groups = plate.HasWallRow() ? 2 : 1;
  std::vector<calib::GroupTarget> targets(groups);
  for (std::size_t g = 0; g < groups; ++g) {
    for (std::size_t c = 0; c < plate.Circuits(); ++c) {
      const int circuit = plate.circuits.empty() ? -1 : static_cast<int>(c);
      const auto aim = AimOf(plate, g == 1, "flow_area_mm2", circuit);
      targets[g].flow_area_mm2.push_back(aim ? *aim : MeanOfAdmitted(stock, g, [&](const StockLine& line) {
        return std::optional(FlowOf(line, c));
      }));
    }
    const auto aim = AimOf(plate, g == 1, "cone_half_angle_deg", -1);
    targets[g].angle_deg = aim ? *aim : MeanOfAdmitted(stock, g, [](const StockLine& line) {
      const StockReading* angle = AngleOf(line);
      return angle ? std::optional(angle->value) : std::nullopt;
    });
  }
  return targets;
}

calib::MatchScales ScalesOf(const MatchPlate& plate) {
  calib::MatchScales scales;
  const auto half = [&](const std::string& quantity, int circuit) -> std::optional<double> {
    const DrawingLimit* limit = plate.LimitOf(false, quantity, circuit);
    if (limit == nullptr) limit = plate.LimitOf(true, quantity, circuit);
    return limit == nullptr ? std::nullopt : limit->HalfWidth();
  };
  const auto aim_of = [&](const std::string& quantity, int circuit) {
    const auto core = AimOf(plate, false, quantity, circuit);
    return core ? core : AimOf(plate, true, quantity, circuit);
  };
  double flow = 0.0;
  int n = 0;
  for (std::size_t c = 0; c < plate.Circuits(); ++c) {
    const int circuit = plate.circuits.empty() ? -1 : static_cast<int>(c);
    const auto width = half("flow_area_mm2", circuit), aim = aim_of("flow_area_mm2", circuit);
    if (!width || !aim) continue;
    flow += 100.0 * *width / *aim;
    ++n;
  }
  if (n > 0) scales.flow_percent = flow / n;
  if (const auto width = half("cone_half_angle_deg", -1)) scales.angle_deg = *width;
  const auto ratio = half("circuit_ratio", -1), aim = aim_of("circuit_ratio", -1);
  if (ratio && aim) scales.ratio_percent = 100.0 * *ratio / *aim;
  if (const DrawingLimit* lean = plate.LimitOf(false, "lean_deg"); lean && lean->tolerance.upper)
    scales.lean_deg = *lean->tolerance.upper;
  return scales;
}

class ErrorNumbers {
 public:
  calib::MatchReading Reading(const StockReading& reading) {
    calib::MatchReading out{reading.value, reading.own_u, {}};
    for (const auto& [error, u] : reading.shared)
      out.shared.push_back({numbers_.emplace(error, static_cast<int>(numbers_.size())).first->second, u});
    return out;
  }

 private:
  std::map<std::string, int> numbers_;
};

calib::MatchProblem ProblemFrom(const MatchPlate& plate, const std::vector<StockLine>& stock) {
  calib::MatchProblem problem;
  const bool wall_row = plate.HasWallRow();
  for (const MatchPosition& position : plate.positions)
    problem.sites.push_back(
        {position.ring, wall_row && position.wall ? 1 : 0, position.angle_deg, position.mark_deg});
  ErrorNumbers errors;
  for (const StockLine& line : stock) {
    calib::MatchElement& element = problem.elements.emplace_back();
    element.admitted = {line.admitted[0]};
    if (wall_row) element.admitted.push_back(line.admitted[1]);
    if (!AdmittedAnywhere(line)) continue;
    for (const auto& area : line.element.flow_area_mm2)
      element.flow_area_mm2.push_back(errors.Reading(*area));
    if (const StockReading* angle = AngleOf(line)) element.angle_deg = errors.Reading(*angle);
    if (const auto& lean = line.element.lean) {
      const double towards = lean->direction_deg * std::numbers::pi / 180.0;
      element.lean = calib::MatchLean{lean->size_deg.value * std::cos(towards),
                                      lean->size_deg.value * std::sin(towards), lean->size_deg.u};
    }
  }
  problem.targets = TargetsOf(plate, stock);
  problem.weights = plate.weights;
  problem.scales = ScalesOf(plate);
  return problem;
}

void NoteTerms(const calib::MatchTerms& terms, MatchResult& result) {
  int admitted = 0, angles = 0, leans = 0;
  bool clocked = true;
  for (const MatchPosition& position : result.plate.positions) clocked = clocked && position.mark_deg;
  for (const StockLine& line : result.stock) {
    if (!AdmittedAnywhere(line)) continue;
    ++admitted;
    angles += AngleOf(line) ? 1 : 0;
    leans += line.element.lean ? 1 : 0;
  }
  if (!terms.angle && result.plate.weights.angle > 0.0)
    result.notes.push_back(fmt::format(
        "angle spread is left out: {} of {} elements have a cone half angle at {:g} bar; a limit for "
        "cone_half_angle_deg takes only those that have one",
        angles, admitted, result.pressure_drop_bar));
  if (terms.lean || result.plate.weights.lean == 0.0) return;
  result.notes.push_back(
      !clocked ? std::string("lean is left out: the plate does not say where the elements' datum marks face")
               : fmt::format("lean is left out: {} of {} elements have it from three rotations or more; a "
                             "limit for lean_deg takes only those",
                             leans, admitted));
}

void ExplainShortage(const calib::MatchShortage& shortage, MatchResult& result) {
  const bool wall_row = result.plate.HasWallRow();
  const bool both = shortage.groups.size() == 2;
  const bool wall = wall_row && !both && shortage.groups.front() == 1;
  const std::string where = !wall_row || both ? "the plate" : wall ? "the wall row" : "the core";
  const int missing = shortage.sites - shortage.admitted;
  result.infeasible.push_back(fmt::format(
      "{} has {} position{}, but {} element{} may stand there: {} missing", where, shortage.sites,
      shortage.sites == 1 ? "" : "s", shortage.admitted, shortage.admitted == 1 ? "" : "s", missing));
  std::vector<std::string> undecided;
  int rejected = 0;
  const std::size_t group = wall ? 1 : 0;
  for (const StockLine& line : result.stock) {
    const StockVerdict& verdict = line.verdict[group];
    if (line.admitted[group]) continue;
    if (verdict.decision == Conformity::kReject) ++rejected;
    if (verdict.decision == Conformity::kUndecided)
      undecided.push_back(line.element.element + " (" + verdict.reason + ")");
  }
  const int stock = static_cast<int>(result.stock.size());
  if (stock < shortage.sites)
    result.infeasible.push_back(
        fmt::format("the stock has {} element{} in all: flow more, or put more on "
                    "record as in stock",
                    stock, stock == 1 ? "" : "s"));
  else if (rejected == stock)
    result.infeasible.push_back(fmt::format(
        "all {} elements are rejected: look whether the limits are for this pressure drop and this quantity",
        rejected));
  else if (rejected > 0)
    result.infeasible.push_back(fmt::format("{} of {} elements are rejected", rejected, stock));
  if (undecided.empty()) return;
  constexpr std::size_t kShown = 3;
  std::string names;
  for (std::size_t i = 0; i < std::min(kShown, undecided.size()); ++i)
    names += (i > 0 ? "; " : "") + undecided[i];
  const std::size_t n = undecided.size();
  result.infeasible.push_back(fmt::format(
      "{} undecided: {}{}. Measuring {} again with a smaller u may decide{}",
      n == 1 ? "1 is" : fmt::format("{} are", n), names,
      n > kShown ? fmt::format("; and {} more", n - kShown) : "", n == 1 ? "it" : "them",
      static_cast<int>(n) >= missing ? "; --use-undecided takes what has a reading as it is" : ""));
}

std::vector<TiedChoice> TiesOf(const calib::MatchProblem& problem, const MatchQuestion& question,
                               MatchFound& found) {
  std::vector<std::vector<int>> others;
  for (const calib::MatchChoice& other : found.answer.others) others.push_back(other.placed);
  const auto differences = calib::Differences(problem, found.answer.best.placed, others, question.ties);
  const std::set<int> ours(found.answer.best.placed.begin(), found.answer.best.placed.end());
  std::vector<TiedChoice> ties;
  for (std::size_t k = 0; k < others.size(); ++k) {
    if (!differences[k].Tied()) continue;
    ++found.tied_choices;
    if (ties.size() >= kMostTies) continue;
    TiedChoice& tie = ties.emplace_back();
    const std::set<int> theirs(others[k].begin(), others[k].end());
    for (const int e : ours)
      if (!theirs.contains(e)) tie.out.push_back(static_cast<std::size_t>(e));
    for (const int e : theirs)
      if (!ours.contains(e)) tie.in.push_back(static_cast<std::size_t>(e));
    tie.score = found.answer.others[k].score;
    tie.behind = differences[k];
  }
  return ties;
}

std::vector<SiteResult> SitesOf(const MatchResult& result, const MatchFound& found) {
  std::vector<SiteResult> sites;
  for (std::size_t s = 0; s < result.plate.positions.size(); ++s) {
    SiteResult& site = sites.emplace_back();
    site.stock = static_cast<std::size_t>(found.answer.best.placed[s]);
    const StockLine& line = result.stock[site.stock];
    const calib::GroupTarget& target =
        result.problem.targets[static_cast<std::size_t>(result.problem.sites[s].group)];
    for (std::size_t c = 0; c < target.flow_area_mm2.size(); ++c)
      site.flow_deviation_percent.push_back(100.0 * (FlowOf(line, c) / target.flow_area_mm2[c] - 1.0));
    if (const StockReading* angle = AngleOf(line)) site.angle_deviation_deg = angle->value - target.angle_deg;
    if (line.element.circuit_ratio)
      site.ratio_deviation_percent =
          100.0 *
          (line.element.circuit_ratio->value * target.flow_area_mm2[1] / target.flow_area_mm2[0] - 1.0);
    const auto& mark = result.plate.positions[s].mark_deg;
    if (line.element.lean && mark)
      site.lean_azimuth_deg = std::fmod(line.element.lean->direction_deg + *mark, 360.0);
  }
  return sites;
}

std::vector<PredictedFlow> Predict(const MatchResult& result, const MatchFound& found) {
  double lo = 0.0, hi = 1e9;
  for (const SiteResult& site : found.sites) {
    const auto& range = result.stock[site.stock].element.range_bar;
    if (!range) continue;
    lo = std::max(lo, range->first);
    hi = std::min(hi, range->second);
  }
  std::vector<double> pressures{result.pressure_drop_bar};
  for (int k = 0; k < kPressures && hi > lo; ++k) pressures.push_back(lo + (hi - lo) * k / (kPressures - 1));
  std::sort(pressures.begin(), pressures.end());
  const auto liquid = *calib::LiquidFromName(result.plate.liquid);
  std::vector<PredictedFlow> rows;
  for (const double bar : pressures) {
    if (!rows.empty() && bar - rows.back().pressure_drop_bar < 0.01 * bar) {
      if (bar != result.pressure_drop_bar) continue;
      rows.pop_back();
    }
    PredictedFlow row;
    row.pressure_drop_bar = bar;
    for (std::size_t c = 0; c < result.plate.Circuits(); ++c) {
      std::vector<StockReading> readings;
      for (const SiteResult& site : found.sites)
        if (auto reading = ReadingAt(result.stock[site.stock].element.runs[c], ReadQuantity::kFlowAreaMm2,
                                     fmt::format("{}", c), bar))
          readings.push_back(std::move(*reading));
      if (readings.size() != found.sites.size()) break;
      std::vector<const StockReading*> all;
      for (const StockReading& reading : readings) all.push_back(&reading);
      const calib::Quantity area = SumOf(all);
      const calib::LiquidProperty density =
          calib::DensityKgM3(liquid, result.plate.temperature_c, 1e5 * (1.01325 + bar));
      const double per_mm2 = 1e-6 * std::sqrt(2.0 * density.value * bar * 1e5);
      std::vector<calib::Contribution> budget = area.budget;
      for (calib::Contribution& part : budget) part.u *= per_mm2;
      budget.push_back({"density of " + result.plate.liquid,
                        0.5 * density.u_formula / density.value * area.value * per_mm2,
                        calib::Shared::kModel});
      row.flow_area_mm2.push_back(area);
      row.flow_kg_s.push_back(calib::Combine(area.value * per_mm2, std::move(budget)));
    }
    if (row.flow_kg_s.size() == result.plate.Circuits()) rows.push_back(std::move(row));
  }
  return rows;
}

void Find(const MatchQuestion& question, MatchResult& result) {
  MatchFound& found = result.found.emplace();
  const calib::MatchProblem& problem = result.problem;
  found.terms = calib::TermsOf(problem);
  NoteTerms(found.terms, result);
  found.answer = calib::FindMatch(problem, question.search);
  const std::vector<int>& placed = found.answer.best.placed;
  found.measures = calib::Measure(problem, calib::ValuesOf(problem), placed);
  found.expected = calib::Expect(problem, placed, question.ties);
  found.sites = SitesOf(result, found);
  if (const auto sorted = calib::SortedByFlow(problem)) {
    found.sorted = calib::Measure(problem, calib::ValuesOf(problem), *sorted);
    found.sorted_behind = calib::Differences(problem, placed, {*sorted}, question.ties).front();
  }
  found.ties = TiesOf(problem, question, found);
  found.spares = calib::RankSpares(problem, placed, result.plate.spares, question.ties);
  found.predicted = Predict(result, found);
  for (std::size_t s = 0; s < found.sites.size(); ++s)
    found.expected_nonconforming +=
        1.0 - result.stock[found.sites[s].stock].verdict[result.plate.positions[s].wall ? 1 : 0].probability;
}

}  // namespace

std::string NameOf(const DrawingLimit& limit, const MatchPlate& plate) {
  if (limit.circuit < 0) return limit.quantity;
  return limit.quantity + " of " + plate.circuits[static_cast<std::size_t>(limit.circuit)];
}

int MatchResult::Count(Conformity decision, bool wall) const {
  return static_cast<int>(std::count_if(stock.begin(), stock.end(), [&](const StockLine& line) {
    return line.verdict[wall ? 1 : 0].decision == decision;
  }));
}

calib::Quantity SumOf(const std::vector<const StockReading*>& readings) {
  double sum = 0.0, own2 = 0.0;
  std::map<std::string, double> shared;
  for (const StockReading* reading : readings) {
    sum += reading->value;
    own2 += reading->own_u * reading->own_u;
    for (const auto& [error, u] : reading->shared) shared[error] += u;
  }
  std::map<std::string, double> by_kind;  // errors of one kind are independent of each other
  for (const auto& [error, u] : shared) {
    const std::size_t from = error.find('|') + 1;
    double& kind = by_kind[error.substr(from, error.find('|', from) - from)];
    kind = std::hypot(kind, u);
  }
  std::vector<calib::Contribution> budget{{"runs of the elements", std::sqrt(own2), calib::Shared::kClip}};
  for (const auto& [kind, u] : by_kind) {
    const calib::Shared with = kind == "meter" ? calib::Shared::kMeter
                               : kind == "day" ? calib::Shared::kDay
                               : kind == "rig" ? calib::Shared::kRig
                                               : calib::Shared::kModel;
    budget.push_back({kind == "meter" ? "meter and pressure sensor" : kind, u, with});
  }
  return calib::Combine(sum, std::move(budget));
}

MatchResult MatchPlateFrom(const MatchPlate& plate, const MatchQuestion& question) {
  MatchResult result;
  result.plate = plate;
  result.plate.use_undecided = plate.use_undecided || question.use_undecided;
  result.archive = question.archive;
  const auto bar = question.pressure_drop_bar ? question.pressure_drop_bar : plate.pressure_drop_bar;
  if (!bar)
    throw calib::InputError(plate.path +
                            ": at which pressure drop? State [plate] pressure_drop_bar, or give --at-bar");
  result.pressure_drop_bar = *bar;
  Stock stock =
      FindStockReadings(question.archive, {question.filter, question.all, plate.id, *bar, plate.circuits});
  result.notes = std::move(stock.notes);
  for (const std::string& name : question.filter.elements) {
    const bool there = std::any_of(stock.elements.begin(), stock.elements.end(),
                                   [&](const StockElement& element) { return element.element == name; });
    if (!there)
      result.notes.push_back("element " + name + " is not in the stock with a run on record, and left out");
  }
  const bool wall_row = plate.HasWallRow();
  for (StockElement& element : stock.elements) {
    StockLine& line = result.stock.emplace_back();
    line.element = std::move(element);
    for (const bool wall : {false, true}) {
      StockVerdict& verdict = line.verdict[wall ? 1 : 0];
      verdict = VerdictOn(line.element, result.plate, wall && wall_row, *bar);
      line.admitted[wall ? 1 : 0] =
          verdict.readable && (!wall || wall_row) &&
          (verdict.decision == Conformity::kAccept ||
           (verdict.decision == Conformity::kUndecided && result.plate.use_undecided));
    }
  }
  result.problem = ProblemFrom(result.plate, result.stock);
  const auto& limits = plate.limits[0];
  if (std::none_of(limits.begin(), limits.end(), [](const DrawingLimit& limit) { return limit.HasLimits(); }))
    result.notes.push_back(
        fmt::format("the plate file states no limits{}: every element with a flow area is accepted",
                    wall_row ? " for the core" : ""));
  const bool all_wall = wall_row && std::all_of(plate.positions.begin(), plate.positions.end(),
                                                [](const MatchPosition& p) { return p.wall; });
  if (all_wall) result.notes.emplace_back("every position is of the wall row: [wall_limits] alone count");
  if (result.stock.empty()) result.infeasible.emplace_back("no element with a run on record is in stock");
  if (const auto shortage = calib::ShortageOf(result.problem)) {
    ExplainShortage(*shortage, result);
    return result;
  }
  Find(question, result);
  return result;
}

}  // namespace conebook::src

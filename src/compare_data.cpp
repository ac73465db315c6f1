#include "src/compare_data.h"

#include <algorithm>
#include <cmath>
#include <set>

#include <fmt/format.h>

#include <calib/error.h>

#include "src/check_element.h"
#include "src/iso_date.h"
#include "src/nearest_name.h"

namespace conebook::src {
namespace {

using calib::InputError;

constexpr double kAtTolerance = 0.02;  // a point this near to the pressure drop is at it

std::string Trimmed(const std::string& text) {
  const std::size_t from = text.find_first_not_of(" \t"), to = text.find_last_not_of(" \t");
  return from == std::string::npos ? "" : text.substr(from, to - from + 1);
}

std::string Joined(const std::vector<std::string>& names, std::size_t most = 6) {
  std::string text;
  for (std::size_t i = 0; i < std::min(names.size(), most); ++i) text += (i ? ", " : "") + names[i];
  if (names.size() > most) text += fmt::format(" and {} more", names.size() - most);
  return text;
}

std::string MaybeMeant(const std::string& name, const std::vector<std::string>& known) {
  const auto nearest = NearestName(name, known);
  return nearest ? "; did you mean " + *nearest + "?" : "";
}

void MustBeKnown(const std::vector<std::string>& names, const std::vector<std::string>& known,
                 const char* what, const std::string& archive) {
  for (const std::string& name : names) {
    if (std::find(known.begin(), known.end(), name) != known.end()) continue;
    throw InputError(fmt::format("no run of {} {} in {}{} (see conebook list)", what, name, archive,
                                 MaybeMeant(name, known)));
  }
}

void Take(const std::string& word, const std::string& value, const std::string& place, RunFilter& filter) {
  const std::vector<std::string> words{"batch", "element", "from", "to", "verdict", "origin", "flag"};
  if (value.empty()) throw InputError(fmt::format("{}: {} has no value", place, word));
  if (word == "batch")
    filter.batches.push_back(value);
  else if (word == "element")
    filter.elements.push_back(value);
  else if (word == "flag")
    filter.flags.push_back(value);
  else if (word == "from" || word == "to")
    (word == "from" ? filter.from : filter.to) = StatedDay(value, place + ": " + word);
  else if (word == "verdict")
    filter.verdict = value;
  else if (word == "origin")
    filter.origin = value;
  else
    throw InputError(fmt::format("{}: \"{}\" is not known; expected {}{}", place, word, Joined(words, 9),
                                 MaybeMeant(word, words)));
}

// Pressure drops at which a run can be read, by branch.
std::vector<std::pair<double, double>> Reach(const RunReadings& run) {
  std::vector<std::pair<double, double>> reach;
  for (const bool falling : {false, true}) {
    std::optional<std::pair<double, double>> range;
    for (const PointReadings& point : run.points) {
      const auto& pressure = point[ReadQuantity::kPressureBar];
      if (!pressure || !(pressure->value > 0.0) || (point.direction == Direction::kFalling) != falling)
        continue;
      if (!range) range = {pressure->value, pressure->value};
      range->first = std::min(range->first, pressure->value);
      range->second = std::max(range->second, pressure->value);
    }
    if (range) reach.emplace_back(range->first * (1.0 - kAtTolerance), range->second * (1.0 + kAtTolerance));
  }
  return reach;
}

// How many elements of each group, and runs, are read in a stretch of pressure.
struct Stretch {
  double from = 0.0, to = 0.0;
  int fewer = 0, runs = 0;
};

// The stretch in which the group with fewer elements has the most of them; of equals the one with more runs,
// then the widest.
std::optional<Stretch> BestStretch(const CompareData& data) {
  struct Event {
    double bar;
    bool opens;
    std::size_t run;
  };
  std::vector<Event> events;
  for (std::size_t i = 0; i < data.runs.size(); ++i) {
    if (data.runs[i].group == calib::kCheckGroup) continue;
    for (const auto& [lo, hi] : Reach(data.runs[i].run)) {
      events.push_back({lo, true, i});
      events.push_back({hi, false, i});
    }
  }
  std::sort(events.begin(), events.end(), [](const Event& a, const Event& b) {
    return std::tuple(a.bar, !a.opens, a.run) < std::tuple(b.bar, !b.opens, b.run);
  });
  std::map<int, int> open;  // readings about, by element
  int elements[2] = {0, 0}, runs = 0;
  std::optional<Stretch> best;
  for (std::size_t e = 0; e + 1 < events.size(); ++e) {
    const CompareRun& run = data.runs[events[e].run];
    int& about = open[data.ElementOf(run)];
    const bool had = about > 0;
    about += events[e].opens ? 1 : -1;
    runs += events[e].opens ? 1 : -1;
    if (had != (about > 0)) elements[run.group] += events[e].opens ? 1 : -1;
    const Stretch here{events[e].bar, events[e + 1].bar, std::min(elements[0], elements[1]), runs};
    if (here.fewer < 1 || !(here.to > here.from)) continue;
    const auto worth = [](const Stretch& s) { return std::tuple(s.fewer, s.runs, std::log(s.to / s.from)); };
    if (!best || worth(here) > worth(*best)) best = here;
  }
  return best;
}

// Inside of the stretch: where most runs have a point of their own, else its middle.
double PressureIn(const Stretch& stretch, const CompareData& data) {
  std::vector<double> points;
  for (const CompareRun& run : data.runs) {
    for (const PointReadings& point : run.run.points) {
      const auto& pressure = point[ReadQuantity::kPressureBar];
      if (pressure && pressure->value >= stretch.from && pressure->value <= stretch.to)
        points.push_back(pressure->value);
    }
  }
  std::sort(points.begin(), points.end());
  const double middle = std::sqrt(stretch.from * stretch.to);
  double found = middle;
  std::size_t most = 0;
  for (std::size_t i = 0, j = 0; i < points.size(); ++i) {
    while (j < points.size() && points[j] <= points[i] * (1.0 + kAtTolerance)) ++j;
    const double here = points[i + (j - i) / 2];
    const auto aside = [&](double bar) { return std::abs(std::log(bar / middle)); };
    if (j - i < most || (j - i == most && aside(here) >= aside(found))) continue;
    most = j - i;
    found = here;
  }
  // A round figure, if it is in there.
  const double step = std::pow(10.0, std::floor(std::log10(found)) - 1.0);
  const double round = std::round(found / step) * step;
  return round >= stretch.from && round <= stretch.to && std::abs(round / found - 1.0) < kAtTolerance ? round
                                                                                                      : found;
}

bool ReadsAt(const RunReadings& run, double bar) {
  const auto reach = Reach(run);
  return std::any_of(reach.begin(), reach.end(),
                     [&](const auto& range) { return bar >= range.first && bar <= range.second; });
}

void AddRuns(const std::string& archive, const CompareOptions& options, CompareData& data) {
  std::set<std::string> checks;
  for (const std::string& check : FindCheckElements(archive)) checks.insert(check);
  std::map<std::string, int> taken;
  std::string first, last;
  for (const int group : {0, 1}) {
    const CompareGroup& asked = options.groups[static_cast<std::size_t>(group)];
    int runs = 0;
    for (RunReadings& run : FindReadings(archive, asked.filter)) {
      if (run.points.empty()) continue;
      const auto& named = asked.filter.elements;
      if (checks.contains(run.element) && std::find(named.begin(), named.end(), run.element) == named.end())
        continue;
      ++runs;
      if (const auto [known, fresh] = taken.emplace(run.key, group); !fresh)
        throw InputError(
            fmt::format("groups {} and {}: run {} of element {} is in both; give filters that part them",
                        options.groups[0].name, options.groups[1].name, run.key.substr(0, 12), run.element));
      if (!run.date.empty()) {
        if (first.empty() || run.date < first) first = run.date;
        last = std::max(last, run.date);
      }
      data.runs.push_back({group, std::move(run)});
    }
    if (runs == 0)
      throw InputError(
          fmt::format("group {}: no run in {} fits, or none with a pressure point (see conebook list)",
                      asked.name, archive));
  }
  if (checks.empty() || first.empty()) return;
  std::set<std::string> days;
  for (const CompareRun& run : data.runs) days.insert(run.run.date);
  RunFilter filter;
  filter.elements.assign(checks.begin(), checks.end());
  filter.from = first;
  filter.to = last;
  for (RunReadings& run : FindReadings(archive, filter)) {
    if (!days.contains(run.date) || run.points.empty() || taken.contains(run.key)) continue;
    data.runs.push_back({calib::kCheckGroup, std::move(run)});
  }
}

void AddNames(CompareData& data, Comparison& comparison) {
  std::array<std::set<std::string>, 2> elements, batches, days;
  std::set<std::string> checks;
  for (const CompareRun& run : data.runs) {
    data.days.emplace(run.run.date, 0);
    data.elements.emplace(std::pair(run.group, run.run.element), 0);
    if (run.group == calib::kCheckGroup) {
      checks.insert(run.run.element);
      continue;
    }
    const auto group = static_cast<std::size_t>(run.group);
    elements[group].insert(run.run.element);
    if (!run.run.batch.empty()) batches[group].insert(run.run.batch);
    if (!run.run.date.empty()) days[group].insert(run.run.date);
    ++comparison.groups[group].runs;
  }
  int next = 0;
  for (auto& [day, number] : data.days) number = next++;
  for (auto& [element, number] : data.elements) {
    number = static_cast<int>(data.element_names.size());
    data.element_names.push_back(element);
  }
  for (const std::size_t group : {0U, 1U}) {
    ComparedGroup& to = comparison.groups[group];
    to.elements.assign(elements[group].begin(), elements[group].end());
    to.batches.assign(batches[group].begin(), batches[group].end());
    to.days.assign(days[group].begin(), days[group].end());
  }
  comparison.check_elements.assign(checks.begin(), checks.end());
}

void AddCautions(const CompareData& data, Comparison& comparison) {
  int undated = 0, imported = 0;
  std::array<std::set<std::string>, 2> lights, liquids, kinds;
  for (const CompareRun& run : data.runs) {
    undated += run.run.date.empty() ? 1 : 0;
    imported += run.run.origin == "imported" ? 1 : 0;
    if (run.group == calib::kCheckGroup) continue;
    const auto group = static_cast<std::size_t>(run.group);
    if (!run.run.illumination.empty()) lights[group].insert(run.run.illumination);
    if (!run.run.liquid.empty()) liquids[group].insert(run.run.liquid);
    if (!run.run.kind.empty()) kinds[group].insert(run.run.kind);
  }
  const auto add = [&](std::string text) { comparison.cautions.push_back(std::move(text)); };
  if (undated > 0)
    add(fmt::format("{} run{} no date: they count as one day", undated, undated == 1 ? " has" : "s have"));
  if (imported > 0)
    add(fmt::format("{} run{} imported, not measured by this program: what they share is not known", imported,
                    imported == 1 ? " is" : "s are"));
  const auto differ = [&](const auto& sets, const char* what) {
    if (sets[0] != sets[1] && !sets[0].empty() && !sets[1].empty())
      add(fmt::format(
          "the groups were read with different {}s ({} against {}): part of a difference may be theirs", what,
          Joined({sets[0].begin(), sets[0].end()}), Joined({sets[1].begin(), sets[1].end()})));
  };
  differ(lights, "light");
  differ(liquids, "liquid");
  differ(kinds, "kind");
  std::vector<std::string> both;
  std::set_intersection(comparison.groups[0].elements.begin(), comparison.groups[0].elements.end(),
                        comparison.groups[1].elements.begin(), comparison.groups[1].elements.end(),
                        std::back_inserter(both));
  if (!both.empty())
    add(fmt::format(
        "{} in both groups: each counts there as an element of its own, so that the intervals are wider "
        "than those of a comparison in pairs",
        both.size() == 1 ? "element " + both.front() + " is" : "elements " + Joined(both) + " are"));
}

}  // namespace

CompareGroup ReadCompareGroup(const std::string& archive, const std::string& text) {
  const std::vector<std::string> batches = FindBatches(archive), elements = FindElements(archive);
  CompareGroup group;
  const std::string place = fmt::format("group \"{}\"", text);
  if (text.find('=') == std::string::npos) {
    group.name = text;
    const bool is_batch = std::find(batches.begin(), batches.end(), text) != batches.end();
    const bool is_element = std::find(elements.begin(), elements.end(), text) != elements.end();
    if (!is_batch && !is_element) {
      if (batches.empty())
        throw InputError(
            fmt::format("{}: no run in {} has a batch; say which elements: \"new: element=A1, "
                        "element=A2\"",
                        place, archive));
      throw InputError(
          fmt::format("{}: no batch or element of that name in {}{} Batches on record: {}", place, archive,
                      MaybeMeant(text, batches).empty() ? "." : MaybeMeant(text, batches), Joined(batches)));
    }
    (is_batch ? group.filter.batches : group.filter.elements) = {text};
    return group;
  }
  std::string rest = text;
  if (const std::size_t colon = text.find(':'); colon != std::string::npos && colon < text.find('=')) {
    group.name = Trimmed(text.substr(0, colon));
    rest = text.substr(colon + 1);
  }
  for (std::size_t from = 0; from <= rest.size();) {
    const std::size_t to = std::min(rest.find(',', from), rest.size());
    const std::string part = Trimmed(rest.substr(from, to - from));
    from = to + 1;
    const std::size_t equals = part.find('=');
    if (equals == std::string::npos)
      throw InputError(fmt::format("{}: \"{}\": expected WORD=VALUE, as in batch=R1", place, part));
    Take(Trimmed(part.substr(0, equals)), Trimmed(part.substr(equals + 1)), place, group.filter);
  }
  if (group.name.empty()) group.name = Trimmed(rest);
  MustBeKnown(group.filter.batches, batches, "batch", archive);
  MustBeKnown(group.filter.elements, elements, "element", archive);
  return group;
}

CompareData GatherCompareData(const std::string& archive, const CompareOptions& options,
                              Comparison& comparison) {
  CompareData data;
  for (const std::size_t group : {0U, 1U}) comparison.groups[group].name = options.groups[group].name;
  AddRuns(archive, options, data);
  AddNames(data, comparison);
  if (comparison.groups[0].elements.size() + comparison.groups[1].elements.size() < 3)
    throw InputError(
        fmt::format("compare: {} and {} have one element each: how much elements differ from each other is "
                    "not known; give groups of "
                    "two or more (one element over time: conebook report --element)",
                    options.groups[0].name, options.groups[1].name));
  data.facts = FindElementFacts(archive);
  const auto stretch = BestStretch(data);
  if (options.at_bar) {
    data.at_bar = *options.at_bar;
  } else if (stretch) {
    data.at_bar = PressureIn(*stretch, data);
    comparison.at_bar_found = true;
  }
  std::array<int, 2> readable{};
  for (const CompareRun& run : data.runs) {
    if (run.group == calib::kCheckGroup) continue;
    const auto group = static_cast<std::size_t>(run.group);
    if (data.at_bar > 0.0 && ReadsAt(run.run, data.at_bar))
      ++readable[group];
    else
      ++comparison.groups[group].runs_without_pressure;
  }
  if (readable[0] == 0 || readable[1] == 0) {
    const auto range_of = [&](int group) {
      std::optional<std::pair<double, double>> range;
      for (const CompareRun& run : data.runs) {
        if (run.group != group) continue;
        for (const auto& [lo, hi] : Reach(run.run)) {
          if (!range) range = {lo, hi};
          range = {std::min(range->first, lo), std::max(range->second, hi)};
        }
      }
      const std::string& name = options.groups[static_cast<std::size_t>(group)].name;
      return range ? fmt::format("{} was read from {:.2f} to {:.2f} bar", name,
                                 range->first / (1.0 - kAtTolerance), range->second / (1.0 + kAtTolerance))
                   : name + " has no point with a pressure drop";
    };
    throw InputError(fmt::format(
        "{}: {}, {}; nothing is continued beyond a run's own points",
        options.at_bar ? fmt::format("--at-bar {:g}: not inside of both groups' points", *options.at_bar)
                       : "no pressure drop at which both groups were read",
        range_of(0), range_of(1)));
  }
  comparison.at_bar = data.at_bar;
  AddCautions(data, comparison);
  return data;
}

std::vector<CompareReading> CompareReadings(const CompareData& data, ReadQuantity quantity) {
  std::map<std::string, int> shared;
  const auto number = [&](const std::string& who) {
    return shared.emplace(who, static_cast<int>(shared.size())).first->second;
  };
  std::vector<CompareReading> readings;
  for (std::size_t i = 0; i < data.runs.size(); ++i) {
    const CompareRun& run = data.runs[i];
    for (const Direction branch : {Direction::kRising, Direction::kFalling}) {
      const auto value = ReadAt(run.run, quantity, data.at_bar, branch, kAtTolerance);
      if (!value) continue;
      CompareReading& to = readings.emplace_back();
      to.run = i;
      to.falling = branch == Direction::kFalling;
      // Of the point next to the pressure drop.
      double nearest = 0.0;
      std::string area;
      for (const PointReadings& point : run.run.points) {
        const auto& pressure = point[ReadQuantity::kPressureBar];
        if (!pressure || !(pressure->value > 0.0) || (point.direction == Direction::kFalling) != to.falling)
          continue;
        const double away = std::abs(std::log(pressure->value / data.at_bar));
        if (nearest > 0.0 && away >= nearest) continue;
        nearest = std::max(away, 1e-12);
        to.temperature_c = point.temperature_c;
        if (point.cd_area_mm2) area = fmt::format(" {:.6g}", *point.cd_area_mm2);
      }
      calib::GroupReading& reading = to.reading;
      reading.group = run.group;
      reading.element = data.ElementOf(run);
      reading.day = data.days.at(run.run.date);
      reading.mount = run.run.mount;
      reading.value = value->value;
      reading.u_own = value->shares.Own();
      // A reference area stated in error errs alike wherever it is the same one.
      const std::string rig = "rig " + run.run.rig_shared + (quantity == ReadQuantity::kCd ? area : "");
      for (const auto& [who, u] : {std::pair(rig, value->shares.rig),
                                   std::pair("meter " + run.run.meter_shared, value->shares.meter),
                                   std::pair(std::string("model"), value->shares.model)}) {
        if (u > 0.0) reading.shared.emplace_back(number(who), u);
      }
      if (value->shares.day > 0.0) reading.day_error.emplace_back(reading.day, value->shares.day);
    }
  }
  return readings;
}

}  // namespace conebook::src

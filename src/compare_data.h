// What a comparison rests on: the runs of both groups, the check elements of their days, and the pressure
// drop they are compared at. For the sources of src/compare*.cpp alone.
#pragma once

#include <map>
#include <string>
#include <vector>

#include "src/compare.h"

namespace conebook::src {

struct CompareRun {
  int group = 0;  // 0, 1 or calib::kCheckGroup
  RunReadings run;
};

struct CompareData {
  std::vector<CompareRun> runs;
  std::map<std::string, ElementFacts> facts;
  std::map<std::string, int> days;                      // by date, numbered
  std::map<std::pair<int, std::string>, int> elements;  // by group and name, numbered
  std::vector<std::pair<int, std::string>> element_names;
  double at_bar = 0.0;

  int ElementOf(const CompareRun& run) const { return elements.at({run.group, run.run.element}); }
  const ElementFacts* FactsOf(const std::string& element) const {
    const auto found = facts.find(element);
    return found == facts.end() ? nullptr : &found->second;
  }
};

// Throws calib::InputError. Fills in groups, check elements, cautions and the pressure drop.
CompareData GatherCompareData(const std::string& archive, const CompareOptions& options,
                              Comparison& comparison);

// A reading of a quantity at the pressure drop, and of which run.
struct CompareReading {
  calib::GroupReading reading;
  std::size_t run = 0;
  bool falling = false;
  std::optional<double> temperature_c;
};
std::vector<CompareReading> CompareReadings(const CompareData& data, ReadQuantity quantity);

FlowSplit SplitFlow(const CompareData& data);
std::vector<SwappedLabel> SwappedLabels(const CompareData& data);

}  // namespace conebook::src

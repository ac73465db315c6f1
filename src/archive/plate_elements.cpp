#include "src/archive/plate_elements.h"

#include <algorithm>
#include <filesystem>

#include "src/archive/archive.h"
#include "src/archive/query.h"
#include "src/archive/run_record.h"
#include "src/rig.h"
#include "src/sha256.h"

namespace conebook::src {
namespace {

PlateElement OnRecord(const std::string& archive, const std::string& name) {
  PlateElement element;
  element.element = name;
  RunFilter filter;
  filter.elements = {name};
  filter.origin = "measured";
  std::vector<RunRow> runs = FindRuns(archive, filter);
  std::erase_if(runs,
                [](const RunRow& row) { return !row.counts || !row.flow_area_mm2 || row.kind == "plate"; });
  if (runs.empty()) return element;
  const auto latest = std::max_element(runs.begin(), runs.end(), [](const RunRow& a, const RunRow& b) {
    return a.date != b.date ? a.date < b.date : a.key < b.key;
  });
  const EvidenceReader evidence = EvidenceOf(archive);
  const std::string json = ReadRecord(archive, latest->key, false).json;
  const Run run = RunFromRecord(json, [](const std::string&) { return std::nullopt; });
  element.record = latest->key;
  element.date = latest->date;
  element.flow_area_mm2 = run.flow_law->flow_area_mm2;
  for (const CalibrationKey& key : {kMeterKey, kPressureKey, kLineLossKey}) {
    if (const auto text = EvidenceText(json, key.kept_as, evidence))
      element.sensors.push_back(TextSha256(*text));
  }
  std::sort(element.sensors.begin(), element.sensors.end());
  return element;
}

}  // namespace

std::vector<PlateElement> PlateElementsOnRecord(const std::string& archive,
                                                const std::vector<std::string>& names) {
  std::vector<PlateElement> elements;
  std::error_code error;
  const bool there = std::filesystem::exists(archive, error);
  for (const std::string& name : names) {
    if (there) {
      elements.push_back(OnRecord(archive, name));
    } else {
      elements.emplace_back().element = name;
    }
  }
  return elements;
}

std::optional<std::vector<PlateElement>> PlateElementsFor(const Rig& rig,
                                                          const std::optional<std::string>& archive) {
  if (!archive || rig.kind != "plate") return std::nullopt;
  return PlateElementsOnRecord(*archive, rig.plate_elements);
}

}  // namespace conebook::src

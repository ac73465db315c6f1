// An archive of many records for timing: a real record, again and again under other names, days and numbers.
//   conebook_fill RECORD.json COUNT BOOK.db
#include <cstdlib>
#include <fstream>
#include <iostream>
#include <random>
#include <sstream>

#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include "src/archive/archive.h"

int main(int argc, char** argv) {
  using namespace conebook::src;
  if (argc != 4) {
    std::cerr << "usage: conebook_fill RECORD.json COUNT BOOK.db\n";
    return 2;
  }
  std::ostringstream text;
  text << std::ifstream(argv[1]).rdbuf();
  nlohmann::json json = nlohmann::json::parse(text.str());
  const nlohmann::json points = json["points"];
  const int count = std::atoi(argv[2]);
  std::mt19937 random(1);
  constexpr int kAtOnce = 2000, kRunsEach = 8, kBatch = 400;
  for (int from = 0; from < count; from += kAtOnce) {
    std::vector<Record> records;
    for (int i = from; i < std::min(count, from + kAtOnce); ++i) {
      json["element"] = fmt::format("E{:05}", i / kRunsEach);
      json["settings"]["rig"]["element"]["id"] = json["element"];
      json["batch"] = fmt::format("batch {}", i / kBatch);
      // 25 runs of each of two batches a day, so that batches can be compared.
      const int day = i % kBatch / 25 + i / (2 * kBatch) * (kBatch / 25);
      json["date"] = fmt::format("20{:02}-{:02}-{:02}", 30 + day / 336 % 60, 1 + day / 28 % 12, 1 + day % 28);
      json["footage"]["sha256"] = fmt::format("{:064x}", i);
      const double factor = 1.0 + 0.02 * (static_cast<double>(random()) / 4294967296.0 - 0.5);
      json["points"] = points;
      for (auto& point : json["points"]) {
        for (const char* name : {"/flow_kg_s", "/flow_area_mm2", "/cd", "/breakup_mm", "/half_angle_deg/mean",
                                 "/sheet_half_angle_deg", "/cone_half_angle_deg"}) {
          const auto value = nlohmann::json::json_pointer(name) / "value";
          if (point.contains(value)) point[value] = factor * point[value].get<double>();
        }
      }
      records.push_back(MakeRecord(json.dump(), {}));
    }
    StoreRecords(argv[3], records);
  }
}

// What is on record, in files that need no program: CSV with the unit in each column's name, a dictionary
// that says what each column means, JSON, and a folder that a stranger can read in ten years.
#pragma once

#include <functional>
#include <set>
#include <string>
#include <vector>

#include "src/archive/query.h"

namespace conebook::src {

// One row a pressure point: record, element, point, and each quantity with u and 95 % interval. A run without
// points has one row without numbers, so that refused footage is not lost on the way.
std::string PointsCsv(const std::string& archive, const std::vector<RunRow>& runs);

// One row a run, as `conebook list` shows it, with units.
// One row a point and circuit; empty where no run has circuits.
std::string CircuitsCsv(const std::string& archive, const std::vector<RunRow>& runs);

std::string RunsCsv(const std::vector<RunRow>& runs);
std::string RunsJson(const std::vector<RunRow>& runs);

// Column, unit and meaning of every column of the tables above and below.
std::string DictionaryCsv();

// {"schema": "conebook.export/1", "records": [{"key", "counts", "superseded_by", "record"}]}
std::string RecordsJson(const std::string& archive, const std::vector<RunRow>& runs);

std::string FactsCsv(const std::vector<FactRow>& facts);
std::string StockCsv(const std::vector<StockRow>& stock);

// README.txt, the tables, each record, its log, rig file and per-frame readings, its pictures with what was
// measured drawn in, a page an element, and SHA256SUMS. The folder must not be there yet, or be empty; it
// appears whole or not at all. elements: those whose facts, stock and page go in. Throws calib::InputError.
void WriteBundle(const std::string& archive, const std::vector<RunRow>& runs,
                 const std::set<std::string>& elements, const std::string& folder,
                 const std::function<void(double)>& on_progress, const std::function<bool()>& should_stop);

}  // namespace conebook::src

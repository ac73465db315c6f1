// Questions to the archive's index: which runs, which points, what is known about an element, where it is.
// Answers come from the index alone, so that they are quick with a hundred thousand records.
#pragma once

#include <optional>
#include <string>
#include <vector>

namespace conebook::src {

struct RunFilter {
  std::vector<std::string> elements, batches, flags;  // any of them; empty: all
  std::optional<std::string> from, to;                // days, ISO 8601, both included
  std::optional<std::string> verdict;                 // "ok", "flagged", "rejected", "imported"
  std::optional<std::string> origin;                  // "measured", "imported"
  bool superseded = false;                            // also those that no longer count
};

enum class RunOrder { kDate, kElement, kBatch, kVerdict, kFlowArea, kHalfAngle, kBreakup };

struct RunRow {
  std::string key, origin, element, batch, kind, date, verdict, build, footage, log;
  std::string flags;  // codes of warnings and refusals, blanks between
  int points = 0;
  std::optional<double> pressure_lo_bar, pressure_hi_bar, flow_area_mm2, u_flow_area_mm2, cd, u_cd,
      half_angle_lo_deg, half_angle_hi_deg, breakup_lo_mm, breakup_hi_mm;
  bool counts = true;  // false: superseded, withdrawn, or the same inputs measured by a later program
  std::string superseded_by, reason;
};

// Sorted; ties by element, date and key. Runs without a date come last. Throws ArchiveError.
std::vector<RunRow> FindRuns(const std::string& path, const RunFilter& filter,
                             RunOrder order = RunOrder::kDate, bool descending = false);

bool HasRuns(const std::string& path);

// What has been said about an element, by records that are not superseded: one row a statement.
struct FactRow {
  std::string element, name, value, key;
  std::string source, date;  // table it came from, day of import or statement; may be empty
  bool disputed = false;     // another statement, not superseded either, says something else
};
std::vector<FactRow> FindFacts(const std::string& path, const std::optional<std::string>& element);

struct StockRow {
  std::string element, date, state, plate, position, note, key;
  int sequence = 0;
  std::optional<int> firings;
};
// Oldest first; the last of an element is where it stands.
std::vector<StockRow> FindStock(const std::string& path, const std::optional<std::string>& element);

// Two events with the same place in an element's history: two people moved it without knowing of each other.
std::vector<std::string> StockConflicts(const std::vector<StockRow>& rows);

// Elements by name, of runs, facts and stock together.
std::vector<std::string> FindElements(const std::string& path);

}  // namespace conebook::src

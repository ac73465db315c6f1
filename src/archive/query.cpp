#include "src/archive/query.h"

#include <algorithm>
#include <array>
#include <map>
#include <set>
#include <tuple>
#include <unordered_map>
#include <unordered_set>

#include <SQLiteCpp/SQLiteCpp.h>
#include <fmt/format.h>

#include "src/archive/database.h"

namespace conebook::src {
namespace {

std::optional<double> NumberIn(const SQLite::Column& column) {
  return column.isNull() ? std::nullopt : std::optional(column.getDouble());
}

// "a IN (?, ?)" and the values to bind.
struct Condition {
  std::string sql;
  std::vector<std::string> values;

  void Add(const std::string& text, const std::vector<std::string>& bound) {
    sql += (sql.empty() ? " WHERE " : " AND ") + text;
    values.insert(values.end(), bound.begin(), bound.end());
  }
  void AddAnyOf(const std::string& column, const std::vector<std::string>& any) {
    if (any.empty()) return;
    std::string marks;
    for (std::size_t i = 0; i < any.size(); ++i) marks += i == 0 ? "?" : ", ?";
    Add(column + " IN (" + marks + ")", any);
  }
};

Condition ConditionOf(const RunFilter& filter) {
  Condition condition;
  condition.AddAnyOf("element", filter.elements);
  condition.AddAnyOf("batch", filter.batches);
  if (filter.from) condition.Add("date >= ?", {*filter.from});
  // No date is the empty text, which is before every day.
  if (filter.to) condition.Add("date <= ? AND date <> ''", {*filter.to});
  if (filter.verdict) condition.Add("verdict = ?", {*filter.verdict});
  if (filter.origin) condition.Add("origin = ?", {*filter.origin});
  if (!filter.flags.empty()) {
    Condition codes;
    codes.AddAnyOf("code", filter.flags);
    condition.Add("sha256 IN (SELECT sha256 FROM flag" + codes.sql + ")", filter.flags);
  }
  return condition;
}

constexpr const char* kRunColumns =
    "sha256, origin, element, batch, kind, date, verdict, build, footage, log, flags, points, "
    "pressure_lo_bar,"
    " pressure_hi_bar, flow_area_mm2, u_flow_area_mm2, cd, u_cd, half_angle_lo_deg, half_angle_hi_deg,"
    " breakup_lo_mm, breakup_hi_mm";

RunRow RowOf(SQLite::Statement& statement) {
  RunRow row;
  int at = 0;
  for (std::string* text : {&row.key, &row.origin, &row.element, &row.batch, &row.kind, &row.date,
                            &row.verdict, &row.build, &row.footage, &row.log, &row.flags}) {
    *text = statement.getColumn(at++).getString();
  }
  row.points = statement.getColumn(at++).getInt();
  for (std::optional<double>* number :
       {&row.pressure_lo_bar, &row.pressure_hi_bar, &row.flow_area_mm2, &row.u_flow_area_mm2, &row.cd,
        &row.u_cd, &row.half_angle_lo_deg, &row.half_angle_hi_deg, &row.breakup_lo_mm, &row.breakup_hi_mm}) {
    *number = NumberIn(statement.getColumn(at++));
  }
  return row;
}

struct Later {
  std::string key, reason;
};

std::unordered_map<std::string, Later> Superseded(SQLite::Database& database) {
  std::unordered_map<std::string, Later> later;
  SQLite::Statement statement(database,
                              "SELECT target, sha256, reason FROM supersedes ORDER BY target, sha256");
  while (statement.executeStep()) {
    later[statement.getColumn(0).getString()] = {statement.getColumn(1).getString(),
                                                 statement.getColumn(2).getString()};
  }
  return later;
}

// Merged archives may hold the same inputs measured by two builds, neither knowing of the other: the later
// version counts, else the greater key, so that every copy of the archive decides alike.
std::unordered_map<std::string, Later> MeasuredTwice(
    SQLite::Database& database, const std::unordered_map<std::string, Later>& superseded) {
  std::map<std::string, std::vector<std::pair<std::string, std::string>>> twins;
  SQLite::Statement statement(
      database, "SELECT inputs, version, sha256 FROM run WHERE inputs IN (SELECT inputs FROM twice)");
  while (statement.executeStep()) {
    const std::string key = statement.getColumn(2).getString();
    if (!superseded.contains(key))
      twins[statement.getColumn(0).getString()].emplace_back(statement.getColumn(1).getString(), key);
  }
  std::unordered_map<std::string, Later> later;
  for (auto& [inputs, keys] : twins) {
    std::sort(keys.begin(), keys.end());
    for (std::size_t i = 0; i + 1 < keys.size(); ++i)
      later[keys[i].second] = {keys.back().second, "the same clip and settings, measured on two machines"};
  }
  return later;
}

template <typename Less>
void Sort(std::vector<RunRow>& rows, bool descending, Less less) {
  const auto rest = [](const RunRow& row) { return std::tie(row.element, row.date, row.key); };
  std::sort(rows.begin(), rows.end(), [&](const RunRow& a, const RunRow& b) {
    const bool before = descending ? less(b, a) : less(a, b);
    const bool after = descending ? less(a, b) : less(b, a);
    if (before != after) return before;
    return rest(a) < rest(b);
  });
}

void SortRuns(std::vector<RunRow>& rows, RunOrder order, bool descending) {
  const auto by_number = [&](auto member) {
    // What has no number comes last, whichever way.
    Sort(rows, false, [&](const RunRow& a, const RunRow& b) {
      const auto &x = a.*member, &y = b.*member;
      if (!x || !y) return x.has_value() && !y.has_value();
      return descending ? *x > *y : *x < *y;
    });
  };
  const auto by_text = [&](auto member) {
    Sort(rows, false, [&](const RunRow& a, const RunRow& b) {
      const std::string &x = a.*member, &y = b.*member;
      if (x.empty() || y.empty()) return !x.empty() && y.empty();
      return descending ? x > y : x < y;
    });
  };
  switch (order) {
    case RunOrder::kDate:
      return by_text(&RunRow::date);
    case RunOrder::kElement:
      return by_text(&RunRow::element);
    case RunOrder::kBatch:
      return by_text(&RunRow::batch);
    case RunOrder::kVerdict:
      return by_text(&RunRow::verdict);
    case RunOrder::kFlowArea:
      return by_number(&RunRow::flow_area_mm2);
    case RunOrder::kHalfAngle:
      return by_number(&RunRow::half_angle_hi_deg);
    case RunOrder::kBreakup:
      return by_number(&RunRow::breakup_hi_mm);
  }
}

}  // namespace

std::vector<RunRow> FindRuns(const std::string& path, const RunFilter& filter, RunOrder order,
                             bool descending) {
  const auto database = OpenDatabase(path, Access::kRead);
  std::vector<RunRow> rows;
  Reading(path, [&] {
    const auto superseded = Superseded(*database);
    const auto twice = MeasuredTwice(*database, superseded);
    const Condition condition = ConditionOf(filter);
    SQLite::Statement statement(*database, fmt::format("SELECT {} FROM run{}", kRunColumns, condition.sql));
    for (std::size_t i = 0; i < condition.values.size(); ++i)
      statement.bind(static_cast<int>(i) + 1, condition.values[i]);
    while (statement.executeStep()) {
      RunRow row = RowOf(statement);
      for (const auto* later : {&superseded, &twice}) {
        const auto found = later->find(row.key);
        if (found == later->end()) continue;
        row.counts = false;
        row.superseded_by = found->second.key;
        row.reason = found->second.reason;
        break;
      }
      if (row.counts || filter.superseded) rows.push_back(std::move(row));
    }
  });
  SortRuns(rows, order, descending);
  return rows;
}

bool HasRuns(const std::string& path) {
  const auto database = OpenDatabase(path, Access::kRead);
  bool any = false;
  Reading(path, [&] {
    SQLite::Statement statement(*database, "SELECT 1 FROM run LIMIT 1");
    any = statement.executeStep();
  });
  return any;
}

std::vector<FactRow> FindFacts(const std::string& path, const std::optional<std::string>& element) {
  const auto database = OpenDatabase(path, Access::kRead);
  std::vector<FactRow> rows;
  Reading(path, [&] {
    SQLite::Statement statement(
        *database,
        fmt::format(
            "SELECT element, name, value, sha256, source, date FROM fact WHERE {} NOT EXISTS "
            "(SELECT 1 FROM supersedes s WHERE s.target = fact.sha256) ORDER BY element, name, sha256",
            element ? "element = ? AND" : ""));
    if (element) statement.bind(1, *element);
    while (statement.executeStep()) {
      FactRow row;
      int at = 0;
      for (std::string* text : {&row.element, &row.name, &row.value, &row.key, &row.source, &row.date})
        *text = statement.getColumn(at++).getString();
      rows.push_back(std::move(row));
    }
  });
  // Rows about the same fact stand together.
  for (std::size_t from = 0, to = 0; from < rows.size(); from = to) {
    bool disputed = false;
    for (to = from;
         to < rows.size() && rows[to].element == rows[from].element && rows[to].name == rows[from].name;
         ++to) {
      disputed = disputed || rows[to].value != rows[from].value;
    }
    for (std::size_t i = from; i < to; ++i) rows[i].disputed = disputed;
  }
  return rows;
}

std::vector<StockRow> FindStock(const std::string& path, const std::optional<std::string>& element) {
  const auto database = OpenDatabase(path, Access::kRead);
  std::vector<StockRow> rows;
  Reading(path, [&] {
    SQLite::Statement statement(
        *database,
        fmt::format(
            "SELECT element, date, state, plate, position, note, sha256, sequence, firings FROM stock "
            "WHERE {} NOT EXISTS (SELECT 1 FROM supersedes s WHERE s.target = stock.sha256) "
            "ORDER BY element, sequence, date, sha256",
            element ? "element = ? AND" : ""));
    if (element) statement.bind(1, *element);
    while (statement.executeStep()) {
      StockRow row;
      int at = 0;
      for (std::string* text :
           {&row.element, &row.date, &row.state, &row.plate, &row.position, &row.note, &row.key})
        *text = statement.getColumn(at++).getString();
      row.sequence = statement.getColumn(at++).getInt();
      if (!statement.getColumn(at).isNull()) row.firings = statement.getColumn(at).getInt();
      rows.push_back(std::move(row));
    }
  });
  return rows;
}

std::vector<std::string> StockConflicts(const std::vector<StockRow>& rows) {
  std::vector<std::string> conflicts;
  for (std::size_t i = 1; i < rows.size(); ++i) {
    const StockRow &a = rows[i - 1], &b = rows[i];
    if (a.element != b.element || a.sequence != b.sequence) continue;
    const auto words = [](const StockRow& row) {
      return fmt::format("{}{}{} on {} (record {})", row.state,
                         row.plate.empty() ? "" : " in plate " + row.plate,
                         row.position.empty() ? "" : " at " + row.position, row.date, row.key.substr(0, 12));
    };
    conflicts.push_back(
        fmt::format("element {}: {} and {}; which came first is not known", a.element, words(a), words(b)));
  }
  return conflicts;
}

std::vector<std::string> FindElements(const std::string& path) {
  const auto database = OpenDatabase(path, Access::kRead);
  std::vector<std::string> names;
  Reading(path, [&] {
    SQLite::Statement statement(*database,
                                "SELECT element FROM run UNION SELECT element FROM fact UNION SELECT element "
                                "FROM stock ORDER BY 1");
    while (statement.executeStep()) names.push_back(statement.getColumn(0).getString());
  });
  return names;
}

}  // namespace conebook::src

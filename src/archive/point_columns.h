// The quantities of a pressure point as columns: one list for the index's table, the exported table and its
// dictionary.
#pragma once

#include <string>
#include <vector>

namespace conebook::src {

struct PointColumn {
  const char* name;     // of the value; with a unit as its suffix
  const char* pointer;  // JSON pointer inside a point of a result file
  const char* unit;
  const char* meaning;
  bool with_u;          // a quantity: its u and interval are columns too
  bool indexed = true;  // false: exported from the records, but no column of the index
};

const std::vector<PointColumn>& PointColumns();

// "cd" -> "u_cd", "flow_kg_s" -> "u_flow_kg_s".
std::string NameOfU(const PointColumn& column);

}  // namespace conebook::src

// The result file, schema "conebook.run/1": the contract that other programs read. Schema beside this header:
// result_schema.json. Numbers are written so that they read back exactly; what is unknown is null, never NaN.
#pragma once

#include <string>

#include "src/run.h"

namespace conebook::src {

std::string ResultJson(const Run& run);  // ends with a newline

}  // namespace conebook::src

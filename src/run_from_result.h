// A run out of its result file: the inverse of result_json.h, for pages and tables made of what is on record.
#pragma once

#include <string>

#include "src/run.h"

namespace conebook::src {

// Everything that a result file says. Texts and budgets come back as they were; degrees of freedom of single
// contributions are not kept, nor pictures, outline and single frames, which stand beside the result. Throws
// std::exception where the text is none.
Run RunFromResult(const std::string& json);

}  // namespace conebook::src

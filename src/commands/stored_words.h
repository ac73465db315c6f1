// What became of a run that was to be put on record, in lines for a person.
#pragma once

#include <string>

#include "src/archive/archive.h"

namespace conebook::src {

// "put on record: 3fa2b1c09d4e", "already on record: ...", and what else to know.
std::string StoredInWords(const Stored& stored);

}  // namespace conebook::src

#include "src/version.h"

namespace conebook::src {

std::string ProgramVersion() {
  return CONEBOOK_VERSION;
}
std::string ProgramBuild() {
  return CONEBOOK_BUILD;
}

}  // namespace conebook::src

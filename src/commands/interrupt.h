// Ctrl-C: the work is asked to stop at its next frame, so that nothing half-written is left behind.
#pragma once

namespace conebook::src {

void CatchInterrupts();
bool InterruptWanted();

}  // namespace conebook::src

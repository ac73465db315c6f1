#include "src/log_trace.h"

#include <algorithm>

#include "src/liquid_state.h"
#include "src/stand_sensors.h"

namespace conebook::src {
namespace {

constexpr std::size_t kTraceRows = 2000;

}  // namespace

LogTrace ThinnedTrace(const Rig& rig, const StandLog& log, const std::vector<double>& gauge_bar) {
  LogTrace trace;
  const std::size_t rows = log.Rows();
  const std::size_t step = (rows + kTraceRows - 1) / kTraceRows;
  const bool by_volume = log.flow_kind == FlowKind::kVolumeLS || log.flow_kind == FlowKind::kPulseHz;
  const double per_unit = by_volume ? 1e-3 * LiquidAt(rig, std::nullopt, 1e5).density_kg_m3.value : 1.0;
  for (std::size_t from = 0; from < rows; from += step) {
    const std::size_t to = std::min(rows, from + step);
    const double n = static_cast<double>(to - from);
    double t = 0.0, p = 0.0, q = 0.0;
    for (std::size_t i = from; i < to; ++i) {
      t += (log.time_s[i] - log.time_s[from]) / n;
      p += gauge_bar[i] / n;
      if (!log.flow.empty()) q += per_unit * FlowOf(rig, log.flow_kind, log.flow[i]).flow / n;
    }
    trace.time_s.push_back(log.time_s[from] + t);
    trace.pressure_bar.push_back(p);
    if (!log.flow.empty()) trace.flow_kg_s.push_back(q);
  }
  return trace;
}

}  // namespace conebook::src

#include "src/bucket_test.h"

#include <algorithm>
#include <array>
#include <cmath>

#include <fmt/core.h>

#include <calib/error.h>
#include <calib/weighing.h>

#include "src/csv_table.h"
#include "src/liquid_state.h"

namespace conebook::src {
namespace {

using calib::InputError;
using calib::MeterKind;

constexpr double kAmbientPa = 101325.0;

struct Reading {
  const char* column;
  MeterKind kind;
  double to_rate;  // litres or kilograms a second
};
constexpr std::array kReadings{
    Reading{"pulses", MeterKind::kPulses, 1.0}, Reading{"pulse_hz", MeterKind::kPulses, 1.0},
    Reading{"flow_lpm", MeterKind::kVolume, 1.0 / 60.0}, Reading{"flow_kg_s", MeterKind::kMass, 1.0}};

const Reading& ReadingOf(const CsvTable& table) {
  const Reading* found = nullptr;
  for (const Reading& reading : kReadings) {
    if (!table.Column(reading.column)) continue;
    if (found != nullptr)
      throw InputError(fmt::format("{}, line {}: columns {} and {} both give the meter's reading; keep one",
                                   table.path, table.header_line, found->column, reading.column));
    found = &reading;
  }
  if (found == nullptr)
    throw InputError(fmt::format(
        "{}, line {}: no column of the meter's reading; one of pulses (counted over the run), pulse_hz, "
        "flow_lpm, flow_kg_s is needed",
        table.path, table.header_line));
  return *found;
}

std::size_t Needed(const CsvTable& table, const char* name, const char* meaning) {
  if (const auto column = table.Column(name)) return *column;
  throw InputError(
      fmt::format("{}, line {}: column {} ({}) is missing", table.path, table.header_line, name, meaning));
}

double Positive(const CsvTable& table, std::size_t row, std::size_t column) {
  const double value = NumberAt(table, row, column);
  if (!(value > 0.0))
    throw InputError(fmt::format("{}, line {}: column {}: expected a number above 0, found {:g}", table.path,
                                 table.line[row], table.header[column], value));
  return value;
}

// u of a run where its column is there; not negative.
double OwnU(const CsvTable& table, std::size_t row, const char* name, double otherwise) {
  const auto column = table.Column(name);
  if (!column) return otherwise;
  const double u = NumberAt(table, row, *column);
  if (!(u >= 0.0))
    throw InputError(fmt::format("{}, line {}: column {}: a standard uncertainty is not negative", table.path,
                                 table.line[row], name));
  return u;
}

}  // namespace

BucketTest ReadBucketTest(const std::string& path, const BucketOptions& options) {
  const CsvTable table = ReadCsv(path, {});
  const Reading& reading = ReadingOf(table);
  const std::size_t mass_column = Needed(table, "mass_kg", "scale full less empty"),
                    time_column = Needed(table, "time_s", "how long the run took"),
                    reading_column = *table.Column(reading.column);
  const bool counted = std::string(reading.column) == "pulses";
  const auto temperature_column = table.Column("temperature_c");
  BucketTest test;
  test.kind = reading.kind;
  for (const std::string& name : table.header) {
    if (name != reading.column && name != "mass_kg" && name != "time_s" && name != "temperature_c" &&
        name != "u_mass_kg" && name != "u_time_s")
      test.ignored.push_back(name);
  }
  Rig rig;
  rig.path = path;
  rig.stand = options.liquid;
  for (std::size_t row = 0; row < table.rows.size(); ++row) {
    std::optional<double> temperature_c;
    if (temperature_column) temperature_c = NumberAt(table, row, *temperature_column);
    const calib::Quantity density = LiquidAt(rig, temperature_c, kAmbientPa).density_kg_m3;
    calib::Weighing weighing;
    weighing.scale_kg = Positive(table, row, mass_column);
    weighing.time_s = Positive(table, row, time_column);
    weighing.u_scale_kg = OwnU(table, row, "u_mass_kg", options.u_mass_kg);
    weighing.u_time_s = OwnU(table, row, "u_time_s", options.u_time_s);
    const double seen = Positive(table, row, reading_column) * reading.to_rate;
    const calib::Quantity caught = CaughtMassKg(weighing, density.value);
    const double litres = 1e3 * caught.value / density.value;
    const double u_mass_share = weighing.u_scale_kg / weighing.scale_kg,
                 u_time_share = weighing.u_time_s / weighing.time_s;
    calib::MeterRun run;
    if (counted) {
      // Both ends of a count fall anywhere within a pulse: two uniform distributions.
      const double u_count_share = std::sqrt(2.0 / 12.0) / seen;
      run.rate = seen / weighing.time_s;
      run.u_rate = run.rate * std::hypot(u_time_share, u_count_share);
      run.value = seen / litres;  // the stopwatch does not come in
      run.u_value = run.value * std::hypot(u_mass_share, u_count_share);
    } else {
      const double caught_amount = reading.kind == MeterKind::kMass ? caught.value : litres;
      const double passed = caught_amount / weighing.time_s;
      run.rate = seen;
      run.value = reading.kind == MeterKind::kPulses ? seen / passed : passed / seen;
      run.u_value = run.value * std::hypot(u_mass_share, u_time_share);
    }
    double air_share = 0.0;
    for (const calib::Contribution& part : caught.budget)
      if (part.source == "density of the air") air_share = part.u / caught.value;
    const double density_share = reading.kind == MeterKind::kMass ? 0.0 : density.u / density.value;
    test.u_common_share = std::max(test.u_common_share,
                                   std::hypot(options.u_scale_share, std::hypot(air_share, density_share)));
    test.runs.push_back(run);
    test.lines.push_back(table.line[row]);
    test.mass_kg.push_back(weighing.scale_kg);
    test.time_s.push_back(weighing.time_s);
  }
  return test;
}

}  // namespace conebook::src

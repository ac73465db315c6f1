// A collector table: what each collector about the spray's axis caught, weighed (calib/patternation.h). CSV
// with a header; columns sector and ring (either or both; whole numbers from 0), mass_g or mass_kg, time_s;
// optional u_mass_g (or u_mass_kg), u_time_s. Lines that start with # are passed over; other columns are not
// read.
#pragma once

#include <string>

#include <calib/patternation.h>

namespace conebook::src {

// Throws calib::InputError, with file and line: a column or a number that is missing, a collector without a
// row, nothing collected.
calib::Patternation ReadCollectorTable(const std::string& path, const calib::PatternationOptions& options);

}  // namespace conebook::src

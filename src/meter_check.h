// The meter of a test day against a bucket on a scale: an element flowed into a bucket and, on the same day,
// with the meter logged, at about one pressure. Flow areas are compared, so that a pressure a little off does
// not matter; what both rest on (pressure sensor, line, density) cancels. Normalised error of ISO/IEC 17043
// and ISO 13528 (from memory): E_n = (meter - bucket) / sqrt(U_meter^2 + U_bucket^2), U = 2 u; beyond 1
// either way the two do not agree within what is claimed of them.
#pragma once

#include <string>
#include <vector>

#include <calib/flag.h>
#include <calib/quantity.h>

#include "src/run.h"

namespace conebook::src {

struct MeterCheck {
  std::string element;
  double bucket_bar = 0.0, meter_bar = 0.0;  // pressure drops
  calib::Quantity difference_percent;        // flow area by meter less by bucket, of the latter
  double e_n = 0.0;
  std::vector<calib::Flag> flags;  // none: they agree
};

// runs: of one day. One check a bucket reading that has a logged point of its element within a quarter of its
// pressure; the nearest in pressure is taken.
std::vector<MeterCheck> CheckMeter(const std::vector<const Run*>& runs);

std::string InWords(const MeterCheck& check);

}  // namespace conebook::src

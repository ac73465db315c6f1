// A run into a record, and a record back into a run that pages can be made of.
#pragma once

#include <functional>
#include <optional>
#include <string>

#include "src/archive/record.h"
#include "src/measure.h"
#include "src/run.h"

namespace conebook::src {

// Beside the result file are kept: rig_file.toml, the calibration files that it names (lens_file.toml,
// scale_file.toml, cone_checks.toml) and stand_log.csv as they were read,
// readings.csv (every frame of every point), log_trace.csv, outline.json (boundary, lines, breakup front) and
// a still of each point as JPEG; text is compressed with gzip.
Record RunRecord(const Run& run, const MeasureInput& input);

// Gives the bytes of a record's evidence by its SHA-256; nothing: not there.
using EvidenceReader = std::function<std::optional<std::string>(const std::string& sha256)>;

// Everything that a result file says, and of the evidence whatever there is. Texts and budgets come back as
// they were; degrees of freedom of single contributions are not kept. Throws std::runtime_error where the
// record is not a run.
Run RunFromRecord(const std::string& json, const EvidenceReader& evidence);

// The evidence called `name` without its ".gz", uncompressed; nothing: the record has none of that name.
std::optional<std::string> EvidenceText(const std::string& json, const std::string& name,
                                        const EvidenceReader& evidence);

}  // namespace conebook::src

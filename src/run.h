// One run: everything a result file, a page or an archive says about one clip (or one log). Plain data;
// filled by src/measure.cpp, written by src/result_json.cpp, shown by src/report.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include <calib/flag.h>
#include <calib/patternation.h>
#include <calib/quantity.h>
#include <calib/stated.h>
#include <vision/spray_measurement.h>

#include "src/drop_sizes.h"

namespace conebook::src {

enum class Verdict { kOk, kFlagged, kRejected };
const char* NameOf(Verdict verdict);  // "ok", "flagged", "rejected"

struct InputFile {
  std::string path;
  std::string sha256;
};

struct Cd {
  calib::Quantity cd;
  std::string area;  // "exit", "inlets" or "user"
  calib::Quantity area_mm2;
};

// What a published relation says of a quantity.
struct TheoryLine {
  std::string quantity;  // key of the result file: "cd" (on the exit area), "cone_half_angle_deg", "d32_um"
  std::string relation;  // whose
  std::string range;     // what it holds for
  calib::Quantity value;
};

// Of the flow through the element's holes; definitions in calib/flow_numbers.h. Nothing: see the flags.
struct FlowNumbers {
  std::optional<calib::Quantity> reynolds_exit;    // on the exit's diameter
  std::optional<calib::Quantity> reynolds_inlets;  // on one inlet's diameter
  std::optional<calib::Quantity> weber;            // on the exit's diameter
  std::optional<calib::Quantity> cavitation;       // (p1 - pv) / (p1 - p2)
};

// From which side a pressure was reached.
enum class Direction { kUnknown, kRising, kFalling };
const char* NameOf(Direction direction);  // "unknown", "rising", "falling"

// One circuit of an element that has several, at one point.
struct CircuitPoint {
  std::string name;
  bool flowing = false;  // false: it was shut, and nothing below is there
  std::optional<calib::Quantity> pressure_bar;
  std::optional<calib::Quantity> flow_kg_s;
  std::optional<calib::Quantity> flow_area_mm2;
  std::optional<Cd> cd;
  std::optional<double> temperature_c;
  std::optional<double> flow_from_s;  // as of the point
  std::vector<TheoryLine> theory;
  FlowNumbers numbers;
  Direction direction = Direction::kUnknown;  // of this circuit's own pressures
  std::optional<double> nominal_bar;          // as of the point
};

struct Point {
  // Video time of the point's frames; without a clip, nothing.
  std::optional<vision::TimeSpan> video;
  std::int64_t frames = 0;
  // The steady stretch of the log; without a log, nothing.
  std::optional<double> log_t0_s, log_t1_s;
  // Log time from which its flow counts, where the meter first had to follow the pressure; nothing: all of
  // it.
  std::optional<double> flow_from_s;
  std::optional<calib::Quantity> pressure_bar;  // the drop across the element
  std::optional<calib::Quantity> flow_kg_s;
  std::optional<calib::Quantity> flow_area_mm2;
  std::optional<Cd> cd;
  std::optional<double> temperature_c;
  std::vector<TheoryLine> theory;
  FlowNumbers numbers;
  Direction direction = Direction::kUnknown;
  std::optional<double> nominal_bar;   // of the rig's nominal pressures, the one that was held
  std::vector<CircuitPoint> circuits;  // of an element with several; empty: one circuit
  std::optional<DropSizes> drops;      // of a close-up of drops
  // Speed of the sheet's waves along it over sqrt(2 * drop / density), the liquid's without loss.
  std::optional<calib::Quantity> wave_speed_part;
  vision::SprayPoint spray;  // frames == 0 without a clip
};

struct FlowLaw {
  std::optional<calib::Quantity> flow_area_mm2;  // through-origin fit of flow against root of pressure drop
  std::optional<calib::Quantity> cd;
  std::optional<calib::Quantity> exponent;  // of a free power fit; needs three points or more
};

// The log thinned for the page: at most some 2000 rows.
struct LogTrace {
  std::vector<double> time_s, pressure_bar, flow_kg_s;
};

// Flow area at falling pressure less that at rising pressure, per cent of the latter; over all falling points
// within the rising ones. What both share (meter, liquid, area) cancels.
struct FlowHysteresis {
  calib::Quantity flow_area_percent;
  int pairs = 0;
};

struct CircuitLaw {
  std::string name;
  std::optional<FlowLaw> law;  // nothing: the circuit never flowed at a steady pressure
  std::optional<FlowHysteresis> hysteresis;
  std::vector<double> nominal_bar;  // as stated for it; empty: none stated
  LogTrace trace;
};

// A plate's flow area against the sum of its elements' on record.
struct PlateElement {
  std::string element;
  std::string record, date;          // of the run that the flow area is from; empty: none on record, no date
  std::vector<std::string> sensors;  // hashes of that run's calibration files
  std::optional<calib::Quantity> flow_area_mm2;
};
struct PlateCheck {
  std::vector<PlateElement> elements;
  std::optional<calib::Quantity> sum_mm2;             // nothing: an element has no flow area on record
  std::optional<calib::Quantity> difference_percent;  // plate less sum, of the sum
};

// Pressure drops: still below full development at lo_bar, fully developed at hi_bar.
struct OpeningInterval {
  double lo_bar = 0.0, hi_bar = 0.0;
};
struct Opening {
  std::optional<OpeningInterval> rising, falling;
};

struct Sync {
  calib::Quantity log_minus_video_s;
  std::string method;  // "given", "onset", "lamp", "clock", "assumed"
};

// What log and footage were tied by, for the eye: levels from 0 to 1, thinned.
struct SyncPicture {
  std::string seen;                      // in the footage: "spray" (below the exit) or "lamp"
  std::vector<double> video_s, level;    // video time
  std::string column;                    // of the log: "pressure", "flow", or the lamp's own
  std::vector<double> log_s, log_level;  // log time; of its highest here
};

struct Run {
  std::string program_version, program_build;
  std::string element, batch, kind;
  std::string role;                 // "check", or empty
  std::optional<std::string> date;  // of the test, ISO 8601 (2026-11-25); nothing: nobody said
  std::string date_from;            // "stated", "log", "footage"; empty without a date
  std::string rig_path, rig_sha256;
  std::optional<calib::Stated> view_rotation_deg;  // as the rig states it
  std::optional<InputFile> log;
  std::vector<InputFile> calibrations;
  std::string settings_json;  // a JSON object: every option that can change a number
  // Footage; nothing for flow-only runs.
  std::optional<InputFile> footage;
  vision::ClipFacts clip;
  std::optional<calib::Quantity> px_per_mm;
  std::optional<double> near_mm, far_mm;
  bool has_scale = false;
  bool lean_against_image_vertical = true;
  cv::Point2d exit_px{0.0, 0.0};
  double axis_deg = 0.0;
  double exit_diameter_mm = 0.0;
  std::optional<Sync> sync;
  std::optional<SyncPicture> sync_picture;  // nothing: log and footage are not tied, or by no event
  std::optional<FlowLaw> flow_law;
  Opening opening;
  std::optional<FlowHysteresis> flow_hysteresis;
  std::vector<double> nominal_bar;               // as the rig states them; empty: none stated
  std::vector<CircuitLaw> circuits;              // empty: one circuit
  std::optional<calib::Patternation> collected;  // of the rig's collector table
  std::optional<PlateCheck> plate;               // of a plate whose elements the rig names
  std::vector<Point> points;                     // empty when rejected
  std::vector<calib::Flag> flags;
  LogTrace trace;

  Verdict GetVerdict() const;
};

}  // namespace conebook::src

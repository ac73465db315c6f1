// What the stand's sensors read, put right by their calibrations where the rig names them, with what a
// reading is worth. Without a calibration: the u that the rig states, else 0.5 % of pressure and 1 % of flow,
// assumed.
#pragma once

#include <limits>
#include <string>

#include <calib/stated.h>

#include "src/rig.h"
#include "src/stand_log.h"

namespace conebook::src {

// Readings at absolute pressure; ambient as stated, or the standard atmosphere with an assumed u.
bool ReadsAbsolute(const Rig& rig);
calib::Stated AmbientOf(const Rig& rig);  // where readings are absolute
double AmbientBar(const Rig& rig);        // 0 for gauge readings

struct PressureWorth {
  double bar = 0.0;         // gauge or absolute, as the sensor reads
  double u_bar = 0.0;       // but for the zero, where that is known by itself
  double u_zero_bar = 0.0;  // ... then this, by the source zero_source
  std::string zero_source;
  double dof = std::numeric_limits<double>::infinity();
  std::string source;
  bool in_range = true;  // of the calibration
};
PressureWorth PressureOf(const Rig& rig, double read_bar);

// Put right, above ambient.
double GaugeBar(const Rig& rig, double read_bar);

struct FlowWorth {
  double flow = 0.0;  // kg/s of a mass flow, else litres a second
  double u_share = 0.0;
  double dof = std::numeric_limits<double>::infinity();
  std::string source;
  bool in_range = true;  // of the calibration
};
// A calibration of another kind of reading than this one is left aside (a bucket's mass, where the log has
// pulses). Pulses need a K-factor or a calibration: std::logic_error.
FlowWorth FlowOf(const Rig& rig, FlowKind kind, double reading);

// Which meter and which sensor gave the readings: the hash of the calibration file, or the K-factor as
// stated. Empty: neither, so that nobody knows whether another's readings are by the same.
std::string MeterIdentity(const Rig& rig);
std::string SensorIdentity(const Rig& rig);

// Throw calib::InputError: pulses without K, a meter file of another kind than the log's flow.
void CheckPulses(const Rig& rig, FlowKind kind);
void CheckLogFlow(const Rig& rig, FlowKind kind);

}  // namespace conebook::src

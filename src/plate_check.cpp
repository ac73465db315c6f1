#include "src/plate_check.h"

#include <algorithm>
#include <cmath>
#include <map>
#include <string_view>

#include <fmt/core.h>

#include "src/stand_flags.h"

namespace conebook::src {
namespace {

using calib::Contribution;
using calib::Quantity;
using calib::Severity;
using calib::Shared;

// One flow area as the sum needs it.
struct Part {
  const Quantity* area_mm2 = nullptr;
  double share = 0.0;  // signed share of the difference that a relative error of it makes
  std::string own;     // tells errors that are its own from those of another run
  std::string date, sensors;
};

std::string Joined(const std::vector<std::string>& hashes) {
  std::string text;
  for (const std::string& hash : hashes) text += hash + " ";
  return text;
}

// Errors with the same name are the same error.
std::string NameOfError(const Contribution& error, const Part& part) {
  switch (error.shared) {
    case Shared::kMeter:
    case Shared::kRig:
    case Shared::kModel:
      return error.source + "|" + part.sensors;
    case Shared::kDay:
      return error.source + "|" + (part.date.empty() ? part.own : part.date);
    case Shared::kFrames:
    case Shared::kClip:
      break;
  }
  return error.source + "|" + part.own;
}

Quantity Difference(const std::vector<Part>& parts, double value_percent) {
  struct Sum {
    std::string source;
    double share = 0.0;
    Shared shared = Shared::kClip;
    double dof = 0.0;
  };
  std::map<std::string, Sum> sums;
  for (const Part& part : parts) {
    for (const Contribution& error : part.area_mm2->budget) {
      Sum& sum = sums[NameOfError(error, part)];
      sum.source = error.source;
      sum.share += part.share * error.u / part.area_mm2->value;
      sum.shared = error.shared;
      sum.dof = error.dof;
    }
  }
  std::map<std::string, Contribution> by_source;
  for (const auto& [name, sum] : sums) {
    Contribution& all = by_source[sum.source];
    all.source = sum.source;
    all.u = std::hypot(all.u, 100.0 * sum.share);
    all.shared = sum.shared;
    all.dof = std::min(all.dof, sum.dof);
  }
  std::vector<Contribution> budget;
  for (auto& [source, all] : by_source) {
    // What cancels leaves rounding.
    if (all.u > 1e-9) budget.push_back(std::move(all));
  }
  return calib::Combine(value_percent, std::move(budget));
}

// All elements together: what they share adds up.
Quantity SumOf(const std::vector<Part>& elements, double sum_mm2) {
  Quantity sum = Difference(elements, 0.0);
  for (Contribution& part : sum.budget) part.u *= sum_mm2 / 100.0;
  return calib::Combine(sum_mm2, std::move(sum.budget));
}

void Say(Run& run, const char* code, Severity severity, std::string message, const char* advice) {
  run.flags.push_back({code, severity, std::nullopt, std::string("plate"), std::move(message), advice});
}

void Compare(const Rig& rig, Run& run) {
  PlateCheck& check = *run.plate;
  double sum_mm2 = 0.0;
  for (const PlateElement& element : check.elements) sum_mm2 += element.flow_area_mm2->value;
  std::vector<Part> elements;
  for (std::size_t k = 0; k < check.elements.size(); ++k) {
    const PlateElement& element = check.elements[k];
    // An element named twice is one run, and one error.
    elements.push_back({&*element.flow_area_mm2, element.flow_area_mm2->value / sum_mm2,
                        "element " + element.element, element.date, Joined(element.sensors)});
  }
  check.sum_mm2 = SumOf(elements, sum_mm2);
  if (!run.flow_law || !run.flow_law->flow_area_mm2) return;
  const Quantity& plate_mm2 = *run.flow_law->flow_area_mm2;
  const double ratio = plate_mm2.value / sum_mm2;
  std::vector<Part> parts = elements;
  for (Part& part : parts) part.share *= -ratio;
  parts.push_back({&plate_mm2, ratio, "plate", run.date.value_or(""), Joined(SensorHashes(rig))});
  check.difference_percent = Difference(parts, 100.0 * (ratio - 1.0));
  const calib::Interval interval = calib::Interval95(*check.difference_percent);
  if (interval.lo <= 0.0 && interval.hi >= 0.0) return;
  const double off = check.difference_percent->value;
  Say(run, "plate_misfit", Severity::kWarn,
      fmt::format("the plate's flow area is {:.2f} % {} than the sum of its elements' (u {:.2f} %): {}",
                  std::abs(off), off < 0.0 ? "less" : "more", check.difference_percent->u,
                  off < 0.0 ? "manifold losses or blockage"
                            : "a leak past a seal, a bore that has opened, or manifold pressure tapped low"),
      "flow the elements singly again, look for dirt in the manifold and its passages, and tap the pressure "
      "in the manifold");
}

}  // namespace

void AddPlateCheck(const Rig& rig, const std::optional<std::vector<PlateElement>>& on_record, Run& run) {
  if (rig.kind != "plate" || run.GetVerdict() == Verdict::kRejected) return;
  if (rig.plate_elements.empty()) {
    Say(run, "plate_elements_unstated", Severity::kInfo,
        "the rig does not say which elements the plate holds: its flow is not held against theirs",
        "state [plate] elements, or [plate] match = what conebook match --json wrote");
  } else if (!on_record) {
    Say(run, "plate_needs_archive", Severity::kInfo,
        "without an archive the elements' flow areas are not known: the plate's flow is not held against "
        "theirs",
        "give --archive with the elements' runs on record");
  } else {
    run.plate = PlateCheck{*on_record, std::nullopt, std::nullopt};
    std::string missing;
    for (const PlateElement& element : *on_record) {
      if (!element.flow_area_mm2) missing += (missing.empty() ? "" : ", ") + element.element;
    }
    if (missing.empty()) {
      Compare(rig, run);
    } else {
      Say(run, "plate_element_unknown", Severity::kWarn,
          "no flow area is on record of " + missing + ": the elements' sum cannot be made",
          "flow these elements singly and put the runs on record, or put [plate] elements right");
    }
  }
  OrderFlags(run.flags);
}

std::string PlateInWords(const PlateCheck& check) {
  if (!check.sum_mm2) return "";
  std::string text = fmt::format("elements' flow areas add up to {:.4g} mm2 (u {:.2g})", check.sum_mm2->value,
                                 check.sum_mm2->u);
  if (check.difference_percent) {
    text +=
        fmt::format("; the plate's is {:.2f} % {} (u {:.2f} %)", std::abs(check.difference_percent->value),
                    check.difference_percent->value < 0.0 ? "less" : "more", check.difference_percent->u);
  }
  return text;
}

std::vector<std::string> SensorHashes(const Rig& rig) {
  std::vector<std::string> hashes;
  for (const CalibrationFile& file : rig.calibrations) {
    for (const CalibrationKey& key : {kMeterKey, kPressureKey, kLineLossKey}) {
      if (std::string_view(file.key.kept_as) == key.kept_as) hashes.push_back(file.sha256);
    }
  }
  std::sort(hashes.begin(), hashes.end());
  return hashes;
}

}  // namespace conebook::src

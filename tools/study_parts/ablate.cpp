// conebook_ablate CLIP_FOLDER...: what each choice of the estimators is worth. Takes clips that tools/study
// --keep has rendered and measured (clip, rig.toml, truth.json, result.json), reads each once as the program
// does, reduces it with one choice changed at a time, and prints the errors against the truth as a Markdown
// table. Points and stations are those of result.json, so that all choices are judged on the same frames and
// rows.
#include <algorithm>
#include <array>
#include <cmath>
#include <cstdio>
#include <exception>
#include <filesystem>
#include <fstream>
#include <functional>
#include <map>
#include <numbers>
#include <optional>
#include <string>
#include <vector>

#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include <vision/boundary.h>
#include <vision/breakup.h>
#include <vision/clip_reading.h>
#include <vision/cone_fit.h>
#include <vision/read_pipeline.h>
#include <vision/sheet_end.h>
#include <vision/sheet_fit.h>
#include <vision/spray_measurement.h>
#include <vision/statistics.h>

#include "src/rig.h"

namespace {

using namespace conebook;
using nlohmann::json;
namespace fs = std::filesystem;

constexpr double kDegrees = 180.0 / std::numbers::pi;

enum What { kBoundary, kSheet, kCone, kBreakup, kWhats };
constexpr const char* kTitles[] = {"half angle, mean, deg", "sheet half angle, deg", "cone half angle, deg",
                                   "breakup length, %"};
constexpr int kDecimals[] = {3, 3, 3, 2};

// Errors of every choice, in the order of its first appearance; each keyed by the point, so that a choice is
// compared with the program's own on the points that both have.
class Ledger {
 public:
  void Add(What what, const std::string& choice, int point, double error) {
    auto& list = choices_[what];
    auto found = std::find_if(list.begin(), list.end(), [&](const auto& c) { return c.first == choice; });
    if (found == list.end()) found = list.insert(list.end(), {choice, {}});
    found->second[point] = error;
  }
  void Print() const {
    fmt::print("## What each choice is worth: rendered sprays\n");
    for (int what = 0; what < kWhats; ++what) {
      const auto& list = choices_[what];
      if (list.empty()) continue;
      const auto& own = list.front().second;
      fmt::print("\n### {}: rendered sprays\n\n", kTitles[what]);
      fmt::print(
          "| choice changed | n | bias | RMSE | median abs | the program's RMSE on these | times |\n"
          "|---|---|---|---|---|---|---|\n");
      for (const auto& [choice, errors] : list) {
        double sum = 0.0, squares = 0.0, own_squares = 0.0;
        int n = 0;
        std::vector<double> sizes;
        for (const auto& [point, error] : errors) {
          const auto same = own.find(point);
          if (same == own.end()) continue;
          ++n;
          sum += error;
          squares += error * error;
          own_squares += same->second * same->second;
          sizes.push_back(std::abs(error));
        }
        if (n == 0) continue;
        const double rmse = std::sqrt(squares / n);
        const double own_rmse = std::sqrt(own_squares / n);
        const int d = kDecimals[what];
        fmt::print("| {} | {} | {:+.{}f} | {:.{}f} | {:.{}f} | {:.{}f} | {:.2f} |\n", choice, n, sum / n, d,
                   rmse, d, vision::MedianInPlace(sizes), d, own_rmse, d,
                   own_rmse > 0.0 ? rmse / own_rmse : 0.0);
      }
    }
  }

 private:
  std::vector<std::pair<std::string, std::map<int, double>>> choices_[kWhats];
};

json Load(const fs::path& path) {
  std::ifstream in(path);
  if (!in) throw std::runtime_error("cannot read " + path.string());
  return json::parse(in);
}

// Least squares of one side of a true boundary between the stations, deg.
std::optional<double> SideDeg(const json& sides, const std::string& side, double near_mm, double far_mm) {
  const json& zs = sides.at(side + "_z_mm");
  const json& xs = sides.at(side + "_mm");
  double n = 0.0, sz = 0.0, sx = 0.0, szz = 0.0, szx = 0.0, last = 0.0;
  for (std::size_t i = 0; i < zs.size(); ++i) {
    if (zs[i].is_null() || xs[i].is_null()) continue;
    const double z = zs[i];
    const double x = xs[i];
    last = std::max(last, z);
    if (z < near_mm || z > far_mm) continue;
    n += 1.0;
    sz += z;
    sx += x;
    szz += z * z;
    szx += z * x;
  }
  // Rows that end before the far station would tell of another line.
  if (n < 8.0 || last < far_mm - 0.02 * (far_mm - near_mm)) return std::nullopt;
  return std::atan((szx - sz * sx / n) / (szz - sz * sz / n)) * kDegrees;
}
std::optional<double> MeanDeg(const json& sides, double near_mm, double far_mm) {
  if (sides.is_null()) return std::nullopt;
  const auto left = SideDeg(sides, "left", near_mm, far_mm);
  const auto right = SideDeg(sides, "right", near_mm, far_mm);
  if (!left || !right) return std::nullopt;
  return 0.5 * (*left + *right);
}

struct Point {
  double t0_s = 0.0, t1_s = 0.0;
  std::optional<double> boundary_deg, sheet_deg, breakup_mm;
  double cone_deg = 0.0;
};

// A clip as read: by the program's choices, or by a model with one of them changed.
struct Read {
  const vision::ClipModel* model;
  const vision::RecordSpool* spool;
};

class Clip {
 public:
  Clip(const fs::path& folder, int first_point, Ledger& ledger)
      : view_(src::ReadRig((folder / "rig.toml").string()).view), ledger_(ledger), first_point_(first_point) {
    const json truth = Load(folder / "truth.json");
    const json result = Load(folder / "result.json");
    path_ = (folder / truth.at("clip").get<std::string>()).string();
    if (result.at("points").empty()) return;
    near_mm_ = result.at("stations_mm").at(0);
    far_mm_ = result.at("stations_mm").at(1);
    for (const json& measured : result.at("points")) {
      if (measured.at("t0_s").is_null() || measured.at("half_angle_deg").is_null()) continue;
      Point point{measured.at("t0_s"), measured.at("t1_s"), {}, {}, {}, 0.0};
      for (const json& there : truth.at("points")) {
        const double t0_s = there.at("t0_s");
        const double t1_s = there.at("t1_s");
        const double shared = std::min(point.t1_s, t1_s) - std::max(point.t0_s, t0_s);
        if (shared < 0.5 * std::min(point.t1_s - point.t0_s, t1_s - t0_s)) continue;
        point.boundary_deg = MeanDeg(there.at("boundary"), near_mm_, far_mm_);
        point.sheet_deg = MeanDeg(there.at("mean_sheet"), near_mm_, far_mm_);
        point.cone_deg = there.at("sheet_cone_deg");
        if (there.at("breakup_in_view").get<bool>()) point.breakup_mm = there.at("breakup_mm").get<double>();
        points_.push_back(point);
        break;
      }
    }
  }

  int Points() const { return static_cast<int>(points_.size()); }

  void Run() {
    if (points_.empty()) return;
    vision::ReadOptions options;
    options.threads = 1;
    const vision::ClipReading reading = vision::ReadClip(path_, view_, options);
    if (reading.Rejected() || reading.kept->outline_only) return;
    kept_ = reading.kept.get();
    for (const Point& point : points_) {
      std::vector<std::size_t> frames;
      for (std::size_t k = 0; k < kept_->time_s.size(); ++k) {
        if (kept_->time_s[k] >= point.t0_s && kept_->time_s[k] <= point.t1_s) frames.push_back(k);
      }
      frames_.push_back(std::move(frames));
    }
    const Read own{&kept_->model, &kept_->spool};
    Reduce(own);
    ReadAgain("one gain for all frames", [](vision::ClipModel& m) { m.gain_points.clear(); });
    if (!own.model->shake_points.empty())
      ReadAgain("shake not followed", [](vision::ClipModel& m) { m.shake_points.clear(); });
    if (own.model->strong_filter)
      ReadAgain("no strong filter", [](vision::ClipModel& m) { m.strong_filter = false; });
    if (own.model->pair_rows) ReadAgain("rows not paired", [](vision::ClipModel& m) { m.pair_rows = false; });
    kept_ = nullptr;
  }

 private:
  static constexpr const char* kOwn = "none: as the program does it";

  std::array<double, 2> Parts(const Read& read, double threshold) const {
    std::vector<std::size_t> all;
    for (const auto& frames : frames_) all.insert(all.end(), frames.begin(), frames.end());
    int row0 = read.spool->Rows();
    int row1 = 0;
    const vision::CameraSetup setup = vision::MakeCamera(view_, *read.model);
    for (int row = 0; row < read.spool->Rows(); ++row) {
      const double z_mm = vision::RowDistanceMm(*read.model, setup, row);
      if (z_mm < near_mm_ || z_mm > far_mm_) continue;
      row0 = std::min(row0, row);
      row1 = std::max(row1, row + 1);
    }
    std::array<double, 2> parts{};
    for (int side = 0; side < 2; ++side)
      parts[static_cast<std::size_t>(side)] =
          threshold * vision::ReferencePart(*read.spool, all, side, row0, row1).value_or(1.0);
    return parts;
  }

  void Note(What what, const std::string& choice, std::size_t p, double value) {
    const std::optional<double> truth = what == kBoundary  ? points_[p].boundary_deg
                                        : what == kSheet   ? points_[p].sheet_deg
                                        : what == kBreakup ? points_[p].breakup_mm
                                                           : std::optional(points_[p].cone_deg);
    if (!truth) return;
    const double error = what == kBreakup ? 100.0 * (value / *truth - 1.0) : value - *truth;
    ledger_.Add(what, choice, first_point_ + static_cast<int>(p), error);
  }

  std::optional<vision::ConeAngles> Cone(const Read& read, std::size_t p, const vision::View& view,
                                         double threshold, const vision::ConeFitOptions& options) const {
    const auto setup = vision::MakeCamera(view, *read.model);
    auto fit = vision::FitCone(*read.model, *read.spool, frames_[p], Parts(read, threshold), setup, near_mm_,
                               far_mm_, options);
    if (!std::holds_alternative<vision::ConeAngles>(fit)) return std::nullopt;
    return std::get<vision::ConeAngles>(std::move(fit));
  }

  vision::BreakupResult Breakup(const Read& read, std::size_t p,
                                const vision::BreakupOptions& options) const {
    return vision::EndOfSheet(*read.model, *read.spool, frames_[p], vision::MakeCamera(view_, *read.model),
                              options);
  }

  // Reads the clip anew by a model with one thing changed.
  void ReadAgain(const std::string& choice, const std::function<void(vision::ClipModel&)>& change) {
    vision::ClipModel model = kept_->model;
    change(model);
    vision::RecordSpool spool(model.rows, (model.rows + vision::kRayRowStep - 1) / vision::kRayRowStep);
    vision::StillKeeper stills(model.format);
    vision::ReadOptions options;
    options.threads = 1;
    vision::ReadAllFrames(path_, view_, model, options, spool, stills);
    const Read read{&model, &spool};
    for (std::size_t p = 0; p < points_.size(); ++p) {
      if (const auto cone = Cone(read, p, view_, vision::kBoundaryPart, {}))
        Note(kBoundary, choice, p, cone->mean_deg.value);
      const auto breakup = Breakup(read, p, {});
      if (breakup.reading) Note(kBreakup, choice, p, breakup.reading->length);
    }
  }

  void Reduce(const Read& read) {
    for (std::size_t p = 0; p < points_.size(); ++p) {
      const auto own = Cone(read, p, view_, vision::kBoundaryPart, {});
      if (!own) continue;
      Boundary(read, p, *own);
      BreakupChoices(read, p);
      const auto end = Breakup(read, p, {});
      const double end_mm = end.reading ? end.reading->length : end.none.lower_bound.value_or(0.0);
      if (end_mm >= far_mm_) Sheet(read, p, *own, end_mm);
    }
  }

  void Boundary(const Read& read, std::size_t p, const vision::ConeAngles& own) {
    Note(kBoundary, kOwn, p, own.mean_deg.value);
    const auto with = [&](const std::string& choice, const vision::View& view, double threshold,
                          const vision::ConeFitOptions& options) {
      if (const auto cone = Cone(read, p, view, threshold, options))
        Note(kBoundary, choice, p, cone->mean_deg.value);
    };
    with("threshold 0.20 of the level instead of 0.30", view_, 0.20, {});
    with("threshold 0.40", view_, 0.40, {});
    vision::ConeFitOptions options;
    options.line_floor_px = 1e6;
    with("plain least squares: no row is odd", view_, vision::kBoundaryPart, options);
    options.line_floor_px = 0.0;
    with("rows cut by spreads alone, no floor", view_, vision::kBoundaryPart, options);
    const double to_space = own.mean_deg.value - own.apparent_deg.value;
    std::vector<double> frames;
    for (std::size_t k = 0; k < own.frame_found.size(); ++k)
      if (own.frame_found[k])
        frames.push_back(0.5 * (own.frame_left_deg[k] + own.frame_right_deg[k]) + to_space);
    if (!frames.empty()) {
      double sum = 0.0;
      for (const double v : frames) sum += v;
      Note(kBoundary, "a line a frame, then the mean", p, sum / static_cast<double>(frames.size()));
      Note(kBoundary, "a line a frame, then the median", p, vision::MedianInPlace(frames));
    }
    Note(kBoundary, "as the image shows it: no perspective, lens, tilt", p, own.apparent_deg.value);
    if (view_.distance_mm) {
      vision::View view = view_;
      view.distance_mm.reset();
      view.focal_px.reset();
      with("stated distance left out (no perspective)", view, vision::kBoundaryPart, {});
    }
    if (view_.lens) {
      vision::View view = view_;
      view.lens.reset();
      with("stated lens left out", view, vision::kBoundaryPart, {});
    }
    vision::View view = view_;
    view.tilt_deg.u = 0.0;
    with("tilt taken as exact: its mean effect not taken out", view, vision::kBoundaryPart, {});
    if (!view_.tilt_deg.value_assumed) {
      view = view_;
      view.tilt_deg = vision::View{}.tilt_deg;
      with("stated tilt left out", view, vision::kBoundaryPart, {});
    }
  }

  void Sheet(const Read& read, std::size_t p, const vision::ConeAngles& own, double end_mm) {
    const auto setup = vision::MakeCamera(view_, *read.model);
    const double plane_deg = 0.5 * (std::atan(-own.slope[0]) + std::atan(own.slope[1])) * kDegrees;
    const double to_space = own.mean_deg.value - plane_deg;
    const auto with = [&](const std::string& choice, double sheet_end_mm,
                          const vision::SheetFitOptions& options) {
      const auto sheet =
          vision::FitSheet(*read.model, *read.spool, frames_[p], Parts(read, vision::kBoundaryPart), setup,
                           own, near_mm_, far_mm_, sheet_end_mm, 0.5 * view_.exit_diameter_mm.value, options);
      if (!sheet) return;
      Note(kSheet, choice, p, sheet->line_deg + to_space);
      Note(kCone, choice, p, sheet->asymptote_deg + to_space);
    };
    with(kOwn, end_mm, {});
    Note(kSheet, "visible boundary as it is", p, own.mean_deg.value);
    Note(kCone, "visible boundary as it is", p, own.mean_deg.value);
    const auto changed = [&](const std::string& choice,
                             const std::function<void(vision::SheetFitOptions&)>& change) {
      vision::SheetFitOptions options;
      change(options);
      with(choice, end_mm, options);
    };
    changed("r0 = the exit's radius", [](auto& o) { o.r0_of_exit = 1.0; });
    changed("r0 = 0.85 of it", [](auto& o) { o.r0_of_exit = 0.85; });
    changed("first row one exit diameter down", [](auto& o) { o.near_diameters = 1.0; });
    changed("first row at the exit", [](auto& o) { o.near_diameters = 0.1; });
    changed("rows to 0.5 of the breakup", [](auto& o) { o.ends_of_breakup = {0.5, 0.5, 0.5}; });
    changed("rows to 0.9 of the breakup", [](auto& o) { o.ends_of_breakup = {0.9, 0.9, 0.9}; });
    changed("no envelope taken out",
            [](auto& o) { o.of_limb = o.of_width = o.of_crests = o.of_part = o.of_swing = 0.0; });
    changed("the limb of one shape at all radii", [](auto& o) { o.of_limb = 0.0; });
    changed("waves of many heights", [](auto& o) { o.of_crests = o.of_part = 0.0; });
    changed("a single wave", [](auto& o) {
      o.of_crests = 3.0;
      o.of_part = 1.0;
    });
    changed("envelope twice the swing in time", [](auto& o) { o.of_swing *= 2.0; });
  }

  void BreakupChoices(const Read& read, std::size_t p) {
    const auto own = Breakup(read, p, {});
    if (!own.reading) return;
    const vision::BreakupReading& r = *own.reading;
    Note(kBreakup, kOwn, p, r.length);
    Note(kBreakup, "steepest rise of texture alone", p, r.rise);
    Note(kBreakup, "front without its factor", p, r.front);
    Note(kBreakup, "half of the flicker's power alone", p, vision::BreakupOptions{}.half_factor * r.half);
    Note(kBreakup, "strongest fluctuation alone", p, r.peak);
    Note(kBreakup, "root of rise times peak alone", p, std::sqrt(r.rise * r.peak));
    for (const double far : {1.4, 1.9}) {
      vision::BreakupOptions options;
      const double usual = options.far_of_rise;
      options.far_of_rise = far;
      const auto other = Breakup(read, p, options);
      if (other.reading) {
        Note(kBreakup, fmt::format("split looks to {:.1f} times the rise instead of {:.1f}", far, usual), p,
             other.reading->length);
      }
    }
  }

  vision::View view_;
  Ledger& ledger_;
  int first_point_;
  std::string path_;
  double near_mm_ = 0.0, far_mm_ = 0.0;
  std::vector<Point> points_;
  const vision::ClipReading::Kept* kept_ = nullptr;
  std::vector<std::vector<std::size_t>> frames_;
};

}  // namespace

int main(int argc, char** argv) {
  if (argc < 2) {
    fmt::print(stderr, "conebook_ablate CLIP_FOLDER...: what each choice of the estimators is worth\n");
    return 2;
  }
  Ledger ledger;
  int points = 0;
  int failed = 0;
  for (int i = 1; i < argc; ++i) {
    try {
      Clip clip(argv[i], points, ledger);
      points += clip.Points();
      clip.Run();
    } catch (const std::exception& error) {
      ++failed;
      fmt::print(stderr, "{}: {}\n", argv[i], error.what());
    }
  }
  fmt::print("{} clips, {} points.\n\n", argc - 1, points);
  ledger.Print();
  return failed > 0 ? 1 : 0;
}

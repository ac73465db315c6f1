#include "vision/spray_measurement.h"

#include <algorithm>
#include <cmath>

#include <fmt/format.h>

#include "vision/angle_doubts.h"
#include "vision/below_sheet.h"
#include "vision/boundary.h"
#include "vision/breakup.h"
#include "vision/camera_doubts.h"
#include "vision/clip_reading.h"
#include "vision/cone_fit.h"
#include "vision/cone_origin.h"
#include "vision/drop_clip.h"
#include "vision/drops_below_sheet.h"
#include "vision/edge_wave_reader.h"
#include "vision/point_stages.h"
#include "vision/read_frame.h"
#include "vision/refusal.h"
#include "vision/sheet_end.h"
#include "vision/sheet_fit.h"
#include "vision/stations.h"
#include "vision/still.h"
#include "vision/swing.h"

namespace conebook::vision {
namespace {

using calib::Contribution;
using calib::Flag;
using calib::Quantity;
using calib::Severity;
using calib::Shared;
using calib::Stated;

constexpr const char* kMotionSource = "size and turn of the picture";

class Measurer {
 public:
  Measurer(const ClipReading& reading, const View& view, std::vector<TimeSpan> spans)
      : kept_(*reading.kept), view_(view), spans_(std::move(spans)), setup_(MakeCamera(view, kept_.model)) {
    pace_known_ = reading.facts.pace_known;
    if (spans_.empty()) spans_.push_back(SteadySpray(reading));
  }

  SprayMeasurement Measure() {
    SprayMeasurement& out = result_;
    out.has_scale = view_.px_per_mm.has_value() || (view_.distance_mm && view_.focal_px);
    const cv::Point2d exit = Apply(kept_.model.reading.upright_from_reading, kept_.model.exit_px);
    out.exit_px = exit;
    out.axis_deg = view_.axis_deg.value;
    out.lean_against_image_vertical = view_.axis_deg.value_assumed;
    if (out.has_scale) {
      out.px_per_mm = ScaleOf(view_, setup_.camera);
      for (Flag& flag : ScaleDoubts(view_, setup_.camera)) out.flags.push_back(std::move(flag));
    }
    for (const TimeSpan& span : spans_) {
      points_.push_back(FramesIn(kept_, span));
      out.points.emplace_back();
      out.points.back().frames = static_cast<std::int64_t>(points_.back().size());
    }
    if (view_.shows == Shows::kDrops) {
      for (std::size_t p = 0; p < points_.size(); ++p) {
        Drops(p);
        Picture(p);
      }
      MissingPictures();
      return std::move(result_);
    }
    Stages();
    for (std::size_t p = 0; p < points_.size(); ++p) Breakup(p);
    if (NothingDeveloped()) {
      if (const auto why = NothingFollowed()) {
        result_.flags.push_back({"no_cone", Severity::kReject, std::nullopt, std::nullopt,
                                 "in no stretch of the clip could a cone be followed: " + *why,
                                 "keep moving things out of the picture, and check exit_px and axis_deg"});
      }
      for (std::size_t p = 0; p < points_.size(); ++p) Picture(p);
      MissingPictures();
      return Result();
    }
    if (const auto flag = KnownConesOff(view_)) result_.flags.push_back(*flag);
    if (!Stations()) return Result();
    Reference();
    for (std::size_t p = 0; p < points_.size(); ++p) Angles(p);
    if (crooked_ > 0 && crooked_ == static_cast<int>(points_.size())) {
      result_.flags.push_back(
          {"no_cone", Severity::kReject, std::nullopt, std::nullopt,
           "in no stretch of the clip do the edges lie along straight sides, as a cone's do",
           "keep moving things out of the picture, and check exit_px and axis_deg"});
      return Result();
    }
    for (std::size_t p = 0; p < points_.size(); ++p) Waves(p);
    BelowSheet();
    for (std::size_t p = 0; p < points_.size(); ++p) Picture(p);
    MissingPictures();
    return Result();
  }

 private:
  // Without a scale, mm are those of an exit of the stated diameter: told in exit diameters.
  SprayMeasurement Result() {
    if (!result_.has_scale) {
      result_.near_mm /= view_.exit_diameter_mm.value;
      result_.far_mm /= view_.exit_diameter_mm.value;
    }
    return std::move(result_);
  }

  void AddFlag(std::size_t point, const char* code, Severity severity, const char* quantity,
               std::string message, std::string advice) {
    result_.flags.push_back({code, severity, static_cast<int>(point),
                             quantity == nullptr ? std::nullopt : std::optional<std::string>(quantity),
                             std::move(message), std::move(advice)});
  }

  void Drops(std::size_t p) {
    if (points_[p].empty()) {
      AddFlag(p, "no_frames", Severity::kWarn, nullptr, "no frame of the clip lies in this stretch",
              "film through the whole steady stretch, or check the sync");
      return;
    }
    if (kept_.model.illumination == Illumination::kFrontlit) {
      AddFlag(p, "drops_need_back_light", Severity::kWarn, "d32_um",
              "in front light a drop shows its reflections, not its outline: no size can be told from them",
              "put an even light behind the drops; if that was so, state [spray] illumination = \"backlit\"");
      return;
    }
    std::vector<std::int64_t> frames;
    for (const std::size_t k : points_[p]) frames.push_back(kept_.spool.Head(k).index);
    DropSizing sizing =
        SizeDropsOfClip(kept_.path, view_, kept_.model, frames, kept_.threads, DropSizingOptions{},
                        pace_known_ ? std::optional(kept_.frame_interval_s) : std::nullopt);
    if (!sizing.speed && sizing.verdict != DropVerdict::kNotResolvable) {
      AddFlag(p, "drop_speed_not_read", Severity::kInfo, "drop_speed_m_s", sizing.no_speed,
              "film at a frame rate at which a drop moves by less than the drops are apart");
    }
    if (sizing.verdict != DropVerdict::kResolved) {
      const bool none = sizing.verdict == DropVerdict::kNotResolvable;
      AddFlag(
          p, none ? "drops_not_resolvable" : "drops_partly", Severity::kWarn, "d32_um",
          fmt::format("{}; numbers hold for drops of {:.1f} px and more{}", sizing.why, sizing.cutoff_px,
                      none ? ": none is given" : ""),
          "film closer or with a longer lens, focus on the drops, and expose for less than the time in which "
          "a drop travels a tenth of its diameter");
    }
    result_.points[p].drops = std::move(sizing);
  }

  const ClipModel& Model(std::size_t p) const { return stages_[p].own ? stages_[p].own->model : kept_.model; }
  const RecordSpool& Spool(std::size_t p) const {
    return stages_[p].own ? stages_[p].own->spool : kept_.spool;
  }
  // Frames, and in them a cone to be measured as far as can be told.
  bool Measurable(std::size_t p) const {
    const PointStage& stage = stages_[p];
    return !points_[p].empty() && !stage.reading.undeveloped && stage.followed;
  }
  bool NothingDeveloped() const {
    bool below = false;
    for (std::size_t p = 0; p < points_.size(); ++p) {
      if (Measurable(p)) return false;
      below = below || !points_[p].empty();
    }
    return below;
  }

  // Why, where no stretch shows a cone, a stage before it, or the end of a sheet.
  std::optional<std::string> NothingFollowed() const {
    std::optional<std::string> why;
    for (std::size_t p = 0; p < points_.size(); ++p) {
      if (points_[p].empty()) continue;
      const PointStage& stage = stages_[p];
      if (stage.followed || stage.reading.undeveloped || result_.points[p].breakup_mm) return std::nullopt;
      if (!why) why = stage.reading.why;
    }
    return why;
  }

  void Stages() {
    stages_.resize(points_.size());
    breakups_.resize(points_.size());
    std::vector<double> ends_px;
    for (std::size_t p = 0; p < points_.size(); ++p) {
      if (!points_[p].empty() && !kept_.outline_only)
        breakups_[p] = EndOfSheet(Model(p), Spool(p), points_[p], setup_);
      const BreakupResult& end = breakups_[p];
      const double end_mm = end.reading ? end.reading->length : end.none.lower_bound.value_or(0.0);
      ends_px.push_back(end_mm * setup_.camera.px_per_mm);
    }
    stages_ = StagesOfPoints(kept_, view_, points_, ends_px);
    for (std::size_t p = 0; p < points_.size(); ++p) {
      if (points_[p].empty()) continue;
      if (stages_[p].own) breakups_[p] = EndOfSheet(Model(p), Spool(p), points_[p], setup_);
      TellStage(p);
    }
  }

  void TellStage(std::size_t p) {
    const StageReading& reading = stages_[p].reading;
    result_.points[p].stage = reading.stage;
    if (reading.undeveloped) {
      AddFlag(p, "not_fully_developed", Severity::kWarn, "half_angle_deg",
              fmt::format("the spray is below full development ({}): {}",
                          reading.stage ? InWords(*reading.stage) : "between two stages", reading.why),
              "raise the pressure, within what the stand is rated for, until the sides run straight: only "
              "then has the cone an angle");
      for (const char* quantity :
           {"apparent_half_angle_deg", "sheet_half_angle_deg", "cone_half_angle_deg", "breakup_mm"}) {
        AddFlag(p, "not_fully_developed", Severity::kInfo, quantity,
                "it is measured on the fully developed cone only", "");
      }
    }
    if (!reading.stage) {
      // Without a stage the angle may be that of a spray which still opens.
      AddFlag(p, "stage_unclear", Measurable(p) ? Severity::kWarn : Severity::kInfo, "stage",
              fmt::format("the stage of the spray cannot be told: {}", reading.why),
              "film another pressure, a little higher or lower");
    }
    if (!reading.undeveloped && !Measurable(p)) {
      AddFlag(p, "angle_not_found", Severity::kWarn, "half_angle_deg",
              fmt::format("no cone could be followed here: {}", reading.why),
              "light the rim of the spray better, and check exit_px and axis_deg");
    }
  }

  void Breakup(std::size_t p) {
    SprayPoint& point = result_.points[p];
    if (points_[p].empty()) {
      AddFlag(p, "no_frames", Severity::kWarn, nullptr, "no frame of the clip lies in this stretch",
              "film through the whole steady stretch, or check the sync");
      return;
    }
    if (!Measurable(p)) return;
    const BreakupResult& result = breakups_[p];
    if (!result_.has_scale && (result.reading || result.none.lower_bound)) {
      AddFlag(p, "no_scale", Severity::kInfo, "breakup_mm",
              fmt::format("no scale is stated: lengths cannot be given; stations count in exit diameters of "
                          "{:.0f} px, {}",
                          kept_.model.exit_diameter_px,
                          kept_.model.exit_diameter_seen ? "the width of the spray where it leaves"
                                                         : "a guess: where the spray leaves cannot be seen"),
              "state [scale] px_per_mm");
    }
    if (result.reading) {
      point.breakup_readings = {
          {"rise", result.reading->rise}, {"peak", result.reading->peak}, {"spread", result.reading->spread}};
      sheet_end_mm_.resize(points_.size(), 0.0);
      sheet_end_mm_[p] = result.reading->length;
      shortest_mm_ = std::min(shortest_mm_.value_or(1e9), result.reading->length);
      const auto& ray_length = result.reading->ray_length;
      for (int ray = 0; ray < kRays; ++ray) {
        const double z = ray_length[static_cast<std::size_t>(ray)];
        if (z > 0.0) front_.push_back({p, ray, z});
      }
      frame_breakup_.resize(points_.size());
      frame_breakup_[p] = result.reading->frame_length;
      if (result_.has_scale) {
        std::optional<Contribution> motion;
        if (kept_.motion)
          motion = {kMotionSource, kept_.motion->u_length * result.reading->length, Shared::kClip};
        point.breakup_mm =
            BreakupLength(*result.reading, Model(p), setup_, *result_.px_per_mm, std::move(motion));
      }
    } else if (result.none.lower_bound && result_.has_scale) {
      point.breakup_lower_bound_mm = *result.none.lower_bound;
      sheet_end_mm_.resize(points_.size(), 0.0);
      sheet_end_mm_[p] = *result.none.lower_bound;
      lower_mm_ = std::min(lower_mm_.value_or(1e9), *result.none.lower_bound);
      AddFlag(p, "breakup_beyond_view", Severity::kInfo, "breakup_mm",
              fmt::format("{}; the sheet is continuous to at least {:.1f} mm", result.none.reason,
                          *result.none.lower_bound),
              "film farther away, or frame more of the spray below its breakup");
      if (LineInside(Model(p), Spool(p), points_[p])) {
        AddFlag(p, "not_a_cone", Severity::kWarn, "half_angle_deg",
                "a line stands between the sides with background left and right of it, and no drops are seen "
                "below: one of several jets, or the lamp mirrored in a cone",
                "look at the picture; frame more of the spray, or light it from behind");
      }
    } else if (!result.none.lower_bound) {
      AddFlag(p, "breakup_not_found", Severity::kWarn, "breakup_mm", result.none.reason,
              "film with a shorter exposure, sharper focus or more light so that drops show");
    }
  }

  bool Stations() {
    StationWish wish;
    wish.has_scale = result_.has_scale;
    wish.exit_diameter_mm = view_.exit_diameter_mm.value;
    const double unit = result_.has_scale ? 1.0 : wish.exit_diameter_mm;
    if (view_.near_mm) wish.near_mm = unit * *view_.near_mm;
    if (view_.far_mm) wish.far_mm = unit * *view_.far_mm;
    wish.shortest_breakup_mm = shortest_mm_ ? shortest_mm_ : lower_mm_;
    // The widest cone must stay in the picture.
    const auto opening = [](const ClipModel& model) { return model.guess[1].slope - model.guess[0].slope; };
    const ClipModel* widest = nullptr;
    for (std::size_t p = 0; p < points_.size(); ++p) {
      if (Measurable(p) && (widest == nullptr || opening(Model(p)) > opening(*widest))) widest = &Model(p);
    }
    const StationChoice choice = ChooseStations(widest == nullptr ? kept_.model : *widest, setup_, wish);
    result_.near_mm = choice.near_mm;
    result_.far_mm = choice.far_mm;
    for (const Flag& flag : choice.flags) result_.flags.push_back(flag);
    return std::none_of(choice.flags.begin(), choice.flags.end(),
                        [](const Flag& f) { return f.severity == Severity::kReject; });
  }

  void Reference() {
    int row0 = kept_.spool.Rows();
    int row1 = 0;
    for (int row = 0; row < kept_.spool.Rows(); ++row) {
      const double z = RowDistanceMm(kept_.model, setup_, row);
      if (z < result_.near_mm || z > result_.far_mm) continue;
      row0 = std::min(row0, row);
      row1 = std::max(row1, row + 1);
    }
    // One level a clip: of all points that the clip's own reading holds; where it holds none, of the first
    // other.
    std::size_t from = points_.size();
    for (std::size_t p = points_.size(); p-- > 0;) {
      if (Measurable(p) && (from == points_.size() || !stages_[p].own || stages_[from].own)) from = p;
    }
    if (from == points_.size()) from = 0;
    std::vector<std::size_t> all;
    for (std::size_t p = 0; p < points_.size(); ++p) {
      const bool whole_clip = !Measurable(from);
      if (whole_clip || (Measurable(p) && stages_[p].own == stages_[from].own))
        all.insert(all.end(), points_[p].begin(), points_[p].end());
    }
    for (int side = 0; side < 2; ++side) {
      const auto part = ReferencePart(Spool(from), all, side, row0, row1);
      const double level = static_cast<double>(Model(from).level[static_cast<std::size_t>(side)]);
      level_[static_cast<std::size_t>(side)] = part.value_or(1.0) * level;
      const double p = kBoundaryPart * part.value_or(1.0);
      if (p < static_cast<double>(kLadderParts[0]) || p > static_cast<double>(kLadderParts[kLadder - 1])) {
        result_.flags.push_back(
            {"reference_level_moved", Severity::kInfo, std::nullopt, "half_angle_deg",
             fmt::format("the {} rim's level over the whole clip is {:.2f} times that of its head",
                         side == kLeftSide ? "left" : "right", p / kBoundaryPart),
             ""});
      }
    }
  }

  // 0.30 of the clip's level, in parts of the level that the point was read with.
  std::array<double, 2> PartsOf(std::size_t p) const {
    const auto& read_with = Model(p).level;
    return {kBoundaryPart * level_[0] / static_cast<double>(read_with[0]),
            kBoundaryPart * level_[1] / static_cast<double>(read_with[1])};
  }

  void Angles(std::size_t p) {
    if (points_[p].empty()) return;
    if (!Measurable(p)) return;
    const ConeFitResult fit = FitCone(Model(p), Spool(p), points_[p], PartsOf(p), setup_, result_.near_mm,
                                      result_.far_mm, ConeFitOptions{}, kept_.time_s);
    SprayPoint& point = result_.points[p];
    if (!std::holds_alternative<ConeAngles>(fit)) {
      const bool crooked = std::get<NoAngle>(fit) == NoAngle::kNotStraight;
      crooked_ += crooked ? 1 : 0;
      AddFlag(p, crooked ? "sides_not_straight" : "angle_not_found", Severity::kWarn, "half_angle_deg",
              crooked
                  ? "what was followed from the exit does not lie along straight sides, as a cone's edges do"
                  : "too few rows between the stations show the spray's edge on both sides",
              crooked ? "keep moving things out of the picture, and check exit_px and axis_deg"
                      : "light the rim of the spray better, or bring the stations nearer to the exit");
      return;
    }
    const ConeAngles& angles = std::get<ConeAngles>(fit);
    point.half_angle = HalfAngle{angles.mean_deg, Turned(angles.left_deg), Turned(angles.right_deg),
                                 Turned(angles.lean_deg)};
    point.apparent_half_angle_deg = angles.apparent_deg;
    point.boundary_left = angles.boundary_px[0];
    point.boundary_right = angles.boundary_px[1];
    for (int end = 0; end < 2; ++end) {
      point.line_left[end] = angles.line_px[0][end];
      point.line_right[end] = angles.line_px[1][end];
    }
    const auto boundary_of_part = [&](int side, const Block& frames) {
      std::vector<cv::Point2f> boundary_px;
      for (const BoundaryRow& row :
           MedianBoundary(Spool(p), std::span(points_[p]).subspan(frames.first, frames.last - frames.first),
                          side, PartsOf(p)[static_cast<std::size_t>(side)], BoundaryOptions{})) {
        if (Inside(angles.inside, static_cast<std::size_t>(side), row.row)) continue;
        boundary_px.emplace_back(UprightPx(Model(p), row.row, side, row.out_px));
      }
      return boundary_px;
    };
    const AngleDoubts doubts = DoubtsOf(angles, setup_.camera, result_.near_mm, result_.far_mm,
                                        0.5 * view_.exit_diameter_mm.value, boundary_of_part);
    for (Flag flag : doubts.flags) {
      flag.point = static_cast<int>(p);
      flag.quantity = "half_angle_deg";
      result_.flags.push_back(std::move(flag));
    }
    if (doubts.no_cone) {
      ++crooked_;
      point.half_angle.reset();
      point.apparent_half_angle_deg.reset();
      return;
    }
    if (result_.has_scale) Origin(p, angles);
    Sheet(p, angles);
    const std::size_t n = points_[p].size();
    for (std::size_t k = 0; k < n; ++k) {
      if (!angles.frame_found[k]) continue;
      FrameAngle frame;
      frame.t_s = kept_.time_s[points_[p][k]];
      frame.left_deg = static_cast<float>(angles.frame_left_deg[k]);
      frame.right_deg = static_cast<float>(angles.frame_right_deg[k]);
      if (result_.has_scale && p < frame_breakup_.size() && k < frame_breakup_[p].size()) {
        frame.breakup_mm = static_cast<float>(frame_breakup_[p][k]);
      }
      const FrameRecord& head = Spool(p).Head(points_[p][k]);
      frame.gain = head.gain;
      frame.shift_x_px = head.shift_x_px;
      frame.shift_y_px = head.shift_y_px;
      point.series.push_back(frame);
    }
    Swing(p, angles.frame_swing.Any());
  }

  // Does the half angle swing at a rate of its own?
  void Swing(std::size_t p, bool taken_out) {
    SprayPoint& point = result_.points[p];
    HalfAngleSwing swing = FindSwing(point.series, pace_known_);
    point.steadiness = swing.steadiness;
    point.pulsation = swing.pulsation;
    if (taken_out)
      swing.words += swing.pulsation
                         ? "; it is taken out of the half angle"
                         : "; a swing too slow or too short to report is taken out of the half angle";
    AddFlag(p, swing.pulsation ? "pulsation_found" : "no_pulsation", Severity::kInfo, "pulsation",
            std::move(swing.words), std::move(swing.advice));
  }

  // Below the end of the sheet; one decoding for all points.
  void BelowSheet() {
    const auto not_read = [&](std::size_t p, const std::string& no_grain, const std::string& not_even) {
      if (!no_grain.empty()) {
        AddFlag(p, "grain_not_read", Severity::kInfo, "grain", no_grain,
                "frame the spray to about twice its breakup length, with some air beside it");
      }
      if (!not_even.empty()) {
        AddFlag(
            p, "evenness_not_read", Severity::kInfo, "evenness", not_even,
            "light the spray evenly from behind, and frame it to about twice its breakup length, with air on "
            "both sides");
      }
    };
    std::vector<BelowSheetRequest> requests;
    std::vector<std::size_t> asked;
    for (std::size_t p = 0; p < points_.size(); ++p) {
      if (!result_.points[p].half_angle) continue;
      const BreakupResult& end = breakups_[p];
      if (!end.reading) {
        constexpr const char* kUnknown = "where the sheet ends is not known";
        not_read(p, kUnknown, kUnknown);
        continue;
      }
      BelowSheetRequest& request = requests.emplace_back();
      asked.push_back(p);
      request.model = &Model(p);
      request.side = SidesOf(p);
      request.breakup_px = end.reading->length * setup_.camera.px_per_mm;
      request.px_per_mm = setup_.camera.px_per_mm;
      if (result_.has_scale) request.u_px_per_mm = result_.px_per_mm->u;
      for (const std::size_t k : points_[p]) {
        request.frames.push_back(Spool(p).Head(k).index);
        request.time_s.push_back(kept_.time_s[k]);
      }
    }
    std::vector<BelowSheetResult> results = ReadBelowSheet(kept_.path, view_, requests, kept_.threads);
    for (std::size_t i = 0; i < asked.size(); ++i) {
      SprayPoint& point = result_.points[asked[i]];
      not_read(asked[i], results[i].grain.why, results[i].evenness.why);
      point.grain = std::move(results[i].grain.grain);
      point.evenness = std::move(results[i].evenness.evenness);
      const auto px_per_mm =
          result_.has_scale ? std::optional(result_.px_per_mm->value) : std::optional<double>();
      DropSizing& drops = results[i].drops;
      if (auto flag = RemarkOnDropsBelow(drops, px_per_mm, static_cast<int>(asked[i])))
        result_.flags.push_back(std::move(*flag));
      if (drops.verdict != DropVerdict::kNotResolvable && px_per_mm) point.drops = std::move(drops);
    }
  }

  // The fitted lines as rows are read.
  std::array<GuessLine, 2> SidesOf(std::size_t p) const {
    const ClipModel& model = Model(p);
    std::array<GuessLine, 2> sides;
    for (const std::size_t side : {0U, 1U}) {
      const cv::Point2f* line = side == 0 ? result_.points[p].line_left : result_.points[p].line_right;
      const cv::Point2d near = Apply(model.reading.reading_from_upright, cv::Point2d(line[0]));
      const cv::Point2d far = Apply(model.reading.reading_from_upright, cv::Point2d(line[1]));
      sides[side].slope = (far.x - near.x) / (far.y - near.y);
      sides[side].at_exit_px = near.x - sides[side].slope * (near.y - model.exit_px.y);
    }
    return sides;
  }

  // Waves that the edges show.
  void Waves(std::size_t p) {
    if (!result_.points[p].half_angle || !result_.has_scale || !pace_known_) return;
    const double end_mm = p < sheet_end_mm_.size() ? sheet_end_mm_[p] : 0.0;
    EdgeWaveRequest request;
    request.spool = &Spool(p);
    request.frames = points_[p];
    request.time_s = kept_.time_s;
    request.interval_s = kept_.frame_interval_s;
    for (int row = 0; row < Spool(p).Rows(); ++row)
      request.z_mm.push_back(RowDistanceMm(kept_.model, setup_, row));
    constexpr double kFromEnd = 0.3, kToEnd = 0.9;
    request.from_mm =
        end_mm > 0.0 ? std::max(view_.exit_diameter_mm.value, kFromEnd * end_mm) : result_.near_mm;
    request.to_mm = end_mm > 0.0 ? kToEnd * end_mm : result_.far_mm;
    request.px_per_mm = setup_.camera.px_per_mm;
    request.u_px_per_mm = result_.px_per_mm->u;
    request.picture_height_px = kept_.model.reading.height_px;
    request.rows_one_after_another = kept_.model.format.transfer != Transfer::kLinear;
    EdgeWaveResult waves = ReadEdgeWaves(request, EdgeWaveOptions{});
    if (!waves.waves) {
      AddFlag(p, "sheet_waves_not_read", Severity::kInfo, "sheet_waves", waves.why,
              "film closer and sharper, with a shorter exposure");
    }
    result_.points[p].waves = std::move(waves.waves);
  }

  void Origin(std::size_t p, const ConeAngles& angles) {
    const double px_per_mm = setup_.camera.px_per_mm;
    const double u_exit_px = view_.exit_y_px ? view_.exit_y_px->u : kept_.model.u_exit_px;
    auto doubt = OriginDoubt(angles, px_per_mm, result_.near_mm, result_.far_mm,
                             0.5 * view_.exit_diameter_mm.value, u_exit_px / px_per_mm);
    if (!doubt) return;
    doubt->point = static_cast<int>(p);
    doubt->quantity = "breakup_mm";
    result_.flags.push_back(std::move(*doubt));
  }

  // An angle against the nozzle's axis, in a picture that turns.
  Quantity Turned(const Quantity& angle) const {
    if (!kept_.motion) return angle;
    std::vector<Contribution> budget = angle.budget;
    budget.push_back({kMotionSource, kept_.motion->u_turn_deg, Shared::kClip});
    return calib::Combine(angle.value, std::move(budget));
  }

  void Sheet(std::size_t p, const ConeAngles& angles) {
    SprayPoint& point = result_.points[p];
    const std::optional<double> end =
        p < sheet_end_mm_.size() && sheet_end_mm_[p] > 0.0 ? std::optional(sheet_end_mm_[p]) : std::nullopt;
    std::optional<SheetAngles> sheet;
    std::string why = "the end of the sheet is not known";
    if (end && result_.far_mm > *end) {
      why = "the stations reach beyond the end of the sheet";
    } else if (end) {
      SheetFitOptions options;
      const Stated& exit = view_.exit_diameter_mm;
      options.u_r0_of_exit = std::hypot(options.u_r0_of_exit, options.r0_of_exit * exit.u / exit.value);
      sheet = FitSheet(Model(p), Spool(p), points_[p], PartsOf(p), setup_, angles, result_.near_mm,
                       result_.far_mm, *end, 0.5 * exit.value, options);
      why = "too few rows show both edges from the exit to the end of the sheet";
    }
    if (!sheet) {
      for (const char* quantity : {"sheet_half_angle_deg", "cone_half_angle_deg"}) {
        AddFlag(p, "sheet_not_modelled", Severity::kInfo, quantity, why, "");
      }
      return;
    }
    // What perspective and tilt do to the visible boundary they do to the sheet.
    const double plane_deg = 0.5 * (std::atan(-angles.slope[0]) + std::atan(angles.slope[1])) * 180.0 / CV_PI;
    const double to_space = angles.mean_deg.value - plane_deg;
    // The line's own scatter is not the sheet's, which rests on other rows.
    const auto budget = [&](double u_model_deg, const std::optional<double>& u_statistics_deg) {
      std::vector<Contribution> all;
      for (const Contribution& c : angles.mean_deg.budget) {
        // How the boundary is defined is no doubt of the sheet, whose model has its own.
        const bool of_boundary =
            c.shared == Shared::kModel || (c.shared == Shared::kFrames && u_statistics_deg);
        if (!of_boundary) all.push_back(c);
      }
      if (u_statistics_deg) {
        all.push_back({"scatter between blocks of frames", *u_statistics_deg, Shared::kFrames});
      }
      all.push_back({"sheet model", u_model_deg, Shared::kModel});
      return all;
    };
    std::vector<Contribution> line = budget(sheet->u_line_deg, sheet->u_statistics_line_deg);
    std::vector<Contribution> asymptote = budget(sheet->u_asymptote_deg, sheet->u_statistics_asymptote_deg);
    point.sheet_half_angle_deg = calib::Combine(sheet->line_deg + to_space, std::move(line));
    point.cone_half_angle_deg = calib::Combine(sheet->asymptote_deg + to_space, std::move(asymptote));
  }

  void Picture(std::size_t p) {
    if (points_[p].empty()) return;
    SprayPoint& point = result_.points[p];
    const calib::ConeProjection projection(setup_.camera);
    for (const Front& f : front_) {
      if (f.point != p) continue;
      const double part = static_cast<double>(RayPart(f.ray));
      const int side = part < 0.0 ? kLeftSide : kRightSide;
      const GuessLine& guess = Model(p).guess[static_cast<std::size_t>(side)];
      const double dy = f.z_mm * setup_.camera.px_per_mm;
      const double y = kept_.model.exit_px.y + dy;
      const double axis = kept_.model.AxisX(y);
      const double x = axis + std::abs(part) * (guess.X(dy) - axis);
      const cv::Point2d px = Apply(kept_.model.reading.upright_from_reading, {x, y});
      point.breakup_front.emplace_back(static_cast<float>(px.x), static_cast<float>(px.y));
    }
    const auto frame = [&](std::size_t k) { return kept_.spool.Head(points_[p][k]).index; };
    const std::size_t middle = points_[p].size() / 2;
    point.still = kept_.stills->Nearest(frame(0), frame(points_[p].size() - 1), frame(middle));
    if (point.still.empty()) {
      stills_.push_back(static_cast<std::size_t>(frame(middle)));
      still_of_.push_back(p);
    }
  }

  // A point too short to hold one of the kept pictures: its frame is decoded again.
  void MissingPictures() {
    if (stills_.empty()) return;
    const std::vector<cv::Mat> stills = TakeStills(kept_.path, view_, kept_.model.format, stills_);
    for (std::size_t k = 0; k < stills.size(); ++k) result_.points[still_of_[k]].still = stills[k];
  }

  struct Front {
    std::size_t point;
    int ray;
    double z_mm;
  };

  const ClipReading::Kept& kept_;
  const View& view_;
  std::vector<TimeSpan> spans_;
  CameraSetup setup_;
  SprayMeasurement result_;
  std::vector<std::vector<std::size_t>> points_;
  std::vector<std::vector<double>> frame_breakup_;
  std::vector<Front> front_;
  bool pace_known_ = true;
  int crooked_ = 0;  // points without straight sides
  std::vector<double> sheet_end_mm_;
  std::optional<double> shortest_mm_, lower_mm_;
  std::array<double, 2> level_{1.0, 1.0};  // the clip's reference level
  std::vector<PointStage> stages_;
  std::vector<BreakupResult> breakups_;
  std::vector<std::size_t> stills_, still_of_;
};

}  // namespace

SprayMeasurement MeasureSpray(const ClipReading& reading, const View& view, std::vector<TimeSpan> spans) {
  return Measurer(reading, view, std::move(spans)).Measure();
}

}  // namespace conebook::vision

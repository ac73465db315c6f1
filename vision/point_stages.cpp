#include "vision/point_stages.h"

#include <algorithm>
#include <cmath>
#include <numbers>
#include <utility>

#include "vision/cone_guess.h"
#include "vision/outline.h"
#include "vision/read_pipeline.h"
#include "vision/statistics.h"

namespace conebook::vision {
namespace {

constexpr std::size_t kOutlineFrames = 12;  // of a stretch, read without a guess
constexpr std::size_t kSpoolFrames = 48;    // of a stretch, from its records
constexpr double kSheetPart = 0.95;         // of the sheet's length: beyond, its ragged end
constexpr double kLeastConeDeg = 5.0;

double HalfAngleDeg(const ClipModel& model) {
  return 0.5 *
         (std::atan(model.axis_slope - model.guess[0].slope) +
          std::atan(model.guess[1].slope - model.axis_slope)) *
         180.0 / std::numbers::pi;
}

std::vector<std::int64_t> Evenly(std::int64_t first, std::int64_t last, std::size_t most) {
  std::vector<std::int64_t> picked;
  for (const std::size_t k :
       EvenIndices(static_cast<std::size_t>(std::max<std::int64_t>(0, last - first + 1)), most))
    picked.push_back(first + static_cast<std::int64_t>(k));
  return picked;
}

// Width of the spray against the guess, median over the frames in which both sides were found; 0: in fewer
// than half.
double WidthAgainstGuess(const RecordSpool& spool, const std::vector<std::size_t>& frames) {
  std::vector<double> widths;
  for (const std::size_t f : frames) {
    if (spool.Head(f).width > 0.0F) widths.push_back(static_cast<double>(spool.Head(f).width));
  }
  return 2 * widths.size() < frames.size() || widths.empty() ? 0.0 : MedianInPlace(widths);
}

// Read takes no edge below 0.6 of the guess and no column beyond 1.3 of it: well within, it follows the
// spray.
bool GuessFits(const RecordSpool& spool, const std::vector<std::size_t>& frames) {
  const double width = WidthAgainstGuess(spool, frames);
  return width > 0.8 && width < 1.2;
}

StageReading FromRecords(const ClipModel& model, const View& view, const RecordSpool& spool,
                         const std::vector<std::size_t>& frames, double sheet_end_px) {
  const double far_px = sheet_end_px > 0.0 ? kSheetPart * sheet_end_px : 1e9;
  return StageOf(OutlineOf(model, view, spool, frames, far_px, kSpoolFrames), StageOptions{});
}

// Two readings of one stretch: from the clip's records, which know where the sheet ends, and without a guess,
// which know what lies beyond.
StageReading Agreed(const StageReading& records, const StageReading& outline) {
  if (outline.stage == SprayStage::kOnion || outline.stage == SprayStage::kDistortedPencil ||
      outline.stage == SprayStage::kDribble) {
    return outline;
  }
  // Cut off where the sheet was thought to end, records can tell of the sides only.
  const bool sides =
      !records.stage || records.stage == SprayStage::kTulip || records.stage == SprayStage::kFullyDeveloped;
  if (!sides || records.bend == 0.0) return outline;
  if (records.stage == SprayStage::kTulip && outline.stage == SprayStage::kFullyDeveloped) {
    StageReading unclear = records;
    unclear.stage.reset();
    unclear.undeveloped = unclear.hollow = false;
    unclear.why += ", but not those of the whole outline";
    return unclear;
  }
  return records;
}

class Stages {
 public:
  Stages(const ClipReading::Kept& kept, const View& view, const std::vector<std::vector<std::size_t>>& frames)
      : kept_(kept), view_(view), frames_(frames), points_(frames.size()) {}

  std::vector<PointStage> Run(const std::vector<double>& sheet_end_px) {
    std::vector<std::vector<std::int64_t>> wanted(frames_.size());
    std::vector<bool> fits(frames_.size(), false);
    for (std::size_t p = 0; p < frames_.size(); ++p) {
      if (frames_[p].empty()) continue;
      fits[p] = !kept_.outline_only && GuessFits(kept_.spool, frames_[p]);
      points_[p].followed = fits[p];
      if (fits[p]) {
        points_[p].reading = FromRecords(kept_.model, view_, kept_.spool, frames_[p], sheet_end_px[p]);
        if (points_[p].reading.stage == SprayStage::kFullyDeveloped) continue;
      }
      for (const std::size_t k : EvenIndices(frames_[p].size(), kOutlineFrames))
        wanted[p].push_back(kept_.spool.Head(frames_[p][k]).index);
    }
    std::vector<std::optional<ClipModel>> cones(frames_.size());
    TakeFrames(kept_.path, view_, wanted, kept_.threads,
               [&](std::size_t p, const std::vector<LumaFrame>& frames) {
                 ClipModel wide = kept_.model;
                 const StageReading outline =
                     StageOf(OutlineOf(wide, view_, ReadWithoutGuess(frames, wide)), StageOptions{});
                 const StageReading records = points_[p].reading;
                 points_[p].reading = fits[p] ? Agreed(records, outline) : outline;
                 if (!records.stage && outline.shapeless) points_[p].reading = outline;
                 const bool sheet = outline.stage == SprayStage::kFullyDeveloped || outline.bend > 0.0;
                 const bool somehow = !kept_.outline_only && WidthAgainstGuess(kept_.spool, frames_[p]) > 0.0;
                 points_[p].followed = (fits[p] && !points_[p].reading.shapeless) || (sheet && somehow);
                 if (fits[p] || outline.undeveloped) return;
                 ClipModel cone = kept_.model;
                 if (GuessCone(frames, cone) && HalfAngleDeg(cone) > kLeastConeDeg)
                   cones[p] = std::move(cone);
               });
    for (std::size_t p = 0; p < frames_.size(); ++p) {
      if (cones[p]) ReadAnew(p, std::move(*cones[p]));
    }
    return std::move(points_);
  }

 private:
  void ReadAnew(std::size_t p, ClipModel model) {
    std::shared_ptr<const OwnReading> own;
    for (const auto& other : own_) {
      if (GuessFits(other->spool, frames_[p])) own = other;
    }
    if (!own) {
      auto fresh = std::make_shared<OwnReading>();
      fresh->model = std::move(model);
      fresh->spool = RecordSpool(fresh->model.rows, (fresh->model.rows + kRayRowStep - 1) / kRayRowStep);
      ReadOptions options;
      options.threads = kept_.threads;
      StillKeeper stills(fresh->model.format);
      ReadAllFrames(kept_.path, view_, fresh->model, options, fresh->spool, stills);
      if (!GuessFits(fresh->spool, frames_[p])) return;
      own_.push_back(fresh);
      own = std::move(fresh);
    }
    const StageReading outline = points_[p].reading;
    const StageReading records = FromRecords(own->model, view_, own->spool, frames_[p], 0.0);
    // Where the outline shows no sheet, a guess may have followed noise: what it followed must then be a cone
    // by itself.
    const bool sheet = outline.stage == SprayStage::kFullyDeveloped || outline.bend > 0.0;
    if (!sheet && records.stage != SprayStage::kFullyDeveloped) return;
    points_[p].reading = sheet ? Agreed(records, outline) : records;
    points_[p].own = std::move(own);
    points_[p].followed = true;
  }

  const ClipReading::Kept& kept_;
  const View& view_;
  const std::vector<std::vector<std::size_t>>& frames_;
  std::vector<PointStage> points_;
  std::vector<std::shared_ptr<const OwnReading>> own_;
};

// Lines that enclose an outline.
void Enclose(const Outline& outline, ClipModel& model) {
  double slope = 0.1;
  for (const OutlineRow& row : outline.rows) {
    if (row.found < 0.5 || row.z < model.exit_diameter_px) continue;
    slope = std::max(slope, (std::max(row.left, row.right) - outline.exit_radius) / row.z);
  }
  slope = std::min(slope, 4.0);
  model.guess[0] = {model.exit_px.x - outline.exit_radius, model.axis_slope - slope};
  model.guess[1] = {model.exit_px.x + outline.exit_radius, model.axis_slope + slope};
}

}  // namespace

std::vector<PointStage> StagesOfPoints(const ClipReading::Kept& kept, const View& view,
                                       const std::vector<std::vector<std::size_t>>& frames,
                                       const std::vector<double>& sheet_end_px) {
  return Stages(kept, view, frames).Run(sheet_end_px);
}

std::optional<SecondLook> LookAgain(const std::string& path, const View& view, const ClipModel& model,
                                    std::int64_t first_spray_frame, std::int64_t frames, int threads) {
  constexpr std::int64_t kParts = 8;
  constexpr std::size_t kFramesOfPart = 6;
  constexpr int kLeastUndeveloped = 2;  // parts: one alone may be someone walking past
  if (model.background.empty() || model.rows < 24) return std::nullopt;
  std::vector<std::vector<std::int64_t>> wanted;
  std::vector<std::pair<std::int64_t, std::int64_t>> range;
  for (std::int64_t k = 0; k < kParts; ++k) {
    const std::int64_t span = frames - first_spray_frame;
    range.emplace_back(first_spray_frame + k * span / kParts,
                       first_spray_frame + (k + 1) * span / kParts - 1);
    wanted.push_back(Evenly(range.back().first, range.back().second, kFramesOfPart));
  }
  std::optional<SecondLook> cone;
  std::optional<SecondLook> closed;
  int undeveloped = 0;
  TakeFrames(path, view, wanted, threads, [&](std::size_t part, const std::vector<LumaFrame>& taken) {
    ClipModel wide = model;
    const Outline outline = OutlineOf(wide, view, ReadWithoutGuess(taken, wide));
    const StageReading stage = StageOf(outline, StageOptions{});
    if (stage.hollow) {
      ++undeveloped;
      if (!closed) {
        closed = SecondLook{wide, false, 0, 0};
        Enclose(outline, closed->model);
      }
    }
    ClipModel guess = model;
    if (stage.stage != SprayStage::kFullyDeveloped || !GuessCone(taken, guess) ||
        HalfAngleDeg(guess) < kLeastConeDeg)
      return;
    if (!cone || HalfAngleDeg(guess) > HalfAngleDeg(cone->model))
      cone = SecondLook{std::move(guess), true, range[part].first, range[part].second};
  });
  if (cone) return cone;
  return undeveloped >= kLeastUndeveloped ? closed : std::nullopt;
}

}  // namespace conebook::vision

#include "vision/evenness_reader.h"

#include <algorithm>
#include <cmath>
#include <utility>

#include "vision/absorbance.h"
#include "vision/evenness_reduction.h"
#include "vision/read_frame.h"
#include "vision/reading_frame.h"
#include "vision/statistics.h"

namespace conebook::vision {
namespace {

constexpr std::int16_t kOutside = -1;

}  // namespace

EvennessReader::EvennessReader(EvennessRequest request, const EvennessOptions& options)
    : request_(std::move(request)), options_(options) {
  LayOut();
}

void EvennessReader::LayOut() {
  const ClipModel& model = *request_.model;
  if (model.illumination == Illumination::kFrontlit) {
    why_ = "in front light what is bright hangs on the lamp: extinction is read in back light only";
    return;
  }
  if (const auto none = WhyNoAbsorbance(model)) {
    why_ = *none;
    return;
  }
  if (request_.frames.size() < static_cast<std::size_t>(options_.least_frames)) {
    why_ = "too few frames";
    return;
  }
  const double last = model.reading.height_px - 3.0 - model.exit_px.y;
  from_px_ = options_.from_of_breakup * request_.breakup_px;
  const double least = options_.least_of_breakup * request_.breakup_px;
  // Half widths in view at a distance below the exit.
  const auto in_view = [&](double dy) {
    const double left = request_.side[0].X(dy);
    const double right = request_.side[1].X(dy);
    const double half = 0.5 * (right - left);
    const double room =
        std::min(0.5 * (left + right) - 2.0, model.reading.width_px - 3.0 - 0.5 * (left + right));
    return half > 0.0 ? room / half : 0.0;
  };
  to_px_ = std::min(last, options_.to_of_breakup * request_.breakup_px);
  while (to_px_ - from_px_ > least && in_view(to_px_) < options_.least_part) to_px_ -= 1.0;
  if (to_px_ - from_px_ < least || in_view(to_px_) < options_.least_part) {
    why_ = to_px_ - from_px_ < least
               ? "too little of the spray is in view below the end of its sheet"
               : "too little of the picture lies beside the spray below the end of its sheet";
    return;
  }
  at_px_ = 0.5 * (from_px_ + to_px_);
  most_part_ = std::min({options_.most_part, in_view(from_px_), in_view(to_px_)});
  const double half_above = 0.5 * (request_.side[1].X(from_px_) - request_.side[0].X(from_px_));
  cells_ = std::clamp(static_cast<int>(most_part_ * half_above / 2.0), 20, options_.most_cells / 2) * 2;
  if (half_above < 15.0) {
    why_ = "the spray is too narrow in the picture";
    return;
  }
  const int y0 = static_cast<int>(std::lround(model.exit_px.y + from_px_));
  const int y1 = static_cast<int>(std::lround(model.exit_px.y + to_px_));
  for (int y = y0; y < y1; ++y) {
    const double dy = y - model.exit_px.y;
    const double left = request_.side[0].X(dy);
    const double right = request_.side[1].X(dy);
    const double middle = 0.5 * (left + right);
    const double half = 0.5 * (right - left);
    Row row;
    row.y = y;
    row.x0 = std::max(0, static_cast<int>(std::ceil(middle - most_part_ * half)));
    for (int x = row.x0; x < model.reading.width_px; ++x) {
      const double place = ((x - middle) / half + most_part_) / (2.0 * most_part_) * cells_;
      if (place >= cells_) break;
      row.cell.push_back(place < 0.0 ? kOutside : static_cast<std::int16_t>(place));
    }
    rows_.push_back(std::move(row));
  }
}

std::vector<FrameVisit> EvennessReader::Visits() {
  if (!why_.empty()) return {};
  return EvenVisits(request_.frames, options_.most_frames, [this](const LumaFrame& frame) { Take(frame); });
}

void EvennessReader::Take(const LumaFrame& frame) {
  if (!why_.empty()) return;
  const ClipModel& model = *request_.model;
  cv::Mat turned, turned_again;
  const RowsView view = ViewRows(model.reading, model.format, frame, turned, turned_again);
  std::vector<float> work;
  const float per_gain = 1.0F / FrameGain(model, view, work);
  const auto n = static_cast<std::size_t>(cells_);
  std::array<std::vector<double>, kStrips> light, pixels;
  for (std::size_t strip = 0; strip < kStrips; ++strip) {
    light[strip].assign(n, 0.0);
    pixels[strip].assign(n, 0.0);
  }
  for (std::size_t r = 0; r < rows_.size(); ++r) {
    const Row& row = rows_[r];
    std::vector<double>& sum = light[kStrips * r / rows_.size()];
    std::vector<double>& count = pixels[kStrips * r / rows_.size()];
    const float* field = model.field[row.y];
    for (std::size_t k = 0; k < row.cell.size(); ++k) {
      if (row.cell[k] == kOutside) continue;
      const auto x = static_cast<std::size_t>(row.x0) + k;
      const std::size_t code =
          model.format.bits > 8 ? view.Row<std::uint16_t>(row.y)[x] : view.Row<std::uint8_t>(row.y)[x];
      const auto cell = static_cast<std::size_t>(row.cell[k]);
      sum[cell] += static_cast<double>(model.light[code] * per_gain * field[x]);
      count[cell] += 1.0;
    }
  }
  constexpr double kDarkest = 0.005;
  Cells cells;
  for (std::size_t strip = 0; strip < kStrips; ++strip) {
    cells.absorbance[strip].resize(n);
    for (std::size_t k = 0; k < n; ++k)
      cells.absorbance[strip][k] =
          -std::log(std::max(kDarkest, light[strip][k] / std::max(1.0, pixels[strip][k])));
  }
  taken_.push_back(std::move(cells));
}

EvennessResult EvennessReader::Result() const {
  if (!why_.empty()) return {std::nullopt, why_};
  if (taken_.size() < static_cast<std::size_t>(options_.least_frames))
    return {std::nullopt, "too few frames"};
  MeanProfiles reduced;
  reduced.most_part = most_part_;
  reduced.at_px = at_px_;
  const auto mean = [&](std::size_t from, std::size_t to, std::size_t strip0, std::size_t strip1) {
    std::vector<double> sum(static_cast<std::size_t>(cells_), 0.0);
    const double all = static_cast<double>((to - from) * (strip1 - strip0));
    for (std::size_t f = from; f < to; ++f) {
      for (std::size_t strip = strip0; strip < strip1; ++strip) {
        for (std::size_t k = 0; k < sum.size(); ++k) sum[k] += taken_[f].absorbance[strip][k] / all;
      }
    }
    return sum;
  };
  reduced.whole.all = mean(0, taken_.size(), 0, kStrips);
  for (std::size_t strip = 0; strip < kStrips; ++strip)
    reduced.strips.push_back(mean(0, taken_.size(), strip, strip + 1));
  for (const Block& block : ContiguousBlocks(taken_.size(), options_.blocks, 3))
    reduced.whole.blocks.push_back(mean(block.first, block.last, 0, kStrips));
  Evenness evenness;
  evenness.from_mm = from_px_ / request_.px_per_mm;
  evenness.to_mm = to_px_ / request_.px_per_mm;
  evenness.at_mm = at_px_ / request_.px_per_mm;
  evenness.frames = static_cast<int>(taken_.size());
  return ReduceEvenness(request_, options_, std::move(reduced), std::move(evenness));
}

}  // namespace conebook::vision

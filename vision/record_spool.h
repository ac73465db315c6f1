// Frame records on disk while a clip is being read: an unlinked temporary file, so that memory stays flat and
// nothing is left behind whatever happens. A short header of each frame stays in memory.
#pragma once

#include <cstdint>
#include <vector>

#include "vision/frame_record.h"

namespace conebook::vision {

// [ray row][ray] of one frame, in the record's units.
struct RayValues {
  std::vector<std::int16_t> signal;
  std::vector<std::uint16_t> texture;
  std::vector<std::int16_t> detail;
};

class RecordSpool {
 public:
  RecordSpool() = default;
  RecordSpool(int rows, int ray_rows);
  RecordSpool(RecordSpool&&) noexcept;
  RecordSpool& operator=(RecordSpool&&) noexcept;
  ~RecordSpool();

  // Throws calib::InputError where the temporary folder is full or not writable.
  void Append(const FrameRecord& record);

  std::size_t Frames() const { return heads_.size(); }
  // Everything but the vectors.
  const FrameRecord& Head(std::size_t frame) const { return heads_[frame]; }

  int Rows() const { return rows_; }
  int RayRows() const { return ray_rows_; }

  // Edges of rows [row0, row1) of one frame: [(row - row0) * 2 * kLadder ...].
  void ReadEdges(std::size_t frame, int row0, int row1, std::vector<std::int16_t>& edges) const;
  void ReadPeaks(std::size_t frame, std::vector<std::uint8_t>& peaks) const;
  void ReadRays(std::size_t frame, RayValues& rays) const;

 private:
  void ReadAt(std::size_t frame, std::size_t offset, void* to, std::size_t bytes) const;

  int file_ = -1;
  int rows_ = 0, ray_rows_ = 0;
  std::size_t edge_bytes_ = 0, peak_bytes_ = 0, ray_bytes_ = 0, record_bytes_ = 0;
  std::vector<FrameRecord> heads_;
  std::vector<std::uint8_t> blob_;
};

}  // namespace conebook::vision

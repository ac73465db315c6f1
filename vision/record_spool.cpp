#include "vision/record_spool.h"

#include <cerrno>
#include <cstdlib>
#include <cstring>
#include <string>
#include <utility>

#include <unistd.h>

#include <calib/error.h>

namespace conebook::vision {
namespace {

calib::InputError SpoolError(const std::string& what) {
  return calib::InputError("temporary folder: " + what + ": " + std::strerror(errno) +
                           "; free some space there, or set TMPDIR to another folder");
}

}  // namespace

RecordSpool::RecordSpool(int rows, int ray_rows) : rows_(rows), ray_rows_(ray_rows) {
  edge_bytes_ = static_cast<std::size_t>(rows) * 2 * kLadder * sizeof(std::int16_t);
  peak_bytes_ = static_cast<std::size_t>(rows) * 2;
  ray_bytes_ = static_cast<std::size_t>(ray_rows) * kRays * sizeof(std::int16_t);
  record_bytes_ = edge_bytes_ + peak_bytes_ + 3 * ray_bytes_;
  blob_.resize(record_bytes_);
  const char* folder = std::getenv("TMPDIR");
  std::string name = std::string(folder != nullptr && *folder != '\0' ? folder : "/tmp") + "/conebook-XXXXXX";
  file_ = mkstemp(name.data());
  if (file_ < 0) throw SpoolError("cannot make a file");
  unlink(name.c_str());
}

RecordSpool::RecordSpool(RecordSpool&& other) noexcept {
  *this = std::move(other);
}

RecordSpool& RecordSpool::operator=(RecordSpool&& other) noexcept {
  std::swap(file_, other.file_);
  std::swap(rows_, other.rows_);
  std::swap(ray_rows_, other.ray_rows_);
  std::swap(edge_bytes_, other.edge_bytes_);
  std::swap(peak_bytes_, other.peak_bytes_);
  std::swap(ray_bytes_, other.ray_bytes_);
  std::swap(record_bytes_, other.record_bytes_);
  std::swap(heads_, other.heads_);
  std::swap(blob_, other.blob_);
  return *this;
}

RecordSpool::~RecordSpool() {
  if (file_ >= 0) close(file_);
}

void RecordSpool::Append(const FrameRecord& record) {
  std::uint8_t* out = blob_.data();
  std::memcpy(out, record.edge.data(), edge_bytes_);
  std::memcpy(out + edge_bytes_, record.peak.data(), peak_bytes_);
  std::memcpy(out + edge_bytes_ + peak_bytes_, record.ray_signal.data(), ray_bytes_);
  std::memcpy(out + edge_bytes_ + peak_bytes_ + ray_bytes_, record.ray_texture.data(), ray_bytes_);
  std::memcpy(out + edge_bytes_ + peak_bytes_ + 2 * ray_bytes_, record.ray_detail.data(), ray_bytes_);
  std::size_t done = 0;
  const off_t start = static_cast<off_t>(heads_.size() * record_bytes_);
  while (done < record_bytes_) {
    const ssize_t wrote = pwrite(file_, out + done, record_bytes_ - done, start + static_cast<off_t>(done));
    if (wrote < 0 && errno == EINTR) continue;
    if (wrote <= 0) throw SpoolError("cannot write");
    done += static_cast<std::size_t>(wrote);
  }
  FrameRecord head;
  head.index = record.index;
  head.stamp_s = record.stamp_s;
  head.gain = record.gain;
  head.shift_x_px = record.shift_x_px;
  head.shift_y_px = record.shift_y_px;
  head.ln_scale = record.ln_scale;
  head.roll_rad = record.roll_rad;
  head.miss_px = record.miss_px;
  head.plain_miss_px = record.plain_miss_px;
  head.nozzle_x_px = record.nozzle_x_px;
  head.nozzle_y_px = record.nozzle_y_px;
  head.clipped_share = record.clipped_share;
  head.clipped_outside_share = record.clipped_outside_share;
  head.found_share = record.found_share;
  head.width = record.width;
  head.corrupt = record.corrupt;
  head.tainted = record.tainted;
  head.changed = record.changed;
  heads_.push_back(std::move(head));
}

void RecordSpool::ReadAt(std::size_t frame, std::size_t offset, void* to, std::size_t bytes) const {
  std::size_t done = 0;
  const auto start = static_cast<off_t>(frame * record_bytes_ + offset);
  while (done < bytes) {
    const ssize_t got =
        pread(file_, static_cast<std::uint8_t*>(to) + done, bytes - done, start + static_cast<off_t>(done));
    if (got < 0 && errno == EINTR) continue;
    if (got <= 0) throw SpoolError("cannot read back");
    done += static_cast<std::size_t>(got);
  }
}

void RecordSpool::ReadEdges(std::size_t frame, int row0, int row1, std::vector<std::int16_t>& edges) const {
  const std::size_t per_row = 2 * kLadder;
  edges.resize(static_cast<std::size_t>(row1 - row0) * per_row);
  ReadAt(frame, static_cast<std::size_t>(row0) * per_row * sizeof(std::int16_t), edges.data(),
         edges.size() * sizeof(std::int16_t));
}

void RecordSpool::ReadPeaks(std::size_t frame, std::vector<std::uint8_t>& peaks) const {
  peaks.resize(peak_bytes_);
  ReadAt(frame, edge_bytes_, peaks.data(), peak_bytes_);
}

void RecordSpool::ReadRays(std::size_t frame, RayValues& rays) const {
  const std::size_t cells = static_cast<std::size_t>(ray_rows_) * kRays;
  rays.signal.resize(cells);
  rays.texture.resize(cells);
  rays.detail.resize(cells);
  const std::size_t start = edge_bytes_ + peak_bytes_;
  ReadAt(frame, start, rays.signal.data(), ray_bytes_);
  ReadAt(frame, start + ray_bytes_, rays.texture.data(), ray_bytes_);
  ReadAt(frame, start + 2 * ray_bytes_, rays.detail.data(), ray_bytes_);
}

}  // namespace conebook::vision

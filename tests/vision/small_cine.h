// Writes .cine files of a few grey frames: the header's fields that a reader needs, all others zero. Layout
// as in the maker's published description of the format (from memory; a general video library reads the
// files).
#pragma once

#include <cmath>
#include <cstdint>
#include <filesystem>
#include <fstream>
#include <string>
#include <vector>

#include <opencv2/core.hpp>

namespace conebook::tests {

struct SmallCine {
  std::vector<cv::Mat> frames;  // 8-bit or 16-bit
  int real_bits = 8;
  std::uint32_t set_fps = 2000;
  double first_s = 1.8e9;        // since 1970, UTC
  std::vector<double> stamps_s;  // after the first; empty: no stamps are written
};

inline void Put(std::string& bytes, std::size_t at, std::uint64_t value, int size) {
  if (bytes.size() < at + static_cast<std::size_t>(size)) bytes.resize(at + static_cast<std::size_t>(size));
  for (int i = 0; i < size; ++i)
    bytes[at + static_cast<std::size_t>(i)] = static_cast<char>(value >> (8 * i) & 0xFF);
}

inline void WriteCine(const SmallCine& cine, const std::filesystem::path& path) {
  constexpr std::size_t kBitmap = 44, kSetup = kBitmap + 40, kSetupBytes = 5700;
  const std::size_t count = cine.frames.size();
  const int bytes_a_pixel = cine.frames[0].depth() == CV_16U ? 2 : 1;
  const auto width = static_cast<std::size_t>(cine.frames[0].cols);
  const auto height = static_cast<std::size_t>(cine.frames[0].rows);
  const std::size_t image_bytes = width * height * static_cast<std::size_t>(bytes_a_pixel);
  const std::size_t tagged = kSetup + kSetupBytes;
  const std::size_t block = cine.stamps_s.empty() ? 0 : 8 + 8 * count;
  // A block of another kind comes first: readers have to walk.
  const std::size_t exposures = cine.stamps_s.empty() ? 0 : 8 + 4 * count;
  const std::size_t offsets = tagged + exposures + block;
  std::string out(offsets + 8 * count, '\0');
  out[0] = 'C';
  out[1] = 'I';
  Put(out, 2, kBitmap, 2);
  Put(out, 6, 1, 2);  // version
  Put(out, 12, count, 4);
  Put(out, 20, count, 4);
  Put(out, 24, kBitmap, 4);
  Put(out, 28, kSetup, 4);
  Put(out, 32, offsets, 4);
  Put(out, kBitmap, 40, 4);
  Put(out, kBitmap + 4, width, 4);
  Put(out, kBitmap + 8, height, 4);
  Put(out, kBitmap + 12, 1, 2);
  Put(out, kBitmap + 14, static_cast<std::uint64_t>(8 * bytes_a_pixel), 2);
  Put(out, kBitmap + 20, image_bytes, 4);
  out[kSetup + 140] = 'S';
  out[kSetup + 141] = 'T';
  Put(out, kSetup + 142, kSetupBytes, 2);
  Put(out, kSetup + 768, cine.set_fps, 4);
  Put(out, kSetup + 896, static_cast<std::uint64_t>(cine.real_bits), 4);
  if (block > 0) {
    Put(out, tagged, exposures, 4);
    Put(out, tagged + 4, 1003, 2);
    Put(out, tagged + 6, 1, 2);
    Put(out, tagged + exposures, block, 4);
    Put(out, tagged + exposures + 4, 1002, 2);
    for (std::size_t k = 0; k < count; ++k) {
      const double ticks = (cine.first_s + cine.stamps_s[k]) * 4294967296.0;
      Put(out, tagged + exposures + 8 + 8 * k, static_cast<std::uint64_t>(std::llround(ticks)), 8);
    }
  }
  for (std::size_t k = 0; k < count; ++k) {
    const std::size_t at = out.size();
    Put(out, offsets + 8 * k, at, 8);
    Put(out, at, 8, 4);  // of the frame's own annotation: its two sizes, nothing else
    Put(out, at + 4, image_bytes, 4);
    out.resize(at + 8 + image_bytes);
    // Rows from below, as in a bitmap.
    for (std::size_t y = 0; y < height; ++y) {
      const cv::Mat row = cine.frames[k].row(static_cast<int>(height - 1 - y));
      std::copy_n(reinterpret_cast<const char*>(row.data), image_bytes / height,
                  out.begin() + static_cast<std::ptrdiff_t>(at + 8 + y * (image_bytes / height)));
    }
  }
  std::ofstream(path, std::ios::binary) << out;
}

}  // namespace conebook::tests

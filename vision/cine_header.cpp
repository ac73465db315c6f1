#include "vision/cine_header.h"

#include <cmath>
#include <ctime>
#include <fstream>

#include <fmt/chrono.h>
#include <fmt/format.h>

namespace conebook::vision {
namespace {

class LittleEndian {
 public:
  explicit LittleEndian(const std::string& path) : in_(path, std::ios::binary) {}

  // Nothing past the end.
  std::optional<std::uint64_t> At(std::uint64_t offset, int bytes) {
    unsigned char raw[8] = {};
    in_.clear();
    in_.seekg(static_cast<std::streamoff>(offset));
    if (!in_.read(reinterpret_cast<char*>(raw), bytes)) return std::nullopt;
    std::uint64_t value = 0;
    for (int i = bytes - 1; i >= 0; --i) value = value << 8U | raw[i];
    return value;
  }

  std::vector<std::uint64_t> Stamps(std::uint64_t offset, std::uint64_t count) {
    std::vector<std::uint64_t> stamps;
    in_.clear();
    in_.seekg(static_cast<std::streamoff>(offset));
    unsigned char raw[8] = {};
    for (std::uint64_t k = 0; k < count; ++k) {
      if (!in_.read(reinterpret_cast<char*>(raw), sizeof raw)) return {};
      std::uint64_t value = 0;
      for (int i = 7; i >= 0; --i) value = value << 8U | raw[i];
      stamps.push_back(value);
    }
    return stamps;
  }

 private:
  std::ifstream in_;
};

constexpr double kTicksPerSecond = 4294967296.0;

}  // namespace

double CineHeader::SecondsAfterFirst(std::size_t frame) const {
  return static_cast<double>(static_cast<std::int64_t>(stamps[frame] - stamps.front())) / kTicksPerSecond;
}

std::string CineHeader::RecordedAt() const {
  if (stamps.empty()) return {};
  const auto seconds = static_cast<std::time_t>(stamps.front() >> 32U);
  return seconds > 0 ? fmt::format("{:%Y-%m-%dT%H:%M:%SZ}", fmt::gmtime(seconds)) : std::string{};
}

std::optional<CineHeader> ReadCineHeader(const std::string& path) {
  LittleEndian in(path);
  constexpr std::uint64_t kFileMark = 0x4943;   // "CI"
  constexpr std::uint64_t kSetupMark = 0x5453;  // "ST"
  if (in.At(0, 2) != kFileMark) return std::nullopt;
  const auto frames = in.At(20, 4);
  const auto image_header = in.At(24, 4);
  const auto setup = in.At(28, 4);
  const auto offsets = in.At(32, 4);
  if (!frames || !image_header || !setup || !offsets || in.At(*setup + 140, 2) != kSetupMark)
    return std::nullopt;
  const auto setup_bytes = in.At(*setup + 142, 2);
  const auto stored_bits = in.At(*image_header + 14, 2);
  const auto fps = in.At(*setup + 768, 4);
  const auto real_bits = in.At(*setup + 896, 4);
  if (!setup_bytes || !stored_bits || !fps || !real_bits) return std::nullopt;
  CineHeader header;
  header.set_fps = static_cast<double>(*fps);
  header.stored_bits = static_cast<int>(*stored_bits);
  header.real_bits = *real_bits >= 8 && *real_bits <= 16 ? static_cast<int>(*real_bits) : 0;

  // Tagged blocks lie between set-up and image offsets: size, kind, and whether another follows.
  constexpr std::uint64_t kBlockHead = 8, kTimesOfFrames = 1002;
  for (std::uint64_t at = *setup + *setup_bytes; at + kBlockHead <= *offsets;) {
    const auto size = in.At(at, 4);
    const auto kind = in.At(at + 4, 2);
    const auto more = in.At(at + 6, 2);
    if (!size || !kind || !more || *size < kBlockHead || at + *size > *offsets) break;
    if (*kind == kTimesOfFrames && *size >= kBlockHead + 8 * *frames) {
      header.stamps = in.Stamps(at + kBlockHead, *frames);
      break;
    }
    if (*more == 0) break;
    at += *size;
  }
  return header;
}

}  // namespace conebook::vision

#include "src/exif_time.h"

#include <cstdint>
#include <fstream>

namespace conebook::src {
namespace {

// The TIFF block inside the segment. Every read is checked against its end: cameras' blocks are often odd.
class Block {
 public:
  explicit Block(const std::string& bytes) : bytes_(bytes), little_(bytes.front() == 'I') {}

  std::optional<std::uint32_t> Number(std::size_t at, int size) const {
    if (at + static_cast<std::size_t>(size) > bytes_.size()) return std::nullopt;
    std::uint32_t value = 0;
    for (int i = 0; i < size; ++i) {
      const auto byte = static_cast<unsigned char>(bytes_[at + static_cast<std::size_t>(i)]);
      value |= static_cast<std::uint32_t>(byte) << (8 * (little_ ? i : size - 1 - i));
    }
    return value;
  }

  // Where the 12 bytes of a tag's entry stand in the directory at `directory`.
  std::optional<std::size_t> Entry(std::size_t directory, std::uint32_t tag) const {
    const auto count = Number(directory, 2);
    for (std::uint32_t i = 0; count && i < *count; ++i) {
      const std::size_t at = directory + 2 + 12 * static_cast<std::size_t>(i);
      const auto here = Number(at, 2);
      if (!here) return std::nullopt;
      if (*here == tag) return at;
    }
    return std::nullopt;
  }

  std::string Text(std::size_t directory, std::uint32_t tag) const {
    const auto entry = Entry(directory, tag);
    if (!entry) return {};
    const auto length = Number(*entry + 4, 4), elsewhere = Number(*entry + 8, 4);
    if (!length || !elsewhere) return {};
    const std::size_t at = *length > 4 ? *elsewhere : *entry + 8;
    if (at > bytes_.size() || *length > bytes_.size() - at) return {};
    const std::string text = bytes_.substr(at, *length);
    return text.substr(0, text.find('\0'));
  }

 private:
  std::string bytes_;
  bool little_;
};

// The TIFF block of the Exif segment, or nothing.
std::string ExifBlock(const std::string& path) {
  std::ifstream file(path, std::ios::binary);
  const auto two = [&] {
    const int high = file.get(), low = file.get();
    return file ? high * 256 + low : -1;
  };
  constexpr int kStart = 0xffd8, kApp1 = 0xffe1, kFirstSegment = 0xffc0, kScan = 0xffda;
  if (two() != kStart) return {};
  for (int marker = two(); marker >= kFirstSegment && marker != kScan; marker = two()) {
    const int length = two() - 2;
    if (length < 0) return {};
    std::string segment(static_cast<std::size_t>(length), '\0');
    if (!file.read(segment.data(), length)) return {};
    if (marker == kApp1 && segment.rfind(std::string("Exif\0\0", 6), 0) == 0) return segment.substr(6);
  }
  return {};
}

}  // namespace

std::optional<ClockTime> ExifTime(const std::string& path) {
  constexpr std::uint32_t kDateTime = 0x0132, kExifDirectory = 0x8769, kDateTimeOriginal = 0x9003,
                          kOffsetTimeOriginal = 0x9011;
  const std::string bytes = ExifBlock(path);
  constexpr std::size_t kHeader = 8;
  if (bytes.size() < kHeader) return std::nullopt;
  const Block block(bytes);
  const auto first = block.Number(4, 4);
  if (!first) return std::nullopt;
  std::string when, zone;
  if (const auto entry = block.Entry(*first, kExifDirectory)) {
    const std::size_t directory = block.Number(*entry + 8, 4).value_or(0);
    when = block.Text(directory, kDateTimeOriginal);
    zone = block.Text(directory, kOffsetTimeOriginal);
  }
  if (when.empty()) when = block.Text(*first, kDateTime);
  constexpr std::size_t kLength = 19;  // "2031:05:04 12:34:56"
  if (when.size() != kLength) return std::nullopt;
  when[4] = when[7] = '-';
  if (const auto time = ClockTimeIn(when + zone)) return time;
  return ClockTimeIn(when);
}

}  // namespace conebook::src

#include "src/csv_text.h"

#include <cstdint>
#include <filesystem>
#include <fstream>
#include <sstream>

#include <fmt/core.h>

#include <calib/error.h>

namespace conebook::src {
namespace {

void AppendUtf8(std::uint32_t code, std::string& out) {
  if (code < 0x80) {
    out += static_cast<char>(code);
  } else if (code < 0x800) {
    out += static_cast<char>(0xC0 | code >> 6U);
    out += static_cast<char>(0x80 | (code & 0x3FU));
  } else if (code < 0x10000) {
    out += static_cast<char>(0xE0 | code >> 12U);
    out += static_cast<char>(0x80 | (code >> 6U & 0x3FU));
    out += static_cast<char>(0x80 | (code & 0x3FU));
  } else {
    out += static_cast<char>(0xF0 | code >> 18U);
    out += static_cast<char>(0x80 | (code >> 12U & 0x3FU));
    out += static_cast<char>(0x80 | (code >> 6U & 0x3FU));
    out += static_cast<char>(0x80 | (code & 0x3FU));
  }
}

// Surrogates that have lost their other half become the replacement character.
std::string FromUtf16(const std::string& bytes, std::size_t from, bool big_endian) {
  constexpr std::uint32_t kReplacement = 0xFFFD;
  const auto unit = [&](std::size_t i) -> std::uint32_t {
    const auto a = static_cast<unsigned char>(bytes[i]);
    const auto b = static_cast<unsigned char>(bytes[i + 1]);
    return big_endian ? a * 256U + b : b * 256U + a;
  };
  std::string out;
  for (std::size_t i = from; i + 1 < bytes.size(); i += 2) {
    std::uint32_t code = unit(i);
    if (code >= 0xD800 && code < 0xDC00 && i + 3 < bytes.size() && unit(i + 2) >= 0xDC00 &&
        unit(i + 2) < 0xE000) {
      code = 0x10000 + (code - 0xD800) * 0x400 + (unit(i + 2) - 0xDC00);
      i += 2;
    } else if (code >= 0xD800 && code < 0xE000) {
      code = kReplacement;
    }
    AppendUtf8(code, out);
  }
  return out;
}

// Without a mark: every other byte of plain text in UTF-16 is nought.
std::string AsUtf8(std::string bytes) {
  if (bytes.starts_with("\xEF\xBB\xBF")) return bytes.substr(3);
  if (bytes.starts_with("\xFF\xFE")) return FromUtf16(bytes, 2, false);
  if (bytes.starts_with("\xFE\xFF")) return FromUtf16(bytes, 2, true);
  if (bytes.size() >= 4 && bytes[0] != '\0' && bytes[1] == '\0' && bytes[2] != '\0' && bytes[3] == '\0')
    return FromUtf16(bytes, 0, false);
  if (bytes.size() >= 4 && bytes[0] == '\0' && bytes[1] != '\0' && bytes[2] == '\0' && bytes[3] != '\0')
    return FromUtf16(bytes, 0, true);
  return bytes;
}

}  // namespace

std::vector<std::string> ReadTextLines(const std::string& path) {
  std::error_code error;
  if (std::filesystem::is_directory(path, error))
    throw calib::InputError(path + ": is a directory; expected a CSV log");
  std::ifstream stream(path, std::ios::binary);
  if (!stream)
    throw calib::InputError(path + ": cannot be opened; does the file exist, and may you read it?");
  std::ostringstream all;
  all << stream.rdbuf();
  const std::string text = AsUtf8(std::move(all).str());
  std::vector<std::string> lines;
  std::string line;
  for (std::size_t i = 0; i < text.size(); ++i) {
    if (text[i] == '\0') {
      throw calib::InputError(fmt::format("{}, line {}: not text; expected a CSV log in UTF-8 or UTF-16",
                                          path, lines.size() + 1));
    }
    if (text[i] != '\r' && text[i] != '\n') {
      line += text[i];
      continue;
    }
    if (text[i] == '\r' && i + 1 < text.size() && text[i + 1] == '\n') ++i;
    lines.push_back(std::move(line));
    line.clear();
  }
  if (!line.empty()) lines.push_back(std::move(line));
  return lines;
}

}  // namespace conebook::src

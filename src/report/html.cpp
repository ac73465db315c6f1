#include "src/report/html.h"

#include <cstdint>

#include <fmt/format.h>

namespace conebook::src {

std::string EscapeHtml(std::string_view text) {
  std::string out;
  out.reserve(text.size() + 16);
  for (const char c : text) {
    switch (c) {
      case '&':
        out += "&amp;";
        break;
      case '<':
        out += "&lt;";
        break;
      case '>':
        out += "&gt;";
        break;
      case '"':
        out += "&quot;";
        break;
      case '\'':
        out += "&#39;";
        break;
      default:
        out += c;
    }
  }
  return out;
}

std::string FileNameHtml(std::string_view name) {
  std::string out;
  std::size_t from = 0;
  while (from < name.size()) {
    const std::size_t at = name.find_first_of("_-./\\", from);
    const std::size_t to = at == std::string_view::npos ? name.size() : at + 1;
    out += EscapeHtml(name.substr(from, to - from));
    if (to < name.size()) out += "<wbr>";
    from = to;
  }
  return out;
}

std::string JsonString(std::string_view text) {
  std::string out = "\"";
  for (const char c : text) {
    const auto code = static_cast<unsigned char>(c);
    if (c == '"' || c == '\\') {
      out += '\\';
      out += c;
    } else if (code < 0x20 || c == '<') {
      out += fmt::format("\\u{:04x}", code);
    } else {
      out += c;
    }
  }
  return out + '"';
}

std::string Base64(std::span<const unsigned char> bytes) {
  static constexpr std::string_view kDigits =
      "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
  std::string out;
  out.reserve((bytes.size() + 2) / 3 * 4);
  for (std::size_t i = 0; i < bytes.size(); i += 3) {
    std::uint32_t group = 0;
    for (std::size_t k = 0; k < 3; ++k) group = group << 8U | (i + k < bytes.size() ? bytes[i + k] : 0U);
    for (std::size_t k = 0; k < 4; ++k)
      out += i + k <= bytes.size() ? kDigits[group >> (18U - 6U * k) & 63U] : '=';
  }
  return out;
}

std::string IndentJson(std::string_view json) {
  std::string out;
  int depth = 0;
  bool in_string = false;
  const auto new_line = [&] {
    out += '\n' + std::string(2 * static_cast<std::size_t>(depth < 0 ? 0 : depth), ' ');
  };
  for (std::size_t i = 0; i < json.size(); ++i) {
    const char c = json[i];
    if (in_string) {
      out += c;
      if (c == '\\' && i + 1 < json.size()) out += json[++i];
      if (c == '"') in_string = false;
    } else if (c == '"') {
      out += c;
      in_string = true;
    } else if (c == '{' || c == '[') {
      out += c;
      const std::size_t next = json.find_first_not_of(" \n\t\r", i + 1);
      if (next != std::string_view::npos && (json[next] == '}' || json[next] == ']')) {
        out += json[next];
        i = next;
      } else {
        ++depth;
        new_line();
      }
    } else if (c == '}' || c == ']') {
      --depth;
      new_line();
      out += c;
    } else if (c == ',') {
      out += c;
      new_line();
    } else if (c == ':') {
      out += ": ";
    } else if (c != ' ' && c != '\n' && c != '\t' && c != '\r') {
      out += c;
    }
  }
  return out;
}

}  // namespace conebook::src

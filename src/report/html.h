// Text into HTML and JSON, bytes into data URIs. Whatever a user wrote (names, paths, flags) goes through
// these.
#pragma once

#include <span>
#include <string>
#include <string_view>

namespace conebook::src {

// Safe as text and inside a quoted attribute.
std::string EscapeHtml(std::string_view text);

// Escaped, and may break after the signs that part a file name; nowhere else.
std::string FileNameHtml(std::string_view name);

// A quoted JSON string that is also safe inside a script element: no "<" is left.
std::string JsonString(std::string_view text);

// RFC 4648, with padding.
std::string Base64(std::span<const unsigned char> bytes);

// One value, one indent per level, so that a person can read compact JSON. Text that is not JSON comes out
// with odd line breaks, never cut.
std::string IndentJson(std::string_view json);

}  // namespace conebook::src

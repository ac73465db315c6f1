// SHA-256 of files, in lower-case hex: what ties a result to its inputs.
#pragma once

#include <string>

namespace conebook::src {

std::string TextSha256(const std::string& bytes);

// Throws calib::InputError when the file cannot be read.
std::string FileSha256(const std::string& path);

// A file, or a folder of frames: then the hash of its sorted lines "<sha256>  <name>\n", files only, not
// recursive.
std::string FootageSha256(const std::string& path);

}  // namespace conebook::src

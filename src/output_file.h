// Files that we write: asked for before work starts, whole or not at all.
#pragma once

#include <string>

namespace conebook::src {

// Nothing on disk is changed. Throws calib::InputError: no such folder, not writable, or a folder.
void CheckCanWrite(const std::string& path);

// The folder may be missing if the one above it can be written to.
void CheckCanWriteInto(const std::string& folder);

// Through a temporary file beside it, then renamed. Throws calib::InputError when the disk does not take it;
// then nothing is left behind.
void WriteWhole(const std::string& path, const std::string& bytes);

// How a path appears in a result: as the user wrote it, but never from the root of this machine.
std::string NameForResult(const std::string& path);

}  // namespace conebook::src

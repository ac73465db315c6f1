// The command line: what `conebook` was asked to do. CLI11 stays behind this header.
#pragma once

namespace conebook::src {

// The exit status of the contract. Throws calib::InputError (2), ArchiveError (4), vision::Interrupted (130).
int RunCommandLine(int argc, char** argv);

}  // namespace conebook::src

#pragma once

#include <sys/wait.h>

#include <cstdlib>
#include <filesystem>
#include <string>

#include "tests/temp_folder.hpp"

namespace tinesight {

struct CommandOutcome {
  int status = -1;  ///< exit status, -1 if ended by a signal
  std::string out;
  std::string err;
};

/// Runs a shell command in `folder`, with nothing on its standard input.
inline CommandOutcome RunShell(const std::string& command,
                               const std::filesystem::path& folder = ".") {
  const tinesight::testing::TempFolder streams;
  const std::string line = "cd '" + folder.string() + "' && " + command + " >'" +
                           (streams / "out").string() + "' 2>'" + (streams / "err").string() +
                           "' </dev/null";
  const int raw = std::system(line.c_str());
  return {WIFEXITED(raw) ? WEXITSTATUS(raw) : -1, testing::Contents(streams / "out"),
          testing::Contents(streams / "err")};
}

/// Runs the built `tinesight` with the shell words in `arguments` (quote them where needed), in
/// `folder`.
inline CommandOutcome RunTinesight(const std::string& arguments,
                                   const std::filesystem::path& folder = ".") {
  return RunShell("'" TINESIGHT_COMMAND "' " + arguments, folder);
}

}  // namespace tinesight

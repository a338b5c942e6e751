#pragma once

#include <sys/wait.h>

#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <sstream>
#include <string>

#include "tests/temp_folder.hpp"

namespace tinesight {

struct CommandOutcome {
  int status = -1;  ///< exit status, -1 if ended by a signal
  std::string out;
  std::string err;
};

/// Runs the built `tinesight` with the shell words in `arguments` (quote them where needed), in
/// `folder`.
inline CommandOutcome RunTinesight(const std::string& arguments,
                                   const std::filesystem::path& folder) {
  const tinesight::testing::TempFolder streams;
  const std::string command = "cd '" + folder.string() + "' && '" TINESIGHT_COMMAND "' " +
                              arguments + " >'" + (streams / "out").string() + "' 2>'" +
                              (streams / "err").string() + "' </dev/null";
  const int raw = std::system(command.c_str());
  const auto text = [](const std::filesystem::path& file) {
    std::stringstream stream;
    stream << std::ifstream(file).rdbuf();
    return stream.str();
  };
  return {WIFEXITED(raw) ? WEXITSTATUS(raw) : -1, text(streams / "out"), text(streams / "err")};
}

}  // namespace tinesight

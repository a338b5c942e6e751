#include "app/run_exporter.hpp"

#include <spawn.h>
#include <sys/wait.h>
#include <unistd.h>

#include <cerrno>
#include <cstring>
#include <string>
#include <system_error>

#include "app/commands.hpp"

namespace tinesight {

int RunExporter(const std::filesystem::path& result, const std::filesystem::path& model) {
  std::error_code code;
  const auto self = std::filesystem::read_symlink("/proc/self/exe", code);
  std::string exporter = (self.parent_path() / "tinesight-export").string();
  std::string result_name = result.string();
  std::string model_name = model.string();
  char* arguments[] = {exporter.data(), result_name.data(), model_name.data(), nullptr};
  pid_t child = 0;
  const int failure = posix_spawn(&child, exporter.c_str(), nullptr, nullptr, arguments, environ);
  if (failure != 0) {
    return FailWith({exporter + ": cannot be started: " + std::strerror(failure) +
                     "; it belongs beside tinesight"});
  }
  int status = 0;
  while (waitpid(child, &status, 0) < 0) {
    if (errno != EINTR) return FailWith({"the exporter was lost: " + std::string(strerror(errno))});
  }
  if (!WIFEXITED(status)) return FailWith({exporter + ": ended by a signal; nothing was written"});
  return WEXITSTATUS(status);
}

bool IsModelName(const std::filesystem::path& model) {
  return model.extension() == ".ply" || model.extension() == ".gltf";
}

}  // namespace tinesight

#include <spawn.h>
#include <sys/wait.h>

#include <cstring>
#include <filesystem>
#include <memory>
#include <string>
#include <system_error>

#include "app/commands.hpp"
#include "app/output_check.hpp"

extern char** environ;

namespace tinesight {
namespace {

struct ExportOptions {
  std::string result;
  std::string model;
};

// The 3D library costs time and memory at start, so a program of its own beside this one has it.
int RunExporter(const ExportOptions& options) {
  std::error_code code;
  const auto self = std::filesystem::read_symlink("/proc/self/exe", code);
  std::string exporter = (self.parent_path() / "tinesight-export").string();
  std::string result = options.result;
  std::string model = options.model;
  char* arguments[] = {exporter.data(), result.data(), model.data(), nullptr};
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

int Export(const ExportOptions& options) {
  if (std::filesystem::path(options.model).extension() != ".ply") {
    throw CLI::ValidationError("--model " + options.model + ": the name must end in .ply");
  }
  if (auto writable = CheckFileWritable(options.model); !writable)
    return FailWith(writable.error());
  return RunExporter(options);
}

}  // namespace

void AddExportCommand(CLI::App& app, int& exit_status) {
  auto options = std::make_shared<ExportOptions>();
  CLI::App* command =
      app.add_subcommand("export", "Write a measured harp as a 3D model for other programs");
  command->add_option("result", options->result, "result of `measure --json`")
      ->required()
      ->option_text("RESULT.json");
  command->add_option("--model", options->model, "model to write: tines, pole tips, offset arrows")
      ->required()
      ->option_text("FILE.ply");
  command->callback([options, &exit_status] { exit_status = Export(*options); });
}

}  // namespace tinesight

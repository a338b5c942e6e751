#include <spawn.h>
#include <sys/wait.h>

#include <cstring>
#include <filesystem>
#include <memory>
#include <string>
#include <system_error>

#include "app/commands.hpp"
#include "app/output_check.hpp"
#include "app/record_options.hpp"
#include "record/service_record.hpp"

extern char** environ;

namespace tinesight {
namespace {

struct ExportOptions {
  std::string source;
  std::string model;
  std::string copy;
  bool without_photos = false;
};

// The 3D library costs time and memory at start, so a program of its own beside this one has it.
int RunExporter(const ExportOptions& options) {
  std::error_code code;
  const auto self = std::filesystem::read_symlink("/proc/self/exe", code);
  std::string exporter = (self.parent_path() / "tinesight-export").string();
  std::string result = options.source;
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

int ExportModel(const ExportOptions& options) {
  if (std::filesystem::path(options.model).extension() != ".ply") {
    throw CLI::ValidationError("--model " + options.model + ": the name must end in .ply");
  }
  if (auto writable = CheckFileWritable(options.model); !writable)
    return FailWith(writable.error());
  return RunExporter(options);
}

int ExportCopy(const ExportOptions& options) {
  const auto record = ReadServiceRecord(options.source);
  if (!record) return FailWith(record.error());
  const auto done =
      CopyServiceRecord(options.source, options.copy, {.embedded_photos = !options.without_photos});
  if (!done) return FailWith(done.error());
  std::size_t embedded = 0;
  for (const Visit& visit : record->visits) {
    for (const PhotoRecord& photo : visit.photos) embedded += photo.embedded_bytes > 0 ? 1 : 0;
  }
  std::string text = "wrote " + options.copy + '\n';
  if (embedded > 0 && !options.without_photos) {
    text += std::to_string(embedded) +
            " photos go along as the phone wrote them, with place and serial number if it did; "
            "--without-photos leaves them out\n";
  }
  return PrintText(text);
}

int Export(const ExportOptions& options) {
  if (options.model.empty() == options.copy.empty()) {
    throw CLI::ValidationError("say what to export: --model FILE.ply or --copy FILE.tinerec");
  }
  if (options.without_photos && options.copy.empty()) {
    throw CLI::ValidationError("--without-photos belongs to --copy");
  }
  return options.copy.empty() ? ExportModel(options) : ExportCopy(options);
}

}  // namespace

void AddExportCommand(CLI::App& app, int& exit_status) {
  auto options = std::make_shared<ExportOptions>();
  CLI::App* command = app.add_subcommand(
      "export", "Write a measured harp as a 3D model, or a copy of a service record to send");
  command
      ->add_option("source", options->source,
                   "result of `measure --json` for --model, service record for --copy")
      ->required()
      ->option_text("FILE");
  command->add_option("--model", options->model, "model to write: tines, pole tips, offset arrows")
      ->option_text("FILE.ply");
  command->add_option("--copy", options->copy, "copy of the record to write; a new file")
      ->option_text("FILE.tinerec");
  command->add_flag("--without-photos", options->without_photos,
                    "with --copy: leave out the photos that were embedded");
  command->callback([options, &exit_status] { exit_status = Export(*options); });
}

}  // namespace tinesight

#include <memory>
#include <string>

#include "app/commands.hpp"
#include "app/output_check.hpp"
#include "app/run_exporter.hpp"

namespace tinesight {
namespace {

struct ExportOptions {
  std::string result;
  std::string model;
};

int Export(const ExportOptions& options) {
  if (!IsModelName(options.model)) {
    throw CLI::ValidationError("--model " + options.model + ": the name must end in .ply or .gltf");
  }
  if (auto writable = CheckFileWritable(options.model); !writable)
    return FailWith(writable.error());
  return RunExporter(options.result, options.model);
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
      ->option_text("FILE.ply|FILE.gltf");
  command->callback([options, &exit_status] { exit_status = Export(*options); });
}

}  // namespace tinesight

#include <memory>
#include <string>

#include "app/commands.hpp"
#include "app/output_check.hpp"
#include "app/record_options.hpp"
#include "app/run_exporter.hpp"
#include "record/service_record.hpp"
#include "record/text_util.hpp"

namespace tinesight {
namespace {

struct ExportOptions {
  std::string source;
  std::string model;
  std::string copy;
  bool without_photos = false;
};

int ExportModel(const ExportOptions& options) {
  if (!IsModelName(options.model)) {
    throw CLI::ValidationError("--model " + options.model + ": the name must end in .ply or .gltf");
  }
  if (IsRecordName(options.source)) {
    return FailWith({options.source +
                     ": --model is made from a result of `measure --json`; of a record's visit, "
                     "`tinesight report " +
                     options.source + " --model " + options.model + "` makes it"});
  }
  if (auto writable = CheckFileWritable(options.model); !writable)
    return FailWith(writable.error());
  return RunExporter(options.source, options.model);
}

int ExportCopy(const ExportOptions& options) {
  const auto copied =
      CopyServiceRecord(options.source, options.copy, {.embedded_photos = !options.without_photos});
  if (!copied) return FailWith(copied.error());
  std::string text = "wrote " + options.copy + '\n';
  if (copied->pictures > 0) {
    text += std::to_string(copied->pictures) +
            (copied->pictures == 1 ? " picture goes" : " pictures go") +
            " along without what the phone wrote into the file: no place, no serial number\n";
  }
  for (const std::string& name : copied->left_out) {
    text += CleanText(name) + ": left out, as it can't be read as a picture\n";
  }
  return PrintText(text);
}

int Export(const ExportOptions& options) {
  if (options.model.empty() == options.copy.empty()) {
    throw CLI::ValidationError(
        "say what to export: --model FILE.ply, FILE.gltf or --copy FILE.tinerec");
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
      ->option_text("FILE.ply|FILE.gltf");
  command->add_option("--copy", options->copy, "copy of the record to write; a new file")
      ->option_text("FILE.tinerec");
  command->add_flag("--without-photos", options->without_photos,
                    "with --copy: leave out the photos that were embedded");
  command->callback([options, &exit_status] { exit_status = Export(*options); });
}

}  // namespace tinesight

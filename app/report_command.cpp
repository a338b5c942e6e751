#include <CLI/CLI.hpp>
#include <cerrno>
#include <cstring>
#include <filesystem>
#include <iostream>
#include <memory>
#include <string>
#include <system_error>
#include <vector>

#include "app/commands.hpp"
#include "app/option_checks.hpp"
#include "app/output_check.hpp"
#include "app/record_options.hpp"
#include "app/run_exporter.hpp"
#include "calibration/file_io.hpp"
#include "calibration/temporary_file.hpp"
#include "record/alignment_images.hpp"
#include "record/record_export.hpp"
#include "record/report.hpp"
#include "record/result_json.hpp"
#include "record/text_util.hpp"

namespace tinesight {
namespace {

namespace fs = std::filesystem;

// The command line as typed.
struct ReportOptions {
  std::string record;
  std::string visit;
  std::string paper = "letter";
  std::string pdf;
  std::string images;
  std::string csv;
  std::string json;
  std::string model;
};

// The model's files: the one named, or both formats in a folder.
std::vector<fs::path> ModelFiles(const ReportOptions& options) {
  if (options.model.empty()) return {};
  if (IsModelName(options.model)) return {options.model};
  return {fs::path(options.model) / "harp.ply", fs::path(options.model) / "harp.gltf"};
}

Result<const Visit*> ChosenVisit(const ServiceRecord& record, const ReportOptions& options) {
  if (record.visits.empty()) {
    return Fail(options.record +
                ": has no visit yet; add one with `tinesight measure --record --visit`");
  }
  if (options.visit.empty()) return &record.visits.back();
  return FindVisitNamed(record, options.visit);
}

Result<void> CheckOutputs(const ReportOptions& options, const std::string& pdf) {
  for (const std::string& file : {pdf, options.csv, options.json}) {
    if (file.empty()) continue;
    if (auto writable = CheckFileWritable(file); !writable) return writable;
  }
  if (!options.images.empty()) {
    if (auto writable = CheckFolderWritable(options.images); !writable) return writable;
  }
  if (options.model.empty()) return {};
  return IsModelName(options.model) ? CheckFileWritable(options.model)
                                    : CheckFilesWritable(options.model, ModelFiles(options));
}

int WriteModel(const ReportOptions& options, const Visit& visit) {
  const std::vector<fs::path> files = ModelFiles(options);
  if (files.empty()) return kExitOk;
  if (!IsModelName(options.model)) {
    std::error_code code;
    fs::create_directories(options.model, code);
    if (code) return FailWith({options.model + ": the folder cannot be made: " + code.message()});
  }
  const TemporaryFile result(".json");
  if (!result.Made()) {
    return FailWith({std::string("no temporary file could be made: ") + std::strerror(errno)});
  }
  if (auto written = WriteFileAtomically(result.Name(), ResultJson(visit.measurement)); !written) {
    return FailWith(written.error());
  }
  for (const fs::path& file : files) {
    if (const int status = RunExporter(result.Name(), file); status != kExitOk) return status;
    std::cout << "wrote " << file.string() << ": the measured harp in 3D\n";
  }
  return kExitOk;
}

// Photos that could not be shown are told once, whichever output missed them.
void TellTrouble(const std::vector<std::string>& trouble) {
  for (const std::string& line : trouble)
    std::cout << "left out: photo " << CleanText(line) << '\n';
  if (trouble.empty()) return;
  std::cout << "photos are looked for where they were measured, seen from this folder, and beside "
               "the record\n";
}

Result<void> WriteFiles(const ReportOptions& options, const ServiceRecord& record,
                        const Visit& visit, const std::string& pdf) {
  const PaperSize paper = options.paper == "a4" ? PaperSize::kA4 : PaperSize::kLetter;
  const Result<Report> report = BuildReport(record, visit, paper);
  if (!report) return tl::unexpected(report.error());
  std::vector<std::string> trouble = report->trouble;
  if (auto written = WriteFileAtomically(pdf, report->pdf); !written) return written;
  std::cout << "wrote " << pdf << ": the report on the visit \"" << CleanText(visit.name) << "\"\n";
  if (!options.images.empty()) {
    const Result<AlignmentImages> images = WriteAlignmentImages(record, visit, options.images);
    if (!images) return tl::unexpected(images.error());
    trouble = images->trouble;  // of all notes, not of those alone that have a card
    std::cout << "wrote " << images->written << " alignment images into " << options.images << '\n';
  }
  TellTrouble(trouble);
  if (!options.json.empty()) {
    if (auto written = WriteFileAtomically(options.json, RecordJson(record)); !written) {
      return written;
    }
    std::cout << "wrote " << options.json << ": all of the record\n";
  }
  if (!options.csv.empty()) {
    if (auto written = WriteFileAtomically(options.csv, RecordCsv(record)); !written) {
      return written;
    }
    std::cout << "wrote " << options.csv << ": every note of every visit\n";
  }
  return {};
}

// A name that ends like another format's is meant as a file, not as a folder.
void CheckModelName(const std::string& model) {
  std::error_code code;
  if (IsModelName(model) || !fs::path(model).has_extension() || fs::is_directory(model, code)) {
    return;
  }
  throw CLI::ValidationError("--model " + model +
                             ": the name must end in .ply or .gltf, or be that of a folder");
}

void CheckNamedOnce(const ReportOptions& options, const std::string& pdf) {
  std::vector<std::string> outputs{pdf, options.csv, options.json, options.images};
  for (const fs::path& file : ModelFiles(options)) outputs.push_back(file.string());
  RequireNamedOnce({options.record}, outputs);
}

int WriteReport(const ReportOptions& options) {
  CheckModelName(options.model);
  CheckNamedOnce(options, options.pdf);
  const Result<ServiceRecord> record = ReadServiceRecord(options.record);
  if (!record) return FailWith(record.error());
  const Result<const Visit*> visit = ChosenVisit(*record, options);
  if (!visit) return FailWith(visit.error());
  const std::string pdf =
      options.pdf.empty() ? ReportFileName(*record, **visit).string() : options.pdf;
  CheckNamedOnce(options, pdf);  // only the record could say what it is if not given
  if (auto writable = CheckOutputs(options, pdf); !writable) return FailWith(writable.error());
  if (auto written = WriteFiles(options, *record, **visit, pdf); !written) {
    return FailWith(written.error());
  }
  return WriteModel(options, **visit);
}

}  // namespace

void AddReportCommand(CLI::App& app, int& exit_status) {
  auto options = std::make_shared<ReportOptions>();
  CLI::App* command = app.add_subcommand(
      "report", "Write a visit of a service record as a report that the owner can keep");
  command->add_option("record", options->record, "service record")
      ->required()
      ->option_text("FILE.tinerec");
  const auto text = [&](const char* name, std::string& value, const char* help, const char* word) {
    return command->add_option(name, value, help)->option_text(word);
  };
  text("--visit", options->visit, "the visit to report on; without it the newest", "NAME");
  command->add_option("--paper", options->paper, "paper size (letter or a4)")
      ->transform(CLI::IsMember({"letter", "a4"}, CLI::ignore_case))
      ->capture_default_str();
  text("--pdf", options->pdf,
       "report to write; without it RECORD_VISIT_report.pdf beside the record", "OUT.pdf");
  text("--images", options->images, "also a picture of each note, in this folder", "DIR");
  text("--csv", options->csv, "also every note of every visit as a table", "FILE");
  text("--json", options->json, "also all of the record", "FILE");
  text("--model", options->model, "also the harp in 3D: FILE.ply, FILE.gltf, or a folder for both",
       "DIR_OR_FILE");
  command->callback([options, &exit_status] { exit_status = WriteReport(*options); });
}

}  // namespace tinesight

#include <memory>
#include <string>

#include "app/commands.hpp"
#include "app/record_options.hpp"
#include "calibration/file_io.hpp"
#include "record/visit_comparison.hpp"

namespace tinesight {
namespace {

struct CompareOptions {
  std::string record;
  std::string before;
  std::string after;
  std::string json;
};

int Compare(const CompareOptions& options) {
  const auto record = ReadServiceRecord(options.record);
  if (!record) return FailWith(record.error());
  const auto before = FindVisitNamed(*record, options.before);
  if (!before) return FailWith(before.error());
  const auto after = FindVisitNamed(*record, options.after);
  if (!after) return FailWith(after.error());
  if (*before == *after) {
    throw CLI::ValidationError("\"" + options.before + "\" is named twice; name two visits");
  }
  if ((*after)->date < (*before)->date) {
    throw CLI::ValidationError("\"" + options.before + "\" (" + (*before)->date +
                               ") is later than \"" + options.after + "\" (" + (*after)->date +
                               "); name the earlier visit first");
  }
  const VisitComparison comparison = CompareVisits(*record, **before, **after);
  if (!options.json.empty()) {
    const auto written = WriteFileAtomically(options.json, ComparisonJson(comparison));
    if (!written) return FailWith(written.error());
  }
  return PrintText(ComparisonText(comparison, !TerminalIsUtf8()));
}

}  // namespace

void AddCompareCommand(CLI::App& app, int& exit_status) {
  auto options = std::make_shared<CompareOptions>();
  CLI::App* command = app.add_subcommand(
      "compare", "Compare two visits of a service record: what improved, what moved, what is open");
  command->add_option("record", options->record, "service record")
      ->required()
      ->option_text("FILE.tinerec");
  command->add_option("before", options->before, "name of the earlier visit")
      ->required()
      ->option_text("VISIT_A");
  command->add_option("after", options->after, "name of the later visit")
      ->required()
      ->option_text("VISIT_B");
  command->add_option("--json", options->json, "write the comparison as JSON")->option_text("FILE");
  command->callback([options, &exit_status] { exit_status = Compare(*options); });
}

}  // namespace tinesight

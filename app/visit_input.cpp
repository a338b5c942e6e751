#include "app/visit_input.hpp"

#include "app/record_options.hpp"
#include "record/result_json.hpp"

namespace tinesight {
namespace {

void CheckUsage(const VisitInputOptions& options) {
  if (IsRecordName(options.file)) return;
  if (!options.visit.empty()) {
    throw CLI::ValidationError("--visit names a visit of a service record (.tinerec); " +
                               options.file + " holds one visit alone");
  }
  if (options.instrument.empty()) {
    throw CLI::ValidationError("--instrument is required with a result of `measure --json`");
  }
}

// The visit of a record, with the profile it was judged by.
Result<VisitInput> FromRecord(const VisitInputOptions& options) {
  const Result<ServiceRecord> record = ReadServiceRecord(options.file);
  if (!record) return tl::unexpected(record.error());
  if (record->visits.empty()) return Fail(options.file + ": has no visit yet");
  const Visit* visit = &record->visits.back();
  if (!options.visit.empty()) {
    const Result<const Visit*> named = FindVisitNamed(*record, options.visit);
    if (!named) return tl::unexpected(named.error());
    visit = *named;
  }
  if (options.instrument.empty() && visit->profile.notes.empty()) {
    return Fail(options.file + ": visit \"" + visit->name +
                "\" keeps no instrument profile; give it with --instrument");
  }
  return VisitInput{visit->measurement, visit->profile};
}

}  // namespace

void AddVisitInputOptions(CLI::App& command, VisitInputOptions& options) {
  command.add_option("visit", options.file, "result of `measure --json`, or service record")
      ->required()
      ->option_text("RESULT.json|FILE.tinerec");
  command.add_option("--visit", options.visit, "visit of the record; the newest if not given")
      ->option_text("NAME");
  command
      .add_option("--instrument", options.instrument,
                  "instrument profile; of a record's visit its own if not given")
      ->option_text("FILE");
}

Result<VisitInput> ReadVisitInput(const VisitInputOptions& options) {
  CheckUsage(options);
  VisitInput input;
  if (IsRecordName(options.file)) {
    const Result<VisitInput> read = FromRecord(options);
    if (!read) return tl::unexpected(read.error());
    input = *read;
  } else {
    const Result<VisitMeasurement> read = ReadResultJson(options.file);
    if (!read) return tl::unexpected(read.error());
    input.measurement = *read;
  }
  if (options.instrument.empty()) return input;
  const Result<InstrumentProfile> profile = ReadInstrumentProfile(options.instrument);
  if (!profile) return tl::unexpected(profile.error());
  input.profile = *profile;
  return input;
}

}  // namespace tinesight

#include <filesystem>
#include <iostream>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "alignment/note_name.hpp"
#include "app/commands.hpp"
#include "app/record_options.hpp"
#include "record/findings_text.hpp"
#include "record/picture_file.hpp"
#include "record/service_record.hpp"

namespace tinesight {
namespace {

namespace fs = std::filesystem;

struct NoteOptions {
  std::string record;
  std::string note;
  std::string grommet, spring, seat, hammer_tip, screw, in_place;
  bool doubled = false;
  std::string place;
  bool after = false;
  std::string text;
  std::string work;
  std::string attach, caption, visit;
  std::string withdraw, restore;
  std::string type, compass, serial, owner;
  EntryStamp stamp;
};

[[noreturn]] void WrongUsage(const std::string& message) { throw CLI::ValidationError(message); }

ScrewPlace Place(const NoteOptions& options) {
  if (options.place.empty()) return ScrewPlace::kEither;
  if (options.place == "forward") return ScrewPlace::kForward;
  if (options.place == "rear") return ScrewPlace::kRear;
  WrongUsage("--place " + options.place + ": choose forward or rear, of a tone bar's two screws");
}

std::vector<Finding> Findings(const NoteOptions& options, int midi) {
  const std::pair<FindingPart, const std::string&> given[] = {
      {FindingPart::kGrommet, options.grommet}, {FindingPart::kSpring, options.spring},
      {FindingPart::kTineSeat, options.seat},   {FindingPart::kHammerTip, options.hammer_tip},
      {FindingPart::kScrew, options.screw},     {FindingPart::kInPlaceOfGrommet, options.in_place}};
  std::vector<Finding> findings;
  for (const auto& [part, state] : given) {
    if (state.empty()) continue;
    Finding finding;
    finding.part = part;
    finding.state = state;
    finding.doubled = part == FindingPart::kSpring && options.doubled;
    findings.push_back(finding);
  }
  // A text beside one finding belongs to it; alone, or beside several, it is a remark.
  if (!options.text.empty() && findings.size() != 1) findings.emplace_back();
  if (!options.text.empty()) findings.back().text = options.text;
  for (Finding& finding : findings) {
    finding.midi = midi;
    const bool has_place = finding.part != FindingPart::kTineSeat &&
                           finding.part != FindingPart::kHammerTip &&
                           finding.part != FindingPart::kOther;
    if (has_place) finding.place = Place(options);
    finding.stage = options.after ? WorkStage::kAfter : WorkStage::kBefore;
    finding.stamp = options.stamp;
  }
  return findings;
}

bool HasFindings(const NoteOptions& options) {
  for (const std::string* value :
       {&options.grommet, &options.spring, &options.seat, &options.hammer_tip, &options.screw,
        &options.in_place, &options.text}) {
    if (!value->empty()) return true;
  }
  return false;
}

bool HasInstrument(const NoteOptions& options) {
  return !options.type.empty() || !options.compass.empty() || !options.serial.empty() ||
         !options.owner.empty();
}

void CheckUsage(const NoteOptions& options) {
  CheckStampUsage(options.stamp);
  (void)Place(options);
  if (!options.note.empty()) (void)NoteOption("--note", options.note);
  if (HasFindings(options) && options.note.empty()) {
    WrongUsage("a finding belongs to a note; add --note, like --note F#1");
  }
  if (options.doubled && options.spring.empty()) {
    WrongUsage("--doubled says that a spring is doubled; add --spring with its grade");
  }
  if ((!options.caption.empty() || !options.visit.empty()) && options.attach.empty()) {
    WrongUsage("--caption and --visit belong to a picture; add --attach");
  }
}

// Options that were given take the place of what the record says of the instrument.
std::optional<InstrumentInfo> Instrument(const NoteOptions& options, InstrumentInfo info) {
  if (!HasInstrument(options)) return std::nullopt;
  if (!options.type.empty()) info.type = options.type;
  if (!options.compass.empty()) info.compass = options.compass;
  if (!options.serial.empty()) info.serial = options.serial;
  if (!options.owner.empty()) info.owner = options.owner;
  return info;
}

struct ReadyAttachment {
  Attachment attachment;
  std::string jpeg;
};

Result<ReadyAttachment> ReadAttachment(const NoteOptions& options, const ServiceRecord& record) {
  ReadyAttachment ready;
  Attachment& attachment = ready.attachment;
  if (!options.visit.empty()) {
    const auto visit = FindVisitNamed(record, options.visit);
    if (!visit) return tl::unexpected(visit.error());
    attachment.visit_id = (*visit)->id;
  }
  if (!options.note.empty()) attachment.midi = NoteOption("--note", options.note);
  auto picture = ReadPictureWithoutMetadata(options.attach);
  if (!picture) return tl::unexpected(picture.error());
  attachment.name = fs::path(options.attach).stem().string() + ".jpg";
  attachment.media_type = "image/jpeg";
  attachment.caption = options.caption;
  attachment.stamp = options.stamp;
  ready.jpeg = std::move(picture->jpeg);
  return ready;
}

// "finding:3", as the list of entries numbers them.
Result<void> SetWithdrawn(const std::string& record, const std::string& entry, bool withdrawn) {
  const auto parsed = ParseEntryName(entry);
  if (!parsed) return tl::unexpected(parsed.error());
  return withdrawn ? WithdrawEntry(record, parsed->kind, parsed->id)
                   : RestoreEntry(record, parsed->kind, parsed->id);
}

Result<void> AddNotes(const NoteOptions& options, const InstrumentInfo& instrument) {
  BenchNotes notes;
  std::optional<int> midi;
  if (!options.note.empty()) midi = NoteOption("--note", options.note);
  if (midi) notes.findings = Findings(options, *midi);
  if (!options.work.empty()) notes.work_done.push_back({0, midi, options.work, options.stamp});
  notes.instrument = Instrument(options, instrument);
  if (notes.findings.empty() && notes.work_done.empty() && !notes.instrument) return {};
  return AddBenchNotes(options.record, notes);
}

// The record as it is, or an empty one where something is noted in a file that is still to be made.
Result<ServiceRecord> RecordToChange(const NoteOptions& options) {
  std::error_code code;
  const bool notes_something =
      HasFindings(options) || HasInstrument(options) || !options.work.empty();
  if (!notes_something || fs::exists(options.record, code)) {
    return ReadServiceRecord(options.record);
  }
  ServiceRecord empty;
  empty.file = options.record;
  return empty;
}

Result<void> Change(const NoteOptions& options) {
  const auto record = RecordToChange(options);
  if (!record) return tl::unexpected(record.error());
  // The picture is read first: if it can't be, nothing at all is added.
  std::optional<ReadyAttachment> ready;
  if (!options.attach.empty()) {
    auto read = ReadAttachment(options, *record);
    if (!read) return tl::unexpected(read.error());
    ready = std::move(*read);
  }
  std::error_code code;
  const bool is_new = !fs::exists(options.record, code);
  if (auto added = AddNotes(options, record->instrument); !added) return added;
  if (is_new) std::cout << options.record << ": a new service record\n";
  if (ready) {
    const auto added = AddAttachment(options.record, ready->attachment, ready->jpeg);
    if (!added) return tl::unexpected(added.error());
  }
  Result<void> done;
  if (!options.withdraw.empty()) done = SetWithdrawn(options.record, options.withdraw, true);
  if (done && !options.restore.empty()) {
    done = SetWithdrawn(options.record, options.restore, false);
  }
  return done;
}

int Note(const NoteOptions& options) {
  CheckUsage(options);
  if (auto done = Change(options); !done) return FailWith(done.error());
  const auto record = ReadServiceRecord(options.record);
  if (!record) return FailWith(record.error());
  return PrintText(BenchNotesText(*record, !TerminalIsUtf8()));
}

}  // namespace

void AddNoteCommand(CLI::App& app, int& exit_status) {
  auto options = std::make_shared<NoteOptions>();
  CLI::App* command = app.add_subcommand(
      "note", "Keep what was found or done at a note in a service record, and list all of it");
  command->add_option("record", options->record, "service record; made if it is missing")
      ->required()
      ->option_text("FILE.tinerec");
  const auto text = [&](const char* name, std::string& value, const char* help,
                        const char* placeholder = "STATE") {
    command->add_option(name, value, help)->option_text(placeholder);
  };
  text("--note", options->note, "the note, like F#1", "NOTE");
  text("--grommet", options->grommet, "good, hardened, flattened, cracked or replaced");
  text("--spring", options->spring, "its grade, in your own words: the spring map", "GRADE");
  command->add_flag("--doubled", options->doubled, "with --spring: a second one stands with it");
  text("--seat", options->seat, "the tine in its block: firm or loose");
  text("--hammer-tip", options->hammer_tip, "good, grooved or hard");
  text("--screw", options->screw, "\"fully threaded\" or \"plain shank\"");
  text("--in-place-of-grommet", options->in_place, "found there instead: felt, card or washer");
  text("--place", options->place,
       "which of the tone bar's screws: forward or rear; both if not "
       "given",
       "SCREW");
  command->add_flag("--after", options->after,
                    "as it is after the work; before dismantling if not given");
  text("--text", options->text, "a remark in your own words", "TEXT");
  text("--work", options->work, "what was done, at the note or (without --note) to all", "TEXT");
  text("--attach", options->attach, "keep a picture, without what the phone wrote into it", "FILE");
  text("--caption", options->caption, "with --attach: what it shows", "TEXT");
  text("--visit", options->visit, "with --attach: the visit it belongs to", "NAME");
  text("--withdraw", options->withdraw, "take back an entry, as the list numbers it", "ENTRY");
  text("--restore", options->restore, "bring an entry back that was withdrawn", "ENTRY");
  text("--type", options->type, "what instrument it is", "TEXT");
  text("--compass", options->compass, "its compass", "TEXT");
  text("--serial", options->serial, "its serial number", "TEXT");
  text("--owner", options->owner, "whose it is", "TEXT");
  AddStampOptions(*command, options->stamp);
  command->callback([options, &exit_status] { exit_status = Note(*options); });
}

}  // namespace tinesight

#include "record/findings_text.hpp"

#include <algorithm>
#include <charconv>
#include <map>

#include "alignment/note_name.hpp"
#include "record/paragraphs.hpp"
#include "record/record_words.hpp"
#include "record/text_util.hpp"

namespace tinesight {
namespace {

constexpr std::size_t kEntryColumns = 14;
constexpr std::size_t kNoteColumns = 5;

constexpr WordTable<EntryKind, 6> kEntryWords{{
    {EntryKind::kFinding, "finding"},
    {EntryKind::kWorkDone, "work"},
    {EntryKind::kTick, "tick"},
    {EntryKind::kReview, "review"},
    {EntryKind::kCorrection, "correction"},
    {EntryKind::kAttachment, "picture"},
}};

// A whole page pasted into a remark must not push the other entries out of sight.
std::string Shortened(const std::string& text) {
  constexpr std::size_t kMost = 600;
  if (text.size() <= kMost) return text;
  std::size_t end = kMost;
  while (end > 0 && (static_cast<unsigned char>(text[end]) & 0xC0U) == 0x80U) --end;
  return text.substr(0, end) + " ... (all of it: `tinesight report --json`)";
}

std::string Stamped(const std::string& text, const EntryStamp& stamp) {
  return Shortened(text) + " (" + stamp.date +
         (stamp.technician.empty() ? "" : ", " + stamp.technician) + ")";
}

// "  finding:3   F#1  ", what stands before an entry's text.
std::string Start(EntryKind kind, std::int64_t id, std::optional<int> midi) {
  std::string name(WordOf(kEntryWords, kind));
  name += ':' + std::to_string(id);
  return std::string("  ") + PadRight(name, kEntryColumns) +
         PadRight(midi ? NoteName(*midi) : "all", kNoteColumns);
}

void WriteInstrument(const InstrumentInfo& instrument, Paragraphs& out) {
  const std::pair<const char*, const std::string&> lines[] = {{"Instrument", instrument.type},
                                                              {"Compass", instrument.compass},
                                                              {"Serial", instrument.serial},
                                                              {"Owner", instrument.owner}};
  for (const auto& [name, value] : lines) {
    if (!value.empty()) out.Add(PadRight(std::string(name) + ":", 13), value);
  }
}

void WriteFindings(const ServiceRecord& record, Paragraphs& out) {
  std::vector<const Finding*> findings;
  for (const Finding& finding : record.findings) findings.push_back(&finding);
  std::stable_sort(findings.begin(), findings.end(),
                   [](const Finding* a, const Finding* b) { return a->midi < b->midi; });
  if (!findings.empty()) out.Heading("Findings");
  for (const Finding* finding : findings) {
    const std::string stage(WordOf(kStageWords, finding->stage));
    out.Add(Start(EntryKind::kFinding, finding->id, finding->midi),
            Stamped(FindingText(*finding) + "; " + stage + " the work", finding->stamp));
  }
}

void WriteSpringMap(const ServiceRecord& record, Paragraphs& out) {
  const std::vector<SpringMapEntry> map = SpringMap(record);
  if (map.empty()) return;
  out.Heading("Spring map: before, after");
  for (const SpringMapEntry& entry : map) {
    std::string start =
        std::string(entry.Differs() ? "! " : "  ") + PadRight(NoteName(entry.midi), kNoteColumns);
    start += PadRight(std::string(WordOf(kPlaceWords, entry.place)), 9);
    out.Add(start, entry.before.value_or("not noted") + "; " + entry.after.value_or("not noted"));
  }
  for (const std::string& warning : SpringWarnings(record)) out.Add("  ! ", warning);
}

}  // namespace

std::string BenchNotesText(const ServiceRecord& record, bool ascii_only) {
  Paragraphs out(ascii_only);
  WriteInstrument(record.instrument, out);
  WriteFindings(record, out);
  WriteSpringMap(record, out);
  if (!record.work_done.empty()) out.Heading("Work done");
  for (const WorkDone& work : record.work_done) {
    out.Add(Start(EntryKind::kWorkDone, work.id, work.midi), Stamped(work.text, work.stamp));
  }
  if (!record.ticks.empty()) out.Heading("Work list");
  for (const WorkTick& tick : record.ticks) {
    const Visit* visit = record.FindVisit(tick.visit_id);
    out.Add(Start(EntryKind::kTick, tick.id, tick.midi),
            Stamped(std::string(tick.done ? "done: " : "reopened: ") +
                        std::string(WordOf(kTaskWords, tick.task)) + ", of \"" +
                        (visit != nullptr ? visit->name : "") + "\"",
                    tick.stamp));
  }
  if (!record.attachments.empty()) out.Heading("Pictures");
  for (const Attachment& attachment : record.attachments) {
    const std::string caption = attachment.caption.empty() ? "" : ": " + attachment.caption;
    out.Add(Start(EntryKind::kAttachment, attachment.id, attachment.midi),
            Stamped(attachment.name + caption, attachment.stamp));
  }
  return out.Text().empty() ? "nothing is noted yet\n" : out.Text();
}

Result<EntryName> ParseEntryName(const std::string& name) {
  const std::size_t colon = name.find(':');
  if (colon != std::string::npos) {
    const std::string digits = name.substr(colon + 1);
    EntryName entry;
    const auto [end, error] =
        std::from_chars(digits.data(), digits.data() + digits.size(), entry.id);
    for (const auto& [kind, word] : kEntryWords) {
      entry.kind = kind;
      if (name.substr(0, colon) == word && error == std::errc() &&
          end == digits.data() + digits.size()) {
        return entry;
      }
    }
  }
  return Fail(name + ": is no entry's name; it is written like finding:3, as the list shows it");
}

}  // namespace tinesight

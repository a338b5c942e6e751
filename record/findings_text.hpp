#pragma once

#include <string>

#include "record/service_record.hpp"

namespace tinesight {

/// What was noted at the bench, note by note, for a terminal: instrument, findings, work done,
/// spring map with its warnings, attachments. Every entry has the name that ParseEntryName reads.
[[nodiscard]] std::string BenchNotesText(const ServiceRecord& record, bool ascii_only = false);

struct EntryName {
  EntryKind kind = EntryKind::kFinding;
  std::int64_t id = 0;
};

/// "finding:3", "work:1", "tick:7", "review:2", "correction:4" or "picture:5".
[[nodiscard]] Result<EntryName> ParseEntryName(const std::string& name);

}  // namespace tinesight

#pragma once

#include <string>

#include "record/service_record.hpp"

namespace tinesight {

/// All of a record but pictures and cameras' EXIF as one JSON object, two spaces indented: the
/// instrument, every visit with its profile, result (as ResultJson; photos by their names without
/// folders) and work list, findings, spring map, work done, ticks, reviews and what is attached.
[[nodiscard]] std::string RecordJson(const ServiceRecord& record);

/// One row for each visit and note (RFC 4180): the visit, the columns of ResultCsv, then what was
/// found and done at the note.
[[nodiscard]] std::string RecordCsv(const ServiceRecord& record);

}  // namespace tinesight

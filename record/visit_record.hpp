#pragma once

#include <filesystem>
#include <string>
#include <vector>

#include "alignment/measurement.hpp"
#include "calibration/error.hpp"

namespace tinesight {

/// Application id ("Tine") and schema version of a service record; see record/README.md.
inline constexpr int kRecordApplicationId = 0x54696E65;
inline constexpr int kRecordSchemaVersion = 1;

/// What is kept of one visit.
struct VisitEntry {
  std::string name;        ///< "as found 2024-05-02"; each visit of a record has its own
  std::string instrument;  ///< name of the instrument profile
  /// The photos measured, in the order of measurement.photos, to keep their SHA-256.
  std::vector<std::filesystem::path> photos;
  VisitMeasurement measurement;
};

/// Whether a visit of that name could be added: the record is missing (in a folder that exists) or
/// is a sound service record of ours, not newer than this program, and has no such visit yet. The
/// file is only read. For use before the long work of measuring.
[[nodiscard]] Result<void> CheckVisitRecord(const std::filesystem::path& file,
                                            const std::string& visit_name);

/// Adds a visit in one transaction: afterwards the record holds all of it or, on failure, what it
/// held before. A missing record is created, whole or not at all.
[[nodiscard]] Result<void> AddVisit(const std::filesystem::path& file, const VisitEntry& visit);

}  // namespace tinesight

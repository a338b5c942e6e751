#pragma once

#include <filesystem>
#include <string>
#include <string_view>

#include "alignment/measurement.hpp"
#include "calibration/error.hpp"

namespace tinesight {

/// The result of `measure` as JSON (README.md, Files), two spaces indented: lengths mm, angles
/// degrees, every `_u_` the expanded uncertainty (k = 2), rounded to 1e-4. A figure that was not
/// measured (or is no finite number) is left out, never 0 or null; `reason` says why.
[[nodiscard]] std::string ResultJson(const VisitMeasurement& visit);

/// The notes as CSV (RFC 4180: CRLF line ends, quotes where needed), one row a note, units in the
/// header row, empty fields where nothing was measured.
[[nodiscard]] std::string ResultCsv(const VisitMeasurement& visit);

/// Reads back what ResultJson wrote, as far as pictures and 3D need it. Rejects a file that is no
/// such result, naming the key.
[[nodiscard]] Result<VisitMeasurement> ReadResultJson(const std::filesystem::path& file);

/// "harp-raised", "key-held", "resting" or "unknown": as the command line spells it.
[[nodiscard]] std::string DamperWord(DamperState damper);
/// The state of such a word; unknown for any other.
[[nodiscard]] DamperState DamperFromWord(std::string_view word);

}  // namespace tinesight

#pragma once

#include <string>

#include "alignment/measurement.hpp"
#include "calibration/error.hpp"

namespace tinesight {

/// A measured visit as the commands take it: a result of `measure --json` or, where the name ends
/// in .tinerec, a visit of that service record (`visit` names it; empty: the newest).
[[nodiscard]] Result<VisitMeasurement> ReadVisit(const std::string& file, const std::string& visit);

/// Whether the terminal's text is UTF-8.
[[nodiscard]] bool TerminalIsUtf8();

}  // namespace tinesight

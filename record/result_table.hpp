#pragma once

#include <string>

#include "alignment/measurement.hpp"
#include "alignment/profile.hpp"

namespace tinesight {

struct TableOptions {
  bool color = false;       ///< ANSI colors; only for a terminal. Words and marks say it all anyway
  bool ascii_only = false;  ///< "+/-" for "±" and so on, for terminals that are not UTF-8
  /// Targets and tolerances, to say the target height and gap and to put the worst note first by
  /// its excess over tolerance; without it the lateral offset alone orders the notes.
  const InstrumentProfile* profile = nullptr;
};

/// The result as a person reads it at the bench, at most 100 columns: notes to re-center or adjust
/// first (worst first), then the uncertain ones with the reason, then all others in compact form,
/// the ones not measured, a summary line, and what there is to say about the photos. ± is the
/// expanded uncertainty (k = 2). Marks: ! out of tolerance, ? uncertain, = in tolerance,
/// x not measured.
[[nodiscard]] std::string ResultTable(const VisitMeasurement& visit,
                                      const TableOptions& options = {});

}  // namespace tinesight

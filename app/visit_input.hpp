#pragma once

// What the subcommands that take one measured visit share.
#include <CLI/CLI.hpp>
#include <string>

#include "alignment/measurement.hpp"
#include "alignment/profile.hpp"
#include "calibration/error.hpp"

namespace tinesight {

struct VisitInputOptions {
  std::string file;        ///< result of `measure --json` or service record (.tinerec)
  std::string visit;       ///< of the record; empty: the newest
  std::string instrument;  ///< empty: the profile that the record's visit was judged by
};

struct VisitInput {
  VisitMeasurement measurement;
  InstrumentProfile profile;
};

void AddVisitInputOptions(CLI::App& command, VisitInputOptions& options);

/// Reads both. Wrong usage where the options don't go together.
[[nodiscard]] Result<VisitInput> ReadVisitInput(const VisitInputOptions& options);

}  // namespace tinesight

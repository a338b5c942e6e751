#pragma once

#include <filesystem>
#include <string>
#include <vector>

#include "calibration/error.hpp"

namespace tinesight {

enum class PaperSize { kLetter, kA4 };

/// A register card to print: the tag with id kRegisterCardBaseId + midi, under the note's name.
struct RegisterCard {
  int midi = 0;
  std::string name;
};

/// The sheets that the technician prints, cuts and glues: instructions, both strips in pieces on
/// one sheet (one caliper reading holds for all of them), register cards. Sheets lie landscape, so
/// "along" the strip is the long side of the paper.
struct StripSheetOptions {
  PaperSize paper = PaperSize::kLetter;
  std::vector<RegisterCard> cards;  ///< empty: no page of cards; MIDI numbers 0 to 127

  [[nodiscard]] Result<void> Validate() const;
};

/// The PDF's bytes: drawn at 1:1, a 100 mm check line along and one across on every page, print
/// scaling off in the viewer preferences, no date (equal options give equal bytes).
[[nodiscard]] Result<std::string> StripSheetsPdf(const StripSheetOptions& options = {});

/// Writes that PDF; whole or not at all.
[[nodiscard]] Result<void> WriteStripSheets(const StripSheetOptions& options,
                                            const std::filesystem::path& file);

}  // namespace tinesight

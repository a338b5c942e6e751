#pragma once

// For record/ alone: what reports and pictures say of a note, in whole words.
#include <optional>
#include <string>
#include <vector>

#include "alignment/measurement.hpp"
#include "alignment/profile.hpp"

namespace tinesight {

/// One quantity of a note for a reader.
struct FigureText {
  std::string name;     ///< "Lateral offset"
  std::string value;    ///< "0.87 ± 0.18 mm toward treble"; "not measured"
  std::string verdict;  ///< "re-center"
  std::string target;   ///< "at most 0.35", "should be 0.70 to 1.70", mm; empty without a profile
  Verdict mark = Verdict::kNotMeasured;
};

/// Lateral offset, height and gap, in that order. `target` may be absent.
[[nodiscard]] std::vector<FigureText> FigureTexts(const NoteMeasurement& note,
                                                  const NoteProfile* target);

/// "0.87 ± 0.18"; "–" where nothing was measured.
[[nodiscard]] std::string PlusMinusText(const std::optional<Measured>& measured);

/// What is wrong with a note in one phrase: "re-center; adjust height", "uncertain: lateral
/// offset, gap", "centered", "not measured".
[[nodiscard]] std::string VerdictPhrase(const NoteMeasurement& note);

/// The verdict that VerdictPhrase leads with, for a mark beside it.
[[nodiscard]] Verdict LeadingVerdict(const NoteMeasurement& note);

/// "2024-05-02" as "May 2, 2024"; any other text as it is.
[[nodiscard]] std::string LongDate(const std::string& iso_date);

/// Upper-case first letter (ASCII) and a full stop at the end.
[[nodiscard]] std::string Sentence(std::string text);

}  // namespace tinesight

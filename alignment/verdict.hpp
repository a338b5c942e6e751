#pragma once

#include <string>
#include <string_view>

namespace tinesight {

/// Outcome of the decision rule for one quantity of a note.
enum class Verdict { kNotMeasured, kInTolerance, kOutOfTolerance, kUncertain };

/// The quantities that are judged.
enum class Quantity { kLateral, kHeight, kGap };

/// ISO 14253-1 with guard band U (k = 2): in tolerance only if |deviation| + U <= tolerance, out
/// of tolerance only if |deviation| - U > tolerance, else uncertain. Non-finite input, negative U
/// or tolerance <= 0: not measured.
[[nodiscard]] Verdict Judge(double deviation, double expanded_u, double tolerance);

/// The trade's word: lateral "centered" / "re-center", height and gap "in range" / "adjust";
/// "uncertain" and "not measured" for all.
[[nodiscard]] std::string VerdictWord(Verdict verdict, Quantity quantity);

/// The verdict of a word that VerdictWord gave; not measured for any other.
[[nodiscard]] Verdict VerdictFromWord(std::string_view word);

}  // namespace tinesight

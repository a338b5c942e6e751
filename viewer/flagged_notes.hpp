#pragma once

#include <optional>
#include <string>
#include <vector>

#include "alignment/measurement.hpp"
#include "alignment/profile.hpp"

namespace tinesight {

/// What the keyboard chart can show of a note.
enum class ChartQuantity { kLateral, kHeight, kGap, kToneBarYaw, kDamperLift };
inline constexpr int kChartQuantities = 5;

/// "lateral offset", "height", "gap", "tone bar yaw", "damper lift".
[[nodiscard]] std::string ChartQuantityName(ChartQuantity quantity);
/// "mm" or "°".
[[nodiscard]] std::string ChartQuantityUnit(ChartQuantity quantity);
/// The sign's meaning, positive and negative: "toward treble", "toward bass".
[[nodiscard]] std::string ChartQuantitySide(ChartQuantity quantity, bool positive);

/// One bar of the chart: how far a note is from its target. Without a target (tone bar yaw, damper
/// lift, or no profile) the target is 0; without a tolerance there is no band and no verdict.
struct Deviation {
  Measured value;  ///< as measured
  double target = 0.0;
  Measured deviation;  ///< value − target, the same U
  std::optional<double> tolerance;
  Verdict verdict = Verdict::kNotMeasured;
};

/// Nothing where the quantity was not measured.
[[nodiscard]] std::optional<Deviation> DeviationOf(const NoteMeasurement& note,
                                                   ChartQuantity quantity,
                                                   const InstrumentProfile* profile);

/// A note's verdict on a judged quantity; not measured for the others.
[[nodiscard]] Verdict VerdictOf(const NoteMeasurement& note, ChartQuantity quantity);
/// The trade's word for it.
[[nodiscard]] std::string VerdictWordOf(Verdict verdict, ChartQuantity quantity);
/// The gravest of a note's three verdicts: out of tolerance, uncertain, not measured, in tolerance.
[[nodiscard]] Verdict WorstVerdict(const NoteMeasurement& note);

/// A note that asks for attention.
struct FlaggedNote {
  int midi = 0;
  Verdict verdict = Verdict::kNotMeasured;
  ChartQuantity quantity = ChartQuantity::kLateral;  ///< the one that is worst
  double severity = 0.0;  ///< |deviation| in tolerances; 0 where not measured
  std::string text;       ///< "1.70 mm toward treble"
};

/// All notes that are not in tolerance in everything, worst first: those out of tolerance by how
/// many tolerances they are off, then the uncertain ones likewise, then those not measured. A gap
/// or height that is merely uncertain does not flag a note whose lateral offset is in tolerance
/// unless `strict`.
[[nodiscard]] std::vector<FlaggedNote> FlaggedNotes(const VisitMeasurement& visit,
                                                    const InstrumentProfile* profile,
                                                    bool strict = false);

/// "1.70 mm toward treble", "0.30 mm too high": a deviation in words, without U.
[[nodiscard]] std::string DeviationText(const Deviation& deviation, ChartQuantity quantity);
/// "+1.70 ± 0.06 mm".
[[nodiscard]] std::string MeasuredText(const Measured& measured, ChartQuantity quantity);

}  // namespace tinesight

#pragma once

#include <string>

#include "alignment/tone_target.hpp"

namespace tinesight {

/// The predicted tone as a person reads it at the bench, at most 100 columns: first in sentences
/// which notes stick out (worst first), which are off and won't be heard, which blend in; then a
/// row a note: level, octave and twelfth at the medium stroke with their intervals of 95 %, what
/// changes from soft to hard, and the best place with its sensitivity.
[[nodiscard]] std::string ToneTable(const VisitMeasurement& visit, const InstrumentProfile& profile,
                                    bool ascii_only = false);

/// The same figures as JSON: every key with its unit, intervals as `_low` and `_high`.
[[nodiscard]] std::string ToneJson(const VisitMeasurement& visit, const InstrumentProfile& profile);

/// One note now and at another place: a row a stroke and what changes in one sentence.
[[nodiscard]] std::string WhatIfText(const NoteTone& now, const NoteTone& then,
                                     const ToneChange& change, const ToneProfile& tone,
                                     bool ascii_only = false);

}  // namespace tinesight

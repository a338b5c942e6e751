#pragma once

#include <string>
#include <vector>

#include "alignment/tone_prediction.hpp"

namespace tinesight {

/// Which notes will stick out of their neighbors to the ear, and which are off without being heard.
///
/// Two figures of the medium stroke are compared with a robust straight line through those of the
/// up to seven measured notes on either side (the note itself left out; with notes on one side only
/// a robust mean), each against its own ideal place: the level, to that of the
/// note's ideal place, and the second harmonic to the fundamental, the octave. What of the two is
/// faint beside the other counts less: HeardRatioDb.
/// With fewer than five neighbors the line is the profile's: level and octave of the ideal place.

/// As with the verdicts: sure only where the whole interval of 95 % is on one side of what can be
/// heard, else by which side the figure itself is on.
enum class ToneHeard { kNo, kProbablyNot, kProbably, kYes };
/// "sticks out", "probably sticks out", "probably blends in", "blends in".
[[nodiscard]] std::string ToneHeardWord(ToneHeard heard);

/// A figure of a note against its neighbors, dB.
struct EvennessFigure {
  ToneInterval figure;  ///< the octave's: HeardRatioDb
  double trend_db = 0.0;
  double trend_u_db = 0.0;  ///< expanded (k = 2)
  [[nodiscard]] double Deviation() const { return figure.value - trend_db; }
};

struct NoteEvenness {
  int midi = 0;
  std::string name;
  EvennessFigure level;
  EvennessFigure octave;
  bool against_profile = false;  ///< too few neighbors; the trend is the profile's
  ToneHeard heard = ToneHeard::kNo;
  bool within_tolerance = false;  ///< lateral offset, height and gap all, by their figures
  /// How far the note stands out: the deviations of level and octave in units of what can be
  /// heard, as the root of the sum of their squares. From 1 on it is heard.
  double cost = 0.0;
  /// One sentence for the technician: heard or not, how, and which of the three figures makes it.
  std::string sentence;
  /// The figure that, put right alone, brings it nearest to its neighbors, as one says it of the
  /// tine: "0.65 mm too low", "2.33 mm toward bass". Empty where no single one does.
  std::string cause;
};

/// What the tone chart draws, and the work list's order.
struct EvennessChart {
  std::vector<NoteEvenness> notes;  ///< ascending; those with all three figures measured
  double audible_level_db = 0.0;
  double audible_octave_db = 0.0;
  bool workshop_defaults = true;  ///< the profile says nothing of strokes and limits
  /// "The gap" where it makes most of the uncertainty in most notes; may be empty.
  std::string main_uncertainty;

  [[nodiscard]] const NoteEvenness* Find(int midi) const;
};

[[nodiscard]] EvennessChart Evenness(const VisitMeasurement& visit,
                                     const InstrumentProfile& profile);

/// "2.1 dB quieter and rounder (octave 5.3 dB weaker)" for a change in level and octave; empty
/// where both round to nothing.
[[nodiscard]] std::string ToneChangeText(double level_db, double octave_db);

/// The same without figures, for a reader who has no use for decibels: "much quieter, brighter". In
/// units of what can be heard: from a half on "a little", from three on "much".
[[nodiscard]] std::string PlainToneText(const NoteEvenness& note, const EvennessChart& chart);

/// The ratio r of two partials as it counts to the ear, 10 log10((r² + f²)/(1 + r² f²)) with f =
/// 0.1 (a workshop default): the ratio itself while both are there, leveling off at ±20 dB, where
/// the weaker one has a hundredth of the power; whether it is 30 or 50 dB down nobody hears.
[[nodiscard]] double HeardRatioDb(double ratio_db);
/// The ratio that counts as `heard_db`, which is limited to ±19 dB.
[[nodiscard]] double RatioHeardAsDb(double heard_db);

}  // namespace tinesight

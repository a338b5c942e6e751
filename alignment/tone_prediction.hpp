#pragma once

#include <array>
#include <optional>
#include <string>

#include "alignment/measurement.hpp"
#include "alignment/profile.hpp"
#include "alignment/tone_model.hpp"

namespace tinesight {

/// From a note's measured place to what it should sound like, with the uncertainty of the place
/// carried through. It is a prediction by tone_model's law: nothing has been listened to. The
/// strokes are the profile's (workshop defaults, if it says nothing); their uncertainty and the
/// model's own are in no interval.

enum class Dynamic { kSoft, kMedium, kHard };
inline constexpr std::array<Dynamic, 3> kDynamics{Dynamic::kSoft, Dynamic::kMedium, Dynamic::kHard};
[[nodiscard]] std::string DynamicWord(Dynamic dynamic);  ///< "soft", "medium", "hard"

/// A place with the expanded uncertainties (k = 2) of lateral offset, height and gap, mm, taken as
/// independent.
struct MeasuredPlace {
  PickupPlace place;
  Eigen::Vector3d expanded_u_mm = Eigen::Vector3d::Zero();
};
/// Absent where one of the three was not measured, or the gap is no gap.
[[nodiscard]] std::optional<MeasuredPlace> PlaceOf(const NoteMeasurement& note);

[[nodiscard]] PickupPlace IdealPlace(const NoteProfile& target);  ///< the profile's height and gap
[[nodiscard]] double PoleRadiusMm(const NoteProfile& target);
[[nodiscard]] TineStroke StrokeOf(const NoteProfile& target, const ToneProfile& tone,
                                  Dynamic dynamic);

/// A figure with its interval of 95 %.
///
/// By the law of propagation (JCGM 100, 5.1.2): u² = Σ (slope · u)², value ± 2u. That holds while
/// the figure is a straight line over the interval of its inputs. It is not where it passes an
/// extreme (the level near its least value, the octave near its vanishing, every figure at a
/// lateral offset of 0): there the slope says "no uncertainty", which is false. So the figure is
/// also taken at ± U of each input; where that departs from the line by more than 0.5 dB and a
/// fifth of the half width, `linear` is false, and low and high are the 2.3 % and 97.7 % points of
/// the propagated distribution (JCGM 101, 1000 points spread evenly through the normal
/// distributions of the inputs), widened to hold the value itself.
struct ToneInterval {
  double value = 0.0;
  double low = 0.0;
  double high = 0.0;
  bool linear = true;
};

struct DynamicTone {
  ToneInterval level_db;   ///< to that of the ideal place at the same stroke
  ToneInterval second_db;  ///< second harmonic to the fundamental
  ToneInterval third_db;
};

struct NoteTone {
  int midi = 0;
  std::string name;
  MeasuredPlace at;
  std::array<DynamicTone, 3> dynamics;  ///< by kDynamics
  /// Hard minus soft: how the note answers to the touch. Its level less what the ideal place gains
  /// (negative: flatter than it should be), the harmonics as they are.
  DynamicTone growth;
  std::array<Eigen::Vector2d, 3> ideal_harmonics_db;  ///< second and third, at the ideal place
  /// Slopes of the medium stroke's level and second harmonic by lateral offset, height and gap.
  Eigen::Vector3d level_db_per_mm = Eigen::Vector3d::Zero();
  Eigen::Vector3d second_db_per_mm = Eigen::Vector3d::Zero();

  [[nodiscard]] const DynamicTone& Of(Dynamic dynamic) const {
    return dynamics[static_cast<std::size_t>(dynamic)];
  }
};

/// Precondition: the place's gap > 0, uncertainties ≥ 0, everything finite.
[[nodiscard]] NoteTone PredictNoteTone(const NoteProfile& target, const ToneProfile& tone,
                                       const MeasuredPlace& at);

/// What moving a tine from where it was measured to another place does, as differences. The error
/// of the measured place goes along with the tine (the screw turns it by a known amount from an
/// uncertain place), so that much of it cancels.
struct ToneChange {
  std::array<DynamicTone, 3> dynamics;  ///< then less now, dB
  DynamicTone growth;

  [[nodiscard]] const DynamicTone& Of(Dynamic dynamic) const {
    return dynamics[static_cast<std::size_t>(dynamic)];
  }
};
[[nodiscard]] ToneChange PredictToneChange(const NoteProfile& target, const ToneProfile& tone,
                                           const MeasuredPlace& now, const PickupPlace& then);

/// All notes of a visit that were measured in the three quantities and stand in the profile.
[[nodiscard]] std::vector<NoteTone> PredictVisitTone(const VisitMeasurement& visit,
                                                     const InstrumentProfile& profile);

}  // namespace tinesight

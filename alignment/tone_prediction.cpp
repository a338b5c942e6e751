#include "alignment/tone_prediction.hpp"

#include <algorithm>
#include <cmath>
#include <functional>
#include <vector>

#include "alignment/cantilever.hpp"
#include "alignment/monte_carlo.hpp"
#include "alignment/note_name.hpp"

namespace tinesight {
namespace {

constexpr double kReferenceLengthMm = 50.0;  // of ToneProfile's amplitudes
constexpr double kLeastGapMm = 0.1;          // of a draw: nearer, the tine would touch
constexpr int kDraws = 1000;
constexpr double kTail = 0.02275;  // beyond two standard deviations of a normal distribution
constexpr double kStraightDb = 0.5;
constexpr double kStraightShare = 0.2;

// Level, second and third harmonic of soft, medium and hard, then hard minus soft.
constexpr int kOutputs = 12;
using Outputs = Eigen::Matrix<double, kOutputs, 1>;
using Slopes = Eigen::Matrix<double, kOutputs, 3>;

class Predictor {
 public:
  Predictor(const NoteProfile& target, const ToneProfile& tone) : radius_mm_(PoleRadiusMm(target)) {
    for (const Dynamic dynamic : kDynamics) {
      strokes_[static_cast<std::size_t>(dynamic)] = StrokeOf(target, tone, dynamic);
    }
    ideal_ = Absolute(IdealPlace(target));
  }

  [[nodiscard]] const Outputs& Ideal() const { return ideal_; }

  // Levels relative to the ideal place.
  [[nodiscard]] Outputs At(const PickupPlace& place) const { return Relative(Absolute(place)); }

  [[nodiscard]] std::pair<Outputs, Slopes> WithSlopes(const PickupPlace& place) const {
    Outputs values;
    Slopes slopes;
    for (int i = 0; i < 3; ++i) {
      const ToneFigures tone =
          PredictTone(place, radius_mm_, strokes_[static_cast<std::size_t>(i)]);
      values.segment<3>(3 * i) << tone.level.db, tone.second.db, tone.third.db;
      slopes.row(3 * i) = tone.level.per_mm;
      slopes.row(3 * i + 1) = tone.second.per_mm;
      slopes.row(3 * i + 2) = tone.third.per_mm;
    }
    values.tail<3>() = values.segment<3>(6) - values.head<3>();
    slopes.bottomRows<3>() = slopes.middleRows<3>(6) - slopes.topRows<3>();
    return {Relative(values), slopes};
  }

 private:
  [[nodiscard]] Outputs Absolute(const PickupPlace& place) const {
    Outputs values;
    for (int i = 0; i < 3; ++i) {
      values.segment<3>(3 * i) =
          PredictToneDb(place, radius_mm_, strokes_[static_cast<std::size_t>(i)]);
    }
    values.tail<3>() = values.segment<3>(6) - values.head<3>();
    return values;
  }

  [[nodiscard]] Outputs Relative(Outputs values) const {
    for (const int level : {0, 3, 6, 9}) values(level) -= ideal_(level);
    return values;
  }

  double radius_mm_;
  std::array<TineStroke, 3> strokes_;
  Outputs ideal_;
};

PickupPlace Moved(const PickupPlace& place, const Eigen::Vector3d& by_mm) {
  return {place.lateral_mm + by_mm(0), place.height_mm + by_mm(1),
          std::max(place.gap_mm + by_mm(2), kLeastGapMm)};
}

// The outputs as a function of an error of lateral offset, height and gap, mm.
using OfError = std::function<Outputs(const Eigen::Vector3d&)>;

// Which outputs are straight over ± U of every input.
std::array<bool, kOutputs> Straight(const OfError& of_error, const Eigen::Vector3d& expanded_u_mm,
                                    const Outputs& values, const Slopes& slopes,
                                    const Outputs& half_width) {
  std::array<bool, kOutputs> straight{};
  straight.fill(true);
  for (int axis = 0; axis < 3; ++axis) {
    for (const double sign : {-1.0, 1.0}) {
      const double step_mm = sign * expanded_u_mm(axis);
      const Outputs there = of_error(step_mm * Eigen::Vector3d::Unit(axis));
      for (int i = 0; i < kOutputs; ++i) {
        const double off = std::abs(there(i) - values(i) - slopes(i, axis) * step_mm);
        if (!(off <= kStraightDb + kStraightShare * half_width(i))) {
          straight[static_cast<std::size_t>(i)] = false;
        }
      }
    }
  }
  return straight;
}

std::vector<Outputs> Draws(const OfError& of_error, const Eigen::Vector3d& expanded_u_mm) {
  std::vector<Outputs> draws;
  draws.reserve(kDraws);
  for (int i = 1; i <= kDraws; ++i) {
    draws.push_back(of_error(0.5 * expanded_u_mm.cwiseProduct(NormalDraw(i, 3))));
  }
  return draws;
}

ToneInterval FromDraws(const std::vector<Outputs>& draws, int output, double value) {
  std::vector<double> values;
  values.reserve(draws.size());
  for (const Outputs& draw : draws) values.push_back(draw(output));
  const CoverageInterval interval = SymmetricInterval(std::move(values), kTail);
  return {value, std::min(value, interval.low), std::max(value, interval.high), false};
}

std::array<DynamicTone, 4> Intervals(const OfError& of_error, const Eigen::Vector3d& expanded_u_mm,
                                     const Outputs& values, const Slopes& slopes) {
  const Outputs half_width = (slopes * expanded_u_mm.asDiagonal()).rowwise().norm();
  const auto straight = Straight(of_error, expanded_u_mm, values, slopes, half_width);
  std::vector<Outputs> draws;
  if (!std::all_of(straight.begin(), straight.end(), [](bool is) { return is; })) {
    draws = Draws(of_error, expanded_u_mm);
  }
  const auto interval = [&](int i) {
    return straight[static_cast<std::size_t>(i)]
               ? ToneInterval{values(i), values(i) - half_width(i), values(i) + half_width(i), true}
               : FromDraws(draws, i, values(i));
  };
  std::array<DynamicTone, 4> tones;
  for (int i = 0; i < 4; ++i) {
    tones[static_cast<std::size_t>(i)] = {interval(3 * i), interval(3 * i + 1),
                                          interval(3 * i + 2)};
  }
  return tones;
}

}  // namespace

std::string DynamicWord(Dynamic dynamic) {
  switch (dynamic) {
    case Dynamic::kSoft:
      return "soft";
    case Dynamic::kMedium:
      return "medium";
    case Dynamic::kHard:
      break;
  }
  return "hard";
}

std::optional<MeasuredPlace> PlaceOf(const NoteMeasurement& note) {
  if (!note.lateral_mm || !note.height_mm || !note.gap_mm) return std::nullopt;
  MeasuredPlace at;
  at.place = {note.lateral_mm->value, note.height_mm->value, note.gap_mm->value};
  at.expanded_u_mm << note.lateral_mm->expanded_u, note.height_mm->expanded_u,
      note.gap_mm->expanded_u;
  const bool sound = std::isfinite(at.place.lateral_mm + at.place.height_mm + at.place.gap_mm) &&
                     at.expanded_u_mm.allFinite() && at.expanded_u_mm.minCoeff() >= 0.0;
  return sound && at.place.gap_mm > 0.0 ? std::optional(at) : std::nullopt;
}

PickupPlace IdealPlace(const NoteProfile& target) { return {0.0, target.height_mm, target.gap_mm}; }

double PoleRadiusMm(const NoteProfile& target) { return 0.5 * target.pole_tip_diameter_mm; }

TineStroke StrokeOf(const NoteProfile& target, const ToneProfile& tone, Dynamic dynamic) {
  const std::array<double, 3> amplitudes_mm{tone.amplitude_soft_mm, tone.amplitude_medium_mm,
                                            tone.amplitude_hard_mm};
  TineStroke stroke;
  stroke.amplitude_mm =
      amplitudes_mm[static_cast<std::size_t>(dynamic)] *
      std::pow(target.tine_length_mm / kReferenceLengthMm, tone.amplitude_length_exponent);
  stroke.second_mode_share = tone.second_mode_share;
  stroke.second_mode_ratio = SecondModeRatio(kDefaultTipMassRatio);
  return stroke;
}

NoteTone PredictNoteTone(const NoteProfile& target, const ToneProfile& tone,
                         const MeasuredPlace& at) {
  const Predictor predictor(target, tone);
  const auto [values, slopes] = predictor.WithSlopes(at.place);
  const auto tones =
      Intervals([&](const Eigen::Vector3d& error) { return predictor.At(Moved(at.place, error)); },
                at.expanded_u_mm, values, slopes);
  NoteTone note;
  note.midi = target.midi;
  note.name = NoteName(target.midi);
  note.at = at;
  std::copy_n(tones.begin(), 3, note.dynamics.begin());
  note.growth = tones[3];
  for (std::size_t i = 0; i < 3; ++i) {
    note.ideal_harmonics_db[i] = predictor.Ideal().segment<2>(3 * static_cast<Eigen::Index>(i) + 1);
  }
  note.level_db_per_mm = slopes.row(3);
  note.second_db_per_mm = slopes.row(4);
  return note;
}

ToneChange PredictToneChange(const NoteProfile& target, const ToneProfile& tone,
                             const MeasuredPlace& now, const PickupPlace& then) {
  const Predictor predictor(target, tone);
  const auto [now_values, now_slopes] = predictor.WithSlopes(now.place);
  const auto [then_values, then_slopes] = predictor.WithSlopes(then);
  const auto tones = Intervals(
      [&](const Eigen::Vector3d& error) -> Outputs {
        return predictor.At(Moved(then, error)) - predictor.At(Moved(now.place, error));
      },
      now.expanded_u_mm, then_values - now_values, then_slopes - now_slopes);
  ToneChange change;
  std::copy_n(tones.begin(), 3, change.dynamics.begin());
  change.growth = tones[3];
  return change;
}

std::vector<NoteTone> PredictVisitTone(const VisitMeasurement& visit,
                                       const InstrumentProfile& profile) {
  std::vector<NoteTone> tones;
  for (const NoteMeasurement& note : visit.notes) {
    const NoteProfile* target = profile.Find(note.midi);
    const std::optional<MeasuredPlace> at = PlaceOf(note);
    if (target != nullptr && at) tones.push_back(PredictNoteTone(*target, profile.tone, *at));
  }
  return tones;
}

}  // namespace tinesight

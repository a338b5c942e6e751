#include "alignment/tone_target.hpp"

#include <ceres/ceres.h>

#include <algorithm>
#include <cmath>

namespace tinesight {
namespace {

constexpr double kHeightReachMm = 1.5;
constexpr double kLeastGapShare = 0.5;
constexpr double kMostGapShare = 2.0;
constexpr double kReachedDb = 0.05;

// Level and octave less the target, in units of what can be heard; parameters height and gap, mm.
class TargetError : public ceres::SizedCostFunction<2, 2> {
 public:
  TargetError(double radius_mm, const TineStroke& stroke, double ideal_level_db,
              const ToneTarget& wanted, const ToneProfile& tone)
      : radius_mm_(radius_mm),
        stroke_(stroke),
        ideal_level_db_(ideal_level_db),
        wanted_(wanted),
        scale_(1.0 / tone.audible_level_db, 1.0 / tone.audible_harmonic_db) {}

  bool Evaluate(double const* const* parameters, double* residuals,
                double** jacobians) const override {
    const ToneFigures tone =
        PredictTone({0.0, parameters[0][0], parameters[0][1]}, radius_mm_, stroke_);
    residuals[0] = scale_(0) * (tone.level.db - ideal_level_db_ - wanted_.level_db);
    residuals[1] = scale_(1) * (tone.second.db - wanted_.octave_db);
    if (jacobians != nullptr && jacobians[0] != nullptr) {
      for (int i = 0; i < 2; ++i) {
        jacobians[0][i] = scale_(0) * tone.level.per_mm(1 + i);
        jacobians[0][2 + i] = scale_(1) * tone.second.per_mm(1 + i);
      }
    }
    return true;
  }

 private:
  double radius_mm_;
  TineStroke stroke_;
  double ideal_level_db_;
  ToneTarget wanted_;
  Eigen::Vector2d scale_;
};

double Toward(double from, double to, double most) {
  return from + std::clamp(to - from, -most, most);
}

}  // namespace

ToneTarget TargetFor(const NoteProfile& target, const ToneProfile& tone,
                     const NoteEvenness* evenness) {
  const double ideal_octave_db = PredictToneDb(IdealPlace(target), PoleRadiusMm(target),
                                               StrokeOf(target, tone, Dynamic::kMedium))(1);
  ToneTarget wanted{tone.target_level_db, tone.target_second_harmonic_db.value_or(ideal_octave_db)};
  if (evenness == nullptr || evenness->against_profile) return wanted;
  wanted.level_db = Toward(wanted.level_db, evenness->level.trend_db, tone.audible_level_db);
  wanted.octave_db = RatioHeardAsDb(
      Toward(HeardRatioDb(wanted.octave_db), evenness->octave.trend_db, tone.audible_harmonic_db));
  return wanted;
}

BestPlace FindBestPlace(const NoteProfile& target, const ToneProfile& tone,
                        const ToneTarget& wanted) {
  const TineStroke stroke = StrokeOf(target, tone, Dynamic::kMedium);
  const double radius_mm = PoleRadiusMm(target);
  const double ideal_level_db = PredictToneDb(IdealPlace(target), radius_mm, stroke)(0);
  std::array<double, 2> place{target.height_mm, target.gap_mm};
  ceres::Problem problem;
  problem.AddResidualBlock(new TargetError(radius_mm, stroke, ideal_level_db, wanted, tone),
                           nullptr, place.data());
  problem.SetParameterLowerBound(place.data(), 0, target.height_mm - kHeightReachMm);
  problem.SetParameterUpperBound(place.data(), 0, target.height_mm + kHeightReachMm);
  problem.SetParameterLowerBound(place.data(), 1, kLeastGapShare * target.gap_mm);
  problem.SetParameterUpperBound(place.data(), 1, kMostGapShare * target.gap_mm);
  ceres::Solver::Options options;
  options.max_num_iterations = 100;
  options.function_tolerance = 1e-14;
  options.parameter_tolerance = 1e-10;
  options.logging_type = ceres::SILENT;
  ceres::Solver::Summary summary;
  ceres::Solve(options, &problem, &summary);

  BestPlace best;
  best.place = {0.0, place[0], place[1]};
  const ToneFigures there = PredictTone(best.place, radius_mm, stroke);
  best.level_db = there.level.db - ideal_level_db;
  best.octave_db = there.second.db;
  best.reached = std::abs(best.level_db - wanted.level_db) <= kReachedDb &&
                 std::abs(best.octave_db - wanted.octave_db) <= kReachedDb;
  best.level_per_tenth_height_db = 0.1 * there.level.per_mm(1);
  best.level_per_tenth_gap_db = 0.1 * there.level.per_mm(2);
  best.octave_per_tenth_height_db = 0.1 * there.second.per_mm(1);
  best.octave_per_tenth_gap_db = 0.1 * there.second.per_mm(2);
  return best;
}

}  // namespace tinesight

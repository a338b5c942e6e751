#include "alignment/seen_elsewhere.hpp"

#include <ceres/ceres.h>

#include <cmath>

#include "alignment/harp_residuals.hpp"
#include "calibration/angle.hpp"

namespace tinesight {
namespace {

using N = SolvedNote;

/// Distance of an axis point from the tine's image, whitened, in a photo whose camera is known.
struct AxisInPhotoError {
  Eigen::Isometry3d camera_from_harp;
  Camera camera;
  AxisPoint observed;

  template <typename T>
  bool operator()(const T* note, T* residual) const {
    residual[0] =
        AcrossLine<T>(Project<T>(note, T(observed.along_mm)),
                      Project<T>(note, T(observed.along_mm - 1.0)), observed.position_px) /
        T(observed.sigma_px);
    return true;
  }
  template <typename T>
  Eigen::Matrix<T, 2, 1> Project(const T* note, const T& along) const {
    const Eigen::Matrix<T, 3, 1> at =
        camera_from_harp.linear().cast<T>() * AxisPointAt<T>(note, along) +
        camera_from_harp.translation().cast<T>();
    T distortion[5];
    for (int i = 0; i < 5; ++i) distortion[i] = T(camera.distortion[static_cast<std::size_t>(i)]);
    return ProjectPinhole<T>(at, T(camera.fx_px), T(camera.fy_px), T(camera.cx_px), T(camera.cy_px),
                             distortion);
  }
};

const NoteObservation* Find(const PhotoObservations& photo, int midi) {
  for (const NoteObservation& seen : photo.notes) {
    if (seen.midi == midi && seen.axis.size() >= 2) return &seen;
  }
  return nullptr;
}

void AddPriors(const InstrumentProfile& profile, int midi, double* state, ceres::Problem& problem) {
  const PriorUncertainty& u = profile.prior_u;
  const auto add = [&](int index, double mean, double sigma) {
    problem.AddResidualBlock(new ceres::AutoDiffCostFunction<PriorError<N::kCount>, 1, N::kCount>(
                                 new PriorError<N::kCount>{index, mean, sigma}),
                             new ceres::HuberLoss(HarpSolveOptions{}.huber), state);
  };
  add(N::kLateral, 0.0, u.lateral_mm);
  add(N::kHeight, profile.Find(midi)->height_mm, u.height_mm);
  add(N::kYaw, 0.0, u.tine_yaw_deg * kRadPerDeg);
  add(N::kPitch, 0.0, u.tine_pitch_deg * kRadPerDeg);
}

}  // namespace

TineLine LineOf(const SolvedNote& note) {
  const auto& s = note.state;
  return {{s(N::kX) + s(N::kLateral), s(N::kY) + s(N::kHeight), s(N::kZ)},
          Eigen::Vector3d(std::tan(s(N::kYaw)), std::tan(s(N::kPitch)), 1.0).normalized()};
}

std::optional<TineLine> TineSeenElsewhere(const std::vector<PhotoObservations>& photos,
                                          const HarpSolution& solution,
                                          const InstrumentProfile& profile, const SolvedNote& note,
                                          std::size_t photo) {
  SolvedNote elsewhere = note;
  double* const state = elsewhere.state.data();
  ceres::Problem problem;
  for (std::size_t i = 0; i < photos.size(); ++i) {
    const NoteObservation* const seen = i == photo ? nullptr : Find(photos[i], note.midi);
    if (seen == nullptr) continue;
    for (const AxisPoint& point : seen->axis) {
      problem.AddResidualBlock(
          new ceres::AutoDiffCostFunction<AxisInPhotoError, 1, N::kCount>(
              new AxisInPhotoError{solution.camera_from_harp[i], solution.cameras[i], point}),
          new ceres::HuberLoss(HarpSolveOptions{}.huber), state);
    }
  }
  if (problem.NumResiduals() == 0) return std::nullopt;
  AddPriors(profile, note.midi, state, problem);
  problem.SetManifold(
      state, new ceres::SubsetManifold(N::kCount, {N::kX, N::kY, N::kZ, N::kGap, N::kRecess}));
  ceres::Solver::Options options;
  options.linear_solver_type = ceres::DENSE_QR;
  options.logging_type = ceres::SILENT;
  ceres::Solver::Summary summary;
  ceres::Solve(options, &problem, &summary);
  if (!summary.IsSolutionUsable()) return std::nullopt;
  return LineOf(elsewhere);
}

}  // namespace tinesight

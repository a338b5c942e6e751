#include "alignment/harp_costs.hpp"

#include <ceres/ceres.h>
#include <ceres/rotation.h>

#include <Eigen/Dense>

#include "alignment/harp_residuals.hpp"

namespace tinesight {
namespace {

template <typename T>
using Vector3 = Eigen::Matrix<T, 3, 1>;
template <typename T>
using Vector2 = Eigen::Matrix<T, 2, 1>;

template <typename T>
Vector3<T> Moved(const Eigen::Isometry3d& transform, const Vector3<T>& x, const T* change) {
  const Vector3<T> rotated = transform.linear().cast<T>() * x;
  Vector3<T> turned;
  ceres::AngleAxisRotatePoint(change, rotated.data(), turned.data());
  const Vector3<T> translation = transform.translation().cast<T>();
  return turned + translation + Vector3<T>(change[3], change[4], change[5]);
}

template <typename T>
Vector2<T> Project(const HarpView& view, const Vector3<T>& x_in_harp, const T* photo,
                   const T* placement) {
  const Vector3<T> x_in_rig = Moved(view.rig_from_harp, x_in_harp, placement);
  const Vector3<T> x_in_camera = Moved(view.camera_from_rig, x_in_rig, photo);
  const Camera& camera = view.camera;
  const T scale = T(view.focal_scale) + photo[6];
  T distortion[5];
  for (int i = 0; i < 5; ++i) distortion[i] = T(camera.distortion[static_cast<std::size_t>(i)]);
  return ProjectPinhole<T>(x_in_camera, T(camera.fx_px) * scale, T(camera.fy_px) * scale,
                           T(camera.cx_px + view.shift_px.x()) + photo[7],
                           T(camera.cy_px + view.shift_px.y()) + photo[8], distortion);
}

struct RingCenterError {
  const HarpView& view;
  CenterObservation observed;
  RingKind kind;

  template <typename T>
  bool operator()(const T* photo, const T* placement, const T* note, T* residual) const {
    const Vector3<T> center(note[SolvedNote::kX], note[SolvedNote::kY],
                            note[SolvedNote::kZ] + placement[kFirstDepth + static_cast<int>(kind)] +
                                photo[kPoseSize + static_cast<int>(kind)] +
                                (kind == RingKind::kPole ? T(0.0) : note[SolvedNote::kRecess]));
    const Vector2<T> px = Project<T>(view, center, photo, placement);
    const T* shift_px = photo + kFirstShift + 2 * static_cast<int>(kind);
    residual[0] = (px.x() + shift_px[0] - T(observed.position_px.x())) / T(observed.sigma_px);
    residual[1] = (px.y() + shift_px[1] - T(observed.position_px.y())) / T(observed.sigma_px);
    return true;
  }
};

struct TineAxisError {
  const HarpView& view;
  AxisPoint observed;

  template <typename T>
  bool operator()(const T* photo, const T* placement, const T* note, T* residual) const {
    const T along(observed.along_mm);
    const Vector2<T> here = Project<T>(view, AxisPointAt<T>(note, along), photo, placement);
    const Vector2<T> next =
        Project<T>(view, AxisPointAt<T>(note, along - T(1.0)), photo, placement);
    residual[0] = AcrossLine(here, next, observed.position_px) / T(observed.sigma_px);
    return true;
  }
};

struct TineTipError {
  const HarpView& view;
  EndObservation observed;

  template <typename T>
  bool operator()(const T* photo, const T* placement, const T* note, T* residual) const {
    const T along = note[SolvedNote::kGap] + photo[kTipShift];
    const Vector2<T> tip = Project<T>(view, AxisPointAt<T>(note, along), photo, placement);
    const Vector2<T> next =
        Project<T>(view, AxisPointAt<T>(note, along + T(1.0)), photo, placement);
    const Vector2<T> off = observed.position_px.cast<T>() - tip;
    residual[0] = off.dot((tip - next).normalized()) / T(observed.sigma_px);
    return true;
  }
};

/// The block's upper edge, along the harp's x over the tine's root. `length`: how much longer the
/// tine is than the profile says.
struct BlockEdgeError {
  const HarpView& view;
  EdgeObservation observed;
  double length_mm;

  template <typename T>
  bool operator()(const T* photo, const T* placement, const T* note, const T* length,
                  T* residual) const {
    const T along = note[SolvedNote::kGap] + T(length_mm) + length[0];
    const Vector3<T> edge =
        AxisPointAt<T>(note, along) - Vector3<T>(T(0.0), placement[kBlockTop], photo[kBlockShift]);
    const Vector2<T> here = Project<T>(view, edge, photo, placement);
    const Vector2<T> next =
        Project<T>(view, edge + Vector3<T>(T(1.0), T(0.0), T(0.0)), photo, placement);
    residual[0] = AcrossLine(here, next, observed.position_px) / T(observed.sigma_px);
    return true;
  }
};

/// A tone bar's middle line: x, y at `middle_z`, yaw, pitch.
struct ToneBarError {
  const HarpView& view;
  AxisPoint observed;
  double middle_z_mm;

  template <typename T>
  bool operator()(const T* photo, const T* placement, const T* bar, T* residual) const {
    const auto at = [&](double along_mm) {
      const T from_middle(-along_mm - middle_z_mm);
      return Vector3<T>(bar[0] + from_middle * bar[2], bar[1] + from_middle * bar[3], T(-along_mm));
    };
    const Vector2<T> here = Project<T>(view, at(observed.along_mm), photo, placement);
    const Vector2<T> next = Project<T>(view, at(observed.along_mm - 1.0), photo, placement);
    residual[0] = AcrossLine(here, next, observed.position_px) / T(observed.sigma_px);
    return true;
  }
};

/// The rig solve's Gaussian as a prior on a photo's changes.
struct PhotoPriorError {
  Eigen::Matrix<double, kPoseSize, kPoseSize> sqrt_information;
  template <typename T>
  bool operator()(const T* photo, T* residual) const {
    const Eigen::Map<const Eigen::Matrix<T, kPoseSize, 1>> change(photo);
    Eigen::Map<Eigen::Matrix<T, kPoseSize, 1>> r(residual);
    r = sqrt_information.cast<T>() * change;
    return true;
  }
};

}  // namespace

ceres::CostFunction* RingCenterCost(const HarpView& view, const CenterObservation& observed,
                                    RingKind kind) {
  return new ceres::AutoDiffCostFunction<RingCenterError, 2, kPhotoSize, kPlacementSize,
                                         SolvedNote::kCount>(
      new RingCenterError{view, observed, kind});
}

ceres::CostFunction* TineAxisCost(const HarpView& view, const AxisPoint& observed) {
  return new ceres::AutoDiffCostFunction<TineAxisError, 1, kPhotoSize, kPlacementSize,
                                         SolvedNote::kCount>(new TineAxisError{view, observed});
}

ceres::CostFunction* TineTipCost(const HarpView& view, const EndObservation& observed) {
  return new ceres::AutoDiffCostFunction<TineTipError, 1, kPhotoSize, kPlacementSize,
                                         SolvedNote::kCount>(new TineTipError{view, observed});
}

ceres::CostFunction* BlockEdgeCost(const HarpView& view, const EdgeObservation& observed,
                                   double length_mm) {
  return new ceres::AutoDiffCostFunction<BlockEdgeError, 1, kPhotoSize, kPlacementSize,
                                         SolvedNote::kCount, 1>(
      new BlockEdgeError{view, observed, length_mm});
}

ceres::CostFunction* ToneBarCost(const HarpView& view, const AxisPoint& observed, double middle) {
  return new ceres::AutoDiffCostFunction<ToneBarError, 1, kPhotoSize, kPlacementSize, 4>(
      new ToneBarError{view, observed, middle});
}

ceres::CostFunction* PhotoPriorCost(const Eigen::Matrix<double, 9, 9>& covariance) {
  // A pose that the rig solve calls exact still is not: a floor keeps the information finite.
  Eigen::Matrix<double, 9, 9> padded = covariance;
  const double floors[9] = {1e-6, 1e-6, 1e-6, 1e-3, 1e-3, 1e-3, 1e-6, 1e-2, 1e-2};
  for (int i = 0; i < 9; ++i) padded(i, i) += floors[i] * floors[i];
  const Eigen::Matrix<double, 9, 9> information = padded.inverse();
  auto* error = new PhotoPriorError;
  error->sqrt_information = information.llt().matrixU();
  return new ceres::AutoDiffCostFunction<PhotoPriorError, kPoseSize, kPhotoSize>(error);
}

}  // namespace tinesight

#include "calibration/rig_pose_solver.hpp"

#include <ceres/ceres.h>
#include <ceres/rotation.h>

#include <cmath>
#include <memory>
#include <utility>

namespace tinesight {
namespace {

/// Whitened difference of predicted and observed position. The rotation is a small turn applied on
/// the left of the rotation that the solve started from, so that its covariance is that of
/// RigPose.
class ReprojectionError {
 public:
  ReprojectionError(const PoseMeasurement& measurement, const Camera& camera,
                    const Eigen::Matrix3d& start_rotation)
      : measurement_(measurement), camera_(camera), start_rotation_(start_rotation) {}

  template <typename T>
  bool operator()(const T* turn, const T* translation, const T* focal_scale, const T* shift,
                  const T* growth, T* residual) const {
    using Vector3 = Eigen::Matrix<T, 3, 1>;
    const Vector3 on_rig =
        measurement_.position_mm.cast<T>() + measurement_.outward.cast<T>() * growth[0];
    const Vector3 rotated = start_rotation_.cast<T>() * on_rig;
    Vector3 in_camera;
    ceres::AngleAxisRotatePoint(turn, rotated.data(), in_camera.data());
    in_camera += Eigen::Map<const Vector3>(translation);
    if (in_camera.z() < T(1.0)) return false;  // a step that goes behind the camera is refused
    T distortion[5];
    for (std::size_t i = 0; i < 5; ++i) distortion[i] = T(camera_.distortion[i]);
    const Eigen::Matrix<T, 2, 1> predicted = ProjectPinhole<T>(
        in_camera, T(camera_.fx_px) * focal_scale[0], T(camera_.fy_px) * focal_scale[0],
        T(camera_.cx_px) + shift[0], T(camera_.cy_px) + shift[1], distortion);
    residual[0] = (predicted.x() - T(measurement_.observed_px.x())) / T(measurement_.sigma_px);
    residual[1] = (predicted.y() - T(measurement_.observed_px.y())) / T(measurement_.sigma_px);
    return true;
  }

  static ceres::CostFunction* Create(const PoseMeasurement& measurement, const Camera& camera,
                                     const Eigen::Matrix3d& start_rotation) {
    return new ceres::AutoDiffCostFunction<ReprojectionError, 2, 3, 3, 1, 2, 1>(
        new ReprojectionError(measurement, camera, start_rotation));
  }

 private:
  const PoseMeasurement& measurement_;
  const Camera& camera_;
  const Eigen::Matrix3d& start_rotation_;
};

/// (value − expected) / sigma.
template <int kSize>
class PriorError {
 public:
  PriorError(double expected, double sigma) : expected_(expected), sigma_(sigma) {}

  template <typename T>
  bool operator()(const T* value, T* residual) const {
    for (int i = 0; i < kSize; ++i) residual[i] = (value[i] - T(expected_)) / T(sigma_);
    return true;
  }

  static ceres::CostFunction* Create(double expected, double sigma) {
    return new ceres::AutoDiffCostFunction<PriorError, kSize, kSize>(
        new PriorError(expected, sigma));
  }

 private:
  double expected_;
  double sigma_;
};

/// The parameters as Ceres holds them, and the problem over them.
class PoseProblem {
 public:
  PoseProblem(const std::vector<PoseMeasurement>& measurements, const Camera& camera,
              const RigPoseOptions& options, PoseLoss loss, const PoseState& state)
      : start_rotation_(state.camera_from_rig.linear()),
        translation_(state.camera_from_rig.translation()),
        focal_scale_(state.focal_scale),
        shift_(state.shift_px),
        growth_(state.growth_mm) {
    ceres::LossFunction* shape = nullptr;
    if (loss == PoseLoss::kCauchy) {
      shape = new ceres::CauchyLoss(2.5);
    } else {
      shape = new ceres::HuberLoss(3.0);
    }
    // Owned by the problem, which deletes a shared one once.
    for (const PoseMeasurement& measurement : measurements) {
      problem_.AddResidualBlock(ReprojectionError::Create(measurement, camera, start_rotation_),
                                shape, turn_.data(), translation_.data(), &focal_scale_,
                                shift_.data(), &growth_[static_cast<std::size_t>(measurement.bar)]);
    }
    problem_.AddResidualBlock(PriorError<1>::Create(1.0, options.focal_scale_sigma), nullptr,
                              &focal_scale_);
    problem_.AddResidualBlock(PriorError<2>::Create(0.0, options.principal_point_sigma_px), nullptr,
                              shift_.data());
    for (double& growth : growth_) {
      problem_.AddResidualBlock(PriorError<1>::Create(0.0, kGrowthSigmaMm), nullptr, &growth);
    }
    problem_.SetParameterLowerBound(&focal_scale_, 0, 0.5);
    problem_.SetParameterUpperBound(&focal_scale_, 0, 2.0);
  }

  PoseProblem(const PoseProblem&) = delete;
  PoseProblem& operator=(const PoseProblem&) = delete;

  ceres::Problem& Problem() { return problem_; }

  [[nodiscard]] PoseState State() const {
    PoseState state;
    Eigen::Matrix3d turn;
    ceres::AngleAxisToRotationMatrix(turn_.data(), turn.data());
    state.camera_from_rig.linear() = turn * start_rotation_;
    state.camera_from_rig.translation() = translation_;
    state.focal_scale = focal_scale_;
    state.shift_px = shift_;
    state.growth_mm = growth_;
    return state;
  }

  /// First scalar's address and size of each block in the order of RigPose::covariance.
  [[nodiscard]] std::vector<std::pair<const double*, int>> Blocks() const {
    std::vector<std::pair<const double*, int>> blocks = {
        {turn_.data(), 3}, {translation_.data(), 3}, {&focal_scale_, 1}, {shift_.data(), 2}};
    for (const double& growth : growth_) blocks.emplace_back(&growth, 1);
    return blocks;
  }

 private:
  Eigen::Matrix3d start_rotation_;
  Eigen::Vector3d turn_ = Eigen::Vector3d::Zero();
  Eigen::Vector3d translation_;
  double focal_scale_;
  Eigen::Vector2d shift_;
  std::vector<double> growth_;
  ceres::Problem problem_;
};

}  // namespace

std::optional<Eigen::Vector2d> PoseResidualPx(const PoseMeasurement& measurement,
                                              const PoseState& state, const Camera& camera) {
  const double growth = state.growth_mm[static_cast<std::size_t>(measurement.bar)];
  const Eigen::Vector3d in_camera =
      state.camera_from_rig * (measurement.position_mm + growth * measurement.outward);
  if (in_camera.z() < 1.0) return std::nullopt;
  const Eigen::Vector2d predicted =
      ProjectPinhole<double>(in_camera, camera.fx_px * state.focal_scale,
                             camera.fy_px * state.focal_scale, camera.cx_px + state.shift_px.x(),
                             camera.cy_px + state.shift_px.y(), camera.distortion.data());
  return predicted - measurement.observed_px;
}

void UpdateSigmas(const PoseState& state, const Camera& camera,
                  const std::vector<double>& noise_scale,
                  std::vector<PoseMeasurement>& measurements) {
  for (std::size_t i = 0; i < measurements.size(); ++i) {
    PoseMeasurement& m = measurements[i];
    const double depth_mm = std::max(1.0, (state.camera_from_rig * m.position_mm).z());
    const double px_per_mm = camera.fx_px * state.focal_scale / depth_mm;
    m.sigma_px = std::hypot(m.picture_sigma_px, m.rig_u_mm * px_per_mm) *
                 (noise_scale.empty() ? 1.0 : noise_scale[i]);
  }
}

std::optional<double> MinimizePose(const std::vector<PoseMeasurement>& measurements,
                                   const Camera& camera, const RigPoseOptions& options,
                                   PoseLoss loss, PoseState& state) {
  PoseProblem pose(measurements, camera, options, loss, state);
  ceres::Solver::Options solver;
  solver.linear_solver_type = ceres::DENSE_QR;
  const bool final_digits = loss == PoseLoss::kHuber;
  solver.max_num_iterations = final_digits ? 200 : 60;
  solver.function_tolerance = final_digits ? 1e-14 : 1e-7;
  solver.gradient_tolerance = 1e-14;
  solver.parameter_tolerance = final_digits ? 1e-12 : 1e-8;
  solver.logging_type = ceres::SILENT;
  ceres::Solver::Summary summary;
  ceres::Solve(solver, &pose.Problem(), &summary);
  if (!summary.IsSolutionUsable() || !std::isfinite(summary.final_cost)) return std::nullopt;
  state = pose.State();
  return summary.final_cost;
}

std::optional<Eigen::MatrixXd> PoseCovariance(const std::vector<PoseMeasurement>& measurements,
                                              const Camera& camera, const RigPoseOptions& options,
                                              const PoseState& state) {
  PoseProblem pose(measurements, camera, options, PoseLoss::kHuber, state);
  const auto blocks = pose.Blocks();
  std::vector<const double*> addresses;
  int size = 0;
  for (const auto& block : blocks) {
    addresses.push_back(block.first);
    size += block.second;
  }
  ceres::Covariance::Options options_of_covariance;
  options_of_covariance.algorithm_type = ceres::DENSE_SVD;
  ceres::Covariance covariance(options_of_covariance);
  if (!covariance.Compute(addresses, &pose.Problem())) return std::nullopt;
  Eigen::Matrix<double, Eigen::Dynamic, Eigen::Dynamic, Eigen::RowMajor> dense(size, size);
  if (!covariance.GetCovarianceMatrix(addresses, dense.data())) return std::nullopt;
  if (!dense.allFinite()) return std::nullopt;
  return Eigen::MatrixXd(dense);
}

}  // namespace tinesight

#include "calibration/bundle_round.hpp"

#include <ceres/ceres.h>
#include <ceres/rotation.h>
#include <glog/logging.h>

#include <Eigen/Cholesky>
#include <algorithm>
#include <cmath>
#include <numeric>
#include <string>

namespace tinesight {
namespace {

Block6 ToBlock(const Eigen::Isometry3d& a_from_b) {
  const Eigen::AngleAxisd turn(a_from_b.linear());
  const Eigen::Vector3d w = turn.angle() * turn.axis();
  const Eigen::Vector3d t = a_from_b.translation();
  return {w.x(), w.y(), w.z(), t.x(), t.y(), t.z()};
}

template <typename T>
Eigen::Matrix<T, 3, 1> Move(const T* pose, const Eigen::Matrix<T, 3, 1>& point) {
  Eigen::Matrix<T, 3, 1> turned;
  ceres::AngleAxisRotatePoint(pose, point.data(), turned.data());
  return {turned.x() + pose[3], turned.y() + pose[4], turned.z() + pose[5]};
}

template <typename T>
Eigen::Matrix<T, 3, 1> PointInTarget(const T* part, const T* scale, const T* delta,
                                     const Eigen::Vector3d& local, const T& growth,
                                     const Eigen::Vector3d& direction) {
  const Eigen::Matrix<T, 3, 1> in_part(scale[0] * local.x() + delta[0] + growth * direction.x(),
                                       scale[1] * local.y() + delta[1] + growth * direction.y(),
                                       T(local.z()) + delta[2] + growth * direction.z());
  return Move(part, in_part);
}

/// Whitened reprojection error: (predicted − observed) / sigma.
struct ReprojectionError {
  Eigen::Vector3d local_mm;
  Eigen::Vector3d growth_direction;
  Eigen::Vector2d position_px;
  double sigma_px;
  bool one_focal;

  template <typename T>
  bool operator()(const T* camera, const T* mount, const T* adjust, const T* station, const T* part,
                  const T* scale, const T* delta, const T* growth, T* residual) const {
    const auto in_target = PointInTarget(part, scale, delta, local_mm, growth[0], growth_direction);
    const Eigen::Matrix<T, 3, 1> in_camera = Move(mount, Move(station, in_target));
    if (!(in_camera.z() > T(1e-6))) return false;  // the solver takes a shorter step
    const T fx = camera[0] * adjust[0];
    const T fy = camera[one_focal ? 0 : 1] * adjust[0];
    const auto predicted = ProjectPinhole<T>(in_camera, fx, fy, camera[2] + adjust[1],
                                             camera[3] + adjust[2], camera + 4);
    residual[0] = (predicted.x() - position_px.x()) / sigma_px;
    residual[1] = (predicted.y() - position_px.y()) / sigma_px;
    return true;
  }

  static ceres::CostFunction* Create(const ReprojectionError& error) {
    return new ceres::AutoDiffCostFunction<ReprojectionError, 2, 9, 6, 3, 6, 6, 2, 3, 1>(
        new ReprojectionError(error));
  }
};

/// Gaussian prior of each number of a block; numbers with sigma 0 are held constant elsewhere.
class BlockPrior : public ceres::CostFunction {
 public:
  BlockPrior(std::vector<double> mean, std::vector<double> sigma)
      : mean_(std::move(mean)), sigma_(std::move(sigma)) {
    set_num_residuals(static_cast<int>(mean_.size()));
    mutable_parameter_block_sizes()->push_back(static_cast<int>(mean_.size()));
  }
  bool Evaluate(double const* const* x, double* residual, double** jacobian) const override {
    const std::size_t n = mean_.size();
    for (std::size_t i = 0; i < n; ++i) {
      const double weight = sigma_[i] > 0.0 ? 1.0 / sigma_[i] : 0.0;
      residual[i] = weight * (x[0][i] - mean_[i]);
      if (jacobian == nullptr || jacobian[0] == nullptr) continue;
      for (std::size_t j = 0; j < n; ++j) jacobian[0][i * n + j] = i == j ? weight : 0.0;
    }
    return true;
  }

 private:
  std::vector<double> mean_;
  std::vector<double> sigma_;
};

/// Mean of the photos' focal scales = 1, mean of their principal-point shifts = 0: without it the
/// camera's own numbers and the photos' common part could trade places.
class MeanAdjustment : public ceres::CostFunction {
 public:
  explicit MeanAdjustment(std::size_t photos) : photos_(photos) {
    set_num_residuals(3);
    for (std::size_t i = 0; i < photos; ++i) mutable_parameter_block_sizes()->push_back(3);
  }
  bool Evaluate(double const* const* x, double* residual, double** jacobian) const override {
    const std::array<double, 3> weight = {1.0 / 1e-6, 1.0 / 1e-3, 1.0 / 1e-3};
    const double share = 1.0 / static_cast<double>(photos_);
    for (std::size_t k = 0; k < 3; ++k) {
      double mean = 0.0;
      for (std::size_t i = 0; i < photos_; ++i) mean += share * x[i][k];
      residual[k] = weight[k] * (mean - (k == 0 ? 1.0 : 0.0));
    }
    if (jacobian == nullptr) return true;
    for (std::size_t i = 0; i < photos_; ++i) {
      if (jacobian[i] == nullptr) continue;
      for (std::size_t k = 0; k < 9; ++k) jacobian[i][k] = k % 4 == 0 ? share * weight[k / 4] : 0.0;
    }
    return true;
  }

 private:
  std::size_t photos_;
};

/// Ceres warns of every step that it had to shorten. Libraries of ours return what went wrong.
class QuietLog {
 public:
  QuietLog() : before_(FLAGS_minloglevel) { FLAGS_minloglevel = google::GLOG_FATAL; }
  ~QuietLog() { FLAGS_minloglevel = before_; }
  QuietLog(const QuietLog&) = delete;
  QuietLog& operator=(const QuietLog&) = delete;

 private:
  int before_;
};

}  // namespace

Eigen::Isometry3d FromBlock(const Block6& block) {
  const Eigen::Vector3d w(block[0], block[1], block[2]);
  Eigen::Isometry3d a_from_b = Eigen::Isometry3d::Identity();
  if (w.norm() > 0.0) a_from_b.linear() = Eigen::AngleAxisd(w.norm(), w.normalized()).matrix();
  a_from_b.translation() = Eigen::Vector3d(block[3], block[4], block[5]);
  return a_from_b;
}

BundleBlocks StartBlocks(const BundleProblem& problem) {
  BundleBlocks blocks;
  for (const BundleCamera& c : problem.cameras) {
    const auto& d = c.camera.distortion;
    blocks.cameras.push_back({c.camera.fx_px, c.camera.fy_px, c.camera.cx_px, c.camera.cy_px, d[0],
                              d[1], d[2], d[3], d[4]});
    blocks.mounts.push_back(ToBlock(c.camera_from_station));
  }
  for (const auto& pose : problem.station_from_target) blocks.stations.push_back(ToBlock(pose));
  for (const BundlePart& part : problem.parts) {
    blocks.parts.push_back(ToBlock(part.target_from_part));
    blocks.scales.push_back({1.0, 1.0});
  }
  blocks.deltas.resize(problem.points.size(), {0.0, 0.0, 0.0});
  blocks.adjust.resize(problem.photos.size(), {1.0, 0.0, 0.0});
  for (std::size_t p = 0; p < problem.photos.size(); ++p) {
    for (const BundleObservation& o : problem.photos[p].observations) {
      if (o.growth_direction.isZero()) continue;
      const int part = problem.points[static_cast<std::size_t>(o.point)].part;
      blocks.growth[{p, part}] = {0.0};
    }
  }
  return blocks;
}

BundleResiduals ResidualsPx(const BundleProblem& bundle, const BundleOptions& options,
                            const BundleBlocks& blocks) {
  BundleResiduals all(bundle.photos.size());
  for (std::size_t p = 0; p < bundle.photos.size(); ++p) {
    const BundlePhoto& photo = bundle.photos[p];
    const auto camera = static_cast<std::size_t>(photo.camera);
    for (const BundleObservation& o : photo.observations) {
      const auto point = static_cast<std::size_t>(o.point);
      const int part = bundle.points[point].part;
      const auto part_index = static_cast<std::size_t>(part);
      const double* growth = o.growth_direction.isZero() ? blocks.no_growth.data()
                                                         : blocks.growth.at({p, part}).data();
      const ReprojectionError error{bundle.points[point].local_mm, o.growth_direction,
                                    o.position_px, 1.0, options.one_focal_length};
      Eigen::Vector2d residual = Eigen::Vector2d::Constant(1e9);  // behind the camera
      error(blocks.cameras[camera].data(), blocks.mounts[camera].data(), blocks.adjust[p].data(),
            blocks.stations[static_cast<std::size_t>(photo.station)].data(),
            blocks.parts[part_index].data(), blocks.scales[part_index].data(),
            blocks.deltas[point].data(), growth, residual.data());
      all[p].push_back(residual);
    }
  }
  return all;
}

Eigen::Vector3d PointInTargetMm(const BundleProblem& bundle, const BundleBlocks& blocks,
                                std::size_t point) {
  const auto part = static_cast<std::size_t>(bundle.points[point].part);
  return PointInTarget<double>(blocks.parts[part].data(), blocks.scales[part].data(),
                               blocks.deltas[point].data(), bundle.points[point].local_mm, 0.0,
                               Eigen::Vector3d::Zero());
}

struct BundleRound::Impl {
  Impl(const BundleProblem& bundle_in, const BundleOptions& options_in, BundleBlocks& blocks_in)
      : bundle(bundle_in), options(options_in), blocks(blocks_in) {}

  void AddObservations(const Rejected& rejected, const std::vector<double>& noise,
                       double loss_sigmas);
  void AddPriors();
  void HoldConstant();
  void FindFreeBlocks();
  void Prior(double* block, std::vector<double> mean, std::vector<double> sigma);
  Eigen::MatrixXd Information(const std::vector<ceres::ResidualBlockId>& residuals);

  const BundleProblem& bundle;
  const BundleOptions& options;
  BundleBlocks& blocks;
  ceres::Problem problem;
  std::vector<double*> free_blocks;
  std::map<const double*, Eigen::Index> column;  ///< first column of each free block
  std::vector<std::vector<ceres::ResidualBlockId>> groups;
  std::vector<Eigen::MatrixXd> group_information;
  Eigen::MatrixXd covariance;
};

BundleRound::BundleRound(const BundleProblem& bundle, const BundleOptions& options,
                         BundleBlocks& blocks, const Rejected& rejected,
                         const std::vector<double>& noise, double loss_sigmas)
    : impl_(std::make_unique<Impl>(bundle, options, blocks)) {
  impl_->groups.resize(noise.size());
  impl_->AddObservations(rejected, noise, loss_sigmas);
  impl_->AddPriors();
  impl_->HoldConstant();
  impl_->FindFreeBlocks();
}

BundleRound::~BundleRound() = default;

void BundleRound::Impl::AddObservations(const Rejected& rejected, const std::vector<double>& noise,
                                        double loss_sigmas) {
  for (std::size_t p = 0; p < bundle.photos.size(); ++p) {
    const BundlePhoto& photo = bundle.photos[p];
    const auto camera = static_cast<std::size_t>(photo.camera);
    const auto station = static_cast<std::size_t>(photo.station);
    for (std::size_t i = 0; i < photo.observations.size(); ++i) {
      if (rejected[p][i]) continue;
      const BundleObservation& o = photo.observations[i];
      const auto point = static_cast<std::size_t>(o.point);
      const int part = bundle.points[point].part;
      const auto part_index = static_cast<std::size_t>(part);
      const auto group = static_cast<std::size_t>(o.group);
      double* growth = o.growth_direction.isZero() ? blocks.no_growth.data()
                                                   : blocks.growth.at({p, part}).data();
      auto* cost = ReprojectionError::Create({bundle.points[point].local_mm, o.growth_direction,
                                              o.position_px, o.sigma_px * noise[group],
                                              options.one_focal_length});
      ceres::LossFunction* loss = loss_sigmas > 0.0 ? new ceres::CauchyLoss(loss_sigmas) : nullptr;
      groups[group].push_back(problem.AddResidualBlock(
          cost, loss, blocks.cameras[camera].data(), blocks.mounts[camera].data(),
          blocks.adjust[p].data(), blocks.stations[station].data(), blocks.parts[part_index].data(),
          blocks.scales[part_index].data(), blocks.deltas[point].data(), growth));
    }
  }
}

void BundleRound::Impl::Prior(double* block, std::vector<double> mean, std::vector<double> sigma) {
  if (std::all_of(sigma.begin(), sigma.end(), [](double s) { return s <= 0.0; })) return;
  problem.AddResidualBlock(new BlockPrior(std::move(mean), std::move(sigma)), nullptr, block);
}

void BundleRound::Impl::AddPriors() {
  for (std::size_t i = 0; i < bundle.points.size(); ++i) {
    const Eigen::Vector3d& u = bundle.points[i].u_mm;
    Prior(blocks.deltas[i].data(), {0.0, 0.0, 0.0}, {u.x(), u.y(), u.z()});
  }
  for (std::size_t i = 0; i < bundle.parts.size(); ++i) {
    const double sigma = bundle.parts[i].scale_sigma;
    Prior(blocks.scales[i].data(), {1.0, 1.0}, {sigma, sigma});
  }
  for (auto& [key, growth] : blocks.growth) {
    Prior(growth.data(), {0.0}, {options.growth_sigma_mm});
  }
  for (auto& camera : blocks.cameras) {
    const auto& s = options.distortion_sigma;
    Prior(camera.data(), std::vector<double>(9, 0.0), {0, 0, 0, 0, s[0], s[1], s[2], s[3], s[4]});
  }
  const double shift = options.principal_shift_sigma_px;
  if (options.focal_scale_sigma <= 0.0 && shift <= 0.0) return;
  for (std::size_t c = 0; c < bundle.cameras.size(); ++c) {
    std::vector<double*> of_camera;
    for (std::size_t p = 0; p < bundle.photos.size(); ++p) {
      if (static_cast<std::size_t>(bundle.photos[p].camera) != c) continue;
      Prior(blocks.adjust[p].data(), {1.0, 0.0, 0.0}, {options.focal_scale_sigma, shift, shift});
      of_camera.push_back(blocks.adjust[p].data());
    }
    if (!of_camera.empty()) {
      problem.AddResidualBlock(new MeanAdjustment(of_camera.size()), nullptr, of_camera);
    }
  }
}

void BundleRound::Impl::HoldConstant() {
  const auto hold = [this](double* block, const std::vector<int>& which, int size) {
    if (!problem.HasParameterBlock(block) || which.empty()) return;
    if (static_cast<int>(which.size()) == size) {
      problem.SetParameterBlockConstant(block);
    } else {
      problem.SetManifold(block, new ceres::SubsetManifold(size, which));
    }
  };
  hold(blocks.no_growth.data(), {0}, 1);
  for (std::size_t c = 0; c < bundle.cameras.size(); ++c) {
    std::vector<int> all(9);
    std::iota(all.begin(), all.end(), 0);
    if (bundle.cameras[c].fixed_intrinsics) {
      hold(blocks.cameras[c].data(), all, 9);
    } else if (options.one_focal_length) {
      hold(blocks.cameras[c].data(), {1}, 9);
    }
    if (!bundle.cameras[c].free_mount) hold(blocks.mounts[c].data(), {0, 1, 2, 3, 4, 5}, 6);
  }
  std::vector<int> adjust;
  if (options.focal_scale_sigma <= 0.0) adjust.push_back(0);
  if (options.principal_shift_sigma_px <= 0.0) adjust.insert(adjust.end(), {1, 2});
  for (auto& block : blocks.adjust) hold(block.data(), adjust, 3);
  for (std::size_t i = 0; i < bundle.parts.size(); ++i) {
    if (!bundle.parts[i].free_pose) hold(blocks.parts[i].data(), {0, 1, 2, 3, 4, 5}, 6);
    if (bundle.parts[i].scale_sigma <= 0.0) hold(blocks.scales[i].data(), {0, 1}, 2);
  }
  for (std::size_t i = 0; i < bundle.points.size(); ++i) {
    std::vector<int> known;
    for (int k = 0; k < 3; ++k) {
      if (bundle.points[i].u_mm[k] <= 0.0) known.push_back(k);
    }
    hold(blocks.deltas[i].data(), known, 3);
  }
}

/// In the order of BundleBlocks. Ceres lists them by their places in memory, another order in every
/// run, and sums in another order differ in their last bits.
void BundleRound::Impl::FindFreeBlocks() {
  Eigen::Index next = 0;
  const auto add = [&](double* block) {
    if (!problem.HasParameterBlock(block) || problem.IsParameterBlockConstant(block)) return;
    free_blocks.push_back(block);
    column[block] = next;
    next += problem.ParameterBlockTangentSize(block);
  };
  const auto add_all = [&add](auto& of_a_kind) {
    for (auto& block : of_a_kind) add(block.data());
  };
  add_all(blocks.cameras);
  add_all(blocks.mounts);
  add_all(blocks.adjust);
  add_all(blocks.stations);
  add_all(blocks.parts);
  add_all(blocks.scales);
  add_all(blocks.deltas);
  for (auto& [key, growth] : blocks.growth) add(growth.data());
}

Eigen::MatrixXd BundleRound::Impl::Information(
    const std::vector<ceres::ResidualBlockId>& residuals) {
  ceres::Problem::EvaluateOptions evaluate;
  evaluate.parameter_blocks = free_blocks;
  evaluate.residual_blocks = residuals;
  evaluate.apply_loss_function = false;
  ceres::CRSMatrix jacobian;
  problem.Evaluate(evaluate, nullptr, nullptr, nullptr, &jacobian);
  Eigen::MatrixXd sum = Eigen::MatrixXd::Zero(jacobian.num_cols, jacobian.num_cols);
  for (int row = 0; row < jacobian.num_rows; ++row) {
    const int begin = jacobian.rows[static_cast<std::size_t>(row)];
    const int end = jacobian.rows[static_cast<std::size_t>(row) + 1];
    for (int i = begin; i < end; ++i) {
      const auto a = static_cast<std::size_t>(i);
      for (int j = begin; j < end; ++j) {
        const auto b = static_cast<std::size_t>(j);
        sum(jacobian.cols[a], jacobian.cols[b]) += jacobian.values[a] * jacobian.values[b];
      }
    }
  }
  return sum;
}

bool BundleRound::Solve(int threads, bool rough) {
  const QuietLog quiet;
  ceres::Solver::Options options;
  // The marks' own deviations are eliminated first; what remains is small and dense.
  options.linear_solver_type = ceres::DENSE_SCHUR;
  options.max_num_iterations = rough ? 40 : 300;
  options.function_tolerance = rough ? 1e-4 : 1e-10;
  options.parameter_tolerance = rough ? 1e-6 : 1e-10;
  options.gradient_tolerance = 1e-14;
  options.num_threads = threads;
  options.logging_type = ceres::SILENT;
  ceres::Solver::Summary summary;
  ceres::Solve(options, &impl_->problem, &summary);
  return summary.IsSolutionUsable();
}

bool BundleRound::Covariance() {
  const Eigen::MatrixXd normal = impl_->Information({});
  impl_->group_information.clear();
  for (const auto& group : impl_->groups) {
    impl_->group_information.push_back(group.empty()
                                           ? Eigen::MatrixXd::Zero(normal.rows(), normal.cols())
                                           : impl_->Information(group));
  }
  // Unit diagonal first: the parameters span mm, px and px⁻⁶-like coefficients.
  const Eigen::VectorXd diagonal = normal.diagonal();
  if (!(diagonal.minCoeff() > 0.0)) return false;
  const Eigen::VectorXd scale = diagonal.cwiseSqrt().cwiseInverse();
  const Eigen::MatrixXd scaled = scale.asDiagonal() * normal * scale.asDiagonal();
  const Eigen::LLT<Eigen::MatrixXd> factor(scaled);
  if (factor.info() != Eigen::Success || !(factor.rcond() > 1e-14)) return false;
  const auto n = normal.rows();
  impl_->covariance =
      scale.asDiagonal() * factor.solve(Eigen::MatrixXd::Identity(n, n)) * scale.asDiagonal();
  return impl_->covariance.allFinite();
}

double BundleRound::ParametersOf(std::size_t group) const {
  return impl_->covariance.cwiseProduct(impl_->group_information[group]).sum();
}

std::size_t BundleRound::ObservationsOf(std::size_t group) const {
  return impl_->groups[group].size();
}

double BundleRound::Variance(const double* block, int offset) const {
  const auto found = impl_->column.find(block);
  if (found == impl_->column.end()) return 0.0;
  return impl_->covariance(found->second + offset, found->second + offset);
}

std::array<double, 9> BundleRound::IntrinsicsUncertainty(std::size_t camera) const {
  std::array<double, 9> u{};
  const auto found = impl_->column.find(impl_->blocks.cameras[camera].data());
  if (found == impl_->column.end()) return u;
  Eigen::Index column = found->second;
  for (std::size_t k = 0; k < 9; ++k) {
    if (impl_->options.one_focal_length && k == 1) {
      u[1] = u[0];
      continue;
    }
    u[k] = std::sqrt(impl_->covariance(column, column));
    ++column;
  }
  return u;
}

Eigen::MatrixXd BundleRound::PointCovariance() const {
  const BundleProblem& bundle = impl_->bundle;
  const BundleBlocks& blocks = impl_->blocks;
  using Jet = ceres::Jet<double, 11>;
  const auto rows = static_cast<Eigen::Index>(3 * bundle.points.size());
  Eigen::MatrixXd jacobian = Eigen::MatrixXd::Zero(rows, impl_->covariance.cols());
  for (std::size_t i = 0; i < bundle.points.size(); ++i) {
    const auto part_index = static_cast<std::size_t>(bundle.points[i].part);
    std::array<Jet, 11> x;
    const auto seed = [&x](const double* values, int offset, int count) {
      for (int k = 0; k < count; ++k) {
        x[static_cast<std::size_t>(offset + k)] = Jet(values[k], offset + k);
      }
    };
    seed(blocks.parts[part_index].data(), 0, 6);
    seed(blocks.scales[part_index].data(), 6, 2);
    seed(blocks.deltas[i].data(), 8, 3);
    const auto point =
        PointInTarget<Jet>(x.data(), x.data() + 6, x.data() + 8, bundle.points[i].local_mm,
                           Jet(0.0), Eigen::Vector3d::Zero());
    const auto put = [&](const double* block, int offset, const std::vector<bool>& free) {
      const auto found = impl_->column.find(block);
      if (found == impl_->column.end()) return;
      Eigen::Index column = found->second;
      for (std::size_t k = 0; k < free.size(); ++k) {
        if (!free[k]) continue;
        for (int axis = 0; axis < 3; ++axis) {
          jacobian(static_cast<Eigen::Index>(3 * i) + axis, column) =
              point[axis].v[offset + static_cast<int>(k)];
        }
        ++column;
      }
    };
    const Eigen::Vector3d& u = bundle.points[i].u_mm;
    put(blocks.parts[part_index].data(), 0, std::vector<bool>(6, true));
    put(blocks.scales[part_index].data(), 6, {true, true});
    put(blocks.deltas[i].data(), 8, {u.x() > 0.0, u.y() > 0.0, u.z() > 0.0});
  }
  return jacobian * impl_->covariance * jacobian.transpose();
}

}  // namespace tinesight

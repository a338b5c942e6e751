#include "calibration/bundle.hpp"

#include <ceres/ceres.h>
#include <ceres/rotation.h>
#include <glog/logging.h>

#include <Eigen/Cholesky>
#include <algorithm>
#include <cmath>
#include <deque>
#include <limits>
#include <map>
#include <numeric>

namespace tinesight {
namespace {

using Block6 = std::array<double, 6>;  // rotation vector, translation

Block6 ToBlock(const Eigen::Isometry3d& a_from_b) {
  const Eigen::AngleAxisd turn(a_from_b.linear());
  const Eigen::Vector3d w = turn.angle() * turn.axis();
  const Eigen::Vector3d t = a_from_b.translation();
  return {w.x(), w.y(), w.z(), t.x(), t.y(), t.z()};
}

Eigen::Isometry3d FromBlock(const Block6& block) {
  const Eigen::Vector3d w(block[0], block[1], block[2]);
  Eigen::Isometry3d a_from_b = Eigen::Isometry3d::Identity();
  if (w.norm() > 0.0) a_from_b.linear() = Eigen::AngleAxisd(w.norm(), w.normalized()).matrix();
  a_from_b.translation() = Eigen::Vector3d(block[3], block[4], block[5]);
  return a_from_b;
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
    const auto in_target =
        PointInTarget(part, scale, delta, local_mm, growth[0], growth_direction);
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

/// All parameter blocks. Deques of fixed-size arrays: addresses stay where they are.
struct Blocks {
  std::deque<std::array<double, 9>> cameras;
  std::deque<Block6> mounts;
  std::deque<std::array<double, 3>> adjust;  // focal scale, dx, dy; one per photo
  std::deque<Block6> stations;
  std::deque<Block6> parts;
  std::deque<std::array<double, 2>> scales;
  std::deque<std::array<double, 3>> deltas;
  std::map<std::pair<std::size_t, int>, std::array<double, 1>> growth;  // by photo, part
  std::array<double, 1> no_growth = {0.0};
};

Blocks StartBlocks(const BundleProblem& problem) {
  Blocks blocks;
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

/// One round's ceres::Problem over the blocks, with the residual blocks of each group.
class Round {
 public:
  using Rejected = std::vector<std::vector<bool>>;

  Round(const BundleProblem& bundle, const BundleOptions& options, Blocks& blocks,
        const Rejected& rejected, const std::vector<double>& noise, double loss_sigmas);

  /// `rough`: only on the way, stop early.
  bool Solve(int threads, bool rough);
  /// Fills normal matrices; false where singular.
  bool Covariance();
  /// Σ of the covariance-weighted information of one group: the parameters it pays for.
  double ParametersOf(std::size_t group) const;

  std::map<const double*, Eigen::Index> column;  ///< first column of each free block
  Eigen::MatrixXd covariance;
  std::vector<std::vector<ceres::ResidualBlockId>> groups;

 private:
  void AddObservations(const BundleProblem& bundle, const BundleOptions& options, Blocks& blocks,
                       const Rejected& rejected, const std::vector<double>& noise,
                       double loss_sigmas);
  void AddPriors(const BundleProblem& bundle, const BundleOptions& options, Blocks& blocks);
  void HoldConstant(const BundleProblem& bundle, const BundleOptions& options, Blocks& blocks);
  void Prior(double* block, std::vector<double> mean, std::vector<double> sigma);
  Eigen::MatrixXd Information(const std::vector<ceres::ResidualBlockId>& residuals);

  ceres::Problem problem_;
  std::vector<double*> free_blocks_;
  std::vector<Eigen::MatrixXd> group_information_;
};

Round::Round(const BundleProblem& bundle, const BundleOptions& options, Blocks& blocks,
             const Rejected& rejected, const std::vector<double>& noise, double loss_sigmas)
    : groups(noise.size()) {
  AddObservations(bundle, options, blocks, rejected, noise, loss_sigmas);
  AddPriors(bundle, options, blocks);
  HoldConstant(bundle, options, blocks);
  std::vector<double*> all;
  problem_.GetParameterBlocks(&all);
  Eigen::Index next = 0;
  for (double* block : all) {
    if (problem_.IsParameterBlockConstant(block)) continue;
    free_blocks_.push_back(block);
    column[block] = next;
    next += problem_.ParameterBlockTangentSize(block);
  }
}

void Round::AddObservations(const BundleProblem& bundle, const BundleOptions& options,
                            Blocks& blocks, const Rejected& rejected,
                            const std::vector<double>& noise, double loss_sigmas) {
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
      ceres::LossFunction* loss =
          loss_sigmas > 0.0 ? new ceres::CauchyLoss(loss_sigmas) : nullptr;
      groups[group].push_back(problem_.AddResidualBlock(
          cost, loss, blocks.cameras[camera].data(), blocks.mounts[camera].data(),
          blocks.adjust[p].data(), blocks.stations[station].data(),
          blocks.parts[part_index].data(), blocks.scales[part_index].data(),
          blocks.deltas[point].data(), growth));
    }
  }
}

void Round::Prior(double* block, std::vector<double> mean, std::vector<double> sigma) {
  if (std::all_of(sigma.begin(), sigma.end(), [](double s) { return s <= 0.0; })) return;
  problem_.AddResidualBlock(new BlockPrior(std::move(mean), std::move(sigma)), nullptr, block);
}

void Round::AddPriors(const BundleProblem& bundle, const BundleOptions& options, Blocks& blocks) {
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
      problem_.AddResidualBlock(new MeanAdjustment(of_camera.size()), nullptr, of_camera);
    }
  }
}

void Round::HoldConstant(const BundleProblem& bundle, const BundleOptions& options,
                         Blocks& blocks) {
  const auto hold = [this](double* block, const std::vector<int>& which, int size) {
    if (!problem_.HasParameterBlock(block) || which.empty()) return;
    if (static_cast<int>(which.size()) == size) {
      problem_.SetParameterBlockConstant(block);
    } else {
      problem_.SetManifold(block, new ceres::SubsetManifold(size, which));
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

bool Round::Solve(int threads, bool rough) {
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
  ceres::Solve(options, &problem_, &summary);
  return summary.IsSolutionUsable();
}

Eigen::MatrixXd Round::Information(const std::vector<ceres::ResidualBlockId>& residuals) {
  ceres::Problem::EvaluateOptions options;
  options.parameter_blocks = free_blocks_;
  options.residual_blocks = residuals;
  options.apply_loss_function = false;
  ceres::CRSMatrix jacobian;
  problem_.Evaluate(options, nullptr, nullptr, nullptr, &jacobian);
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

bool Round::Covariance() {
  const Eigen::MatrixXd normal = Information({});
  group_information_.clear();
  for (const auto& group : groups) {
    group_information_.push_back(group.empty() ? Eigen::MatrixXd::Zero(normal.rows(), normal.cols())
                                               : Information(group));
  }
  // Unit diagonal first: the parameters span mm, px and px⁻⁶-like coefficients.
  const Eigen::VectorXd diagonal = normal.diagonal();
  if (!(diagonal.minCoeff() > 0.0)) return false;
  const Eigen::VectorXd scale = diagonal.cwiseSqrt().cwiseInverse();
  const Eigen::MatrixXd scaled = scale.asDiagonal() * normal * scale.asDiagonal();
  const Eigen::LLT<Eigen::MatrixXd> factor(scaled);
  if (factor.info() != Eigen::Success || !(factor.rcond() > 1e-14)) return false;
  const auto n = normal.rows();
  covariance =
      scale.asDiagonal() * factor.solve(Eigen::MatrixXd::Identity(n, n)) * scale.asDiagonal();
  return covariance.allFinite();
}

double Round::ParametersOf(std::size_t group) const {
  return covariance.cwiseProduct(group_information_[group]).sum();
}

// ------------------------------------------------------------------------------- residuals

using Residuals = std::vector<std::vector<Eigen::Vector2d>>;

Residuals ResidualsPx(const BundleProblem& bundle, const BundleOptions& options,
                      const Blocks& blocks) {
  Residuals all(bundle.photos.size());
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

/// Robust standard deviation of the whitened coordinates of a group (1.4826 median |r|).
std::vector<double> RobustNoise(const BundleProblem& bundle, const Residuals& residuals,
                                std::size_t groups) {
  std::vector<std::vector<double>> sizes(groups);
  for (std::size_t p = 0; p < bundle.photos.size(); ++p) {
    for (std::size_t i = 0; i < residuals[p].size(); ++i) {
      const BundleObservation& o = bundle.photos[p].observations[i];
      auto& of_group = sizes[static_cast<std::size_t>(o.group)];
      for (int k = 0; k < 2; ++k) of_group.push_back(std::abs(residuals[p][i][k]) / o.sigma_px);
    }
  }
  std::vector<double> noise(groups, 1.0);
  for (std::size_t g = 0; g < groups; ++g) {
    if (sizes[g].empty()) continue;
    const auto middle = sizes[g].begin() + static_cast<std::ptrdiff_t>(sizes[g].size() / 2);
    std::nth_element(sizes[g].begin(), middle, sizes[g].end());
    noise[g] = std::max(1.4826 * *middle, 1e-6);
  }
  return noise;
}

Round::Rejected Reject(const BundleProblem& bundle, const Residuals& residuals,
                       const std::vector<double>& noise, double sigmas) {
  Round::Rejected rejected(bundle.photos.size());
  for (std::size_t p = 0; p < bundle.photos.size(); ++p) {
    for (std::size_t i = 0; i < residuals[p].size(); ++i) {
      const BundleObservation& o = bundle.photos[p].observations[i];
      const double limit_px = sigmas * noise[static_cast<std::size_t>(o.group)] * o.sigma_px;
      rejected[p].push_back(sigmas > 0.0 && !(residuals[p][i].cwiseAbs().maxCoeff() <= limit_px));
    }
  }
  return rejected;
}

/// vᵀv / redundancy of each group, as a factor on its stated sigma.
std::vector<double> EstimatedNoise(const BundleProblem& bundle, const Residuals& residuals,
                                   const Round::Rejected& rejected, const Round& round) {
  const std::size_t groups = round.groups.size();
  std::vector<double> sum(groups, 0.0);
  std::vector<double> noise(groups, 1.0);
  for (std::size_t p = 0; p < bundle.photos.size(); ++p) {
    for (std::size_t i = 0; i < residuals[p].size(); ++i) {
      if (rejected[p][i]) continue;
      const BundleObservation& o = bundle.photos[p].observations[i];
      sum[static_cast<std::size_t>(o.group)] +=
          residuals[p][i].squaredNorm() / (o.sigma_px * o.sigma_px);
    }
  }
  for (std::size_t g = 0; g < groups; ++g) {
    const double redundancy =
        2.0 * static_cast<double>(round.groups[g].size()) - round.ParametersOf(g);
    if (redundancy > 1.0) noise[g] = std::max(std::sqrt(sum[g] / redundancy), 1e-6);
  }
  return noise;
}

// ---------------------------------------------------------------------------------- result

std::array<double, 9> IntrinsicsUncertainty(const Round& round, const double* block,
                                            bool one_focal) {
  std::array<double, 9> u{};
  const auto found = round.column.find(block);
  if (found == round.column.end()) return u;
  Eigen::Index column = found->second;
  for (std::size_t k = 0; k < 9; ++k) {
    if (one_focal && k == 1) {
      u[1] = u[0];
      continue;
    }
    u[k] = std::sqrt(round.covariance(column, column));
    ++column;
  }
  return u;
}

/// Covariance of the points in the target frame: the parts' poses and scales and the points' own
/// deviations, all correlations kept. Jacobian by Ceres' dual numbers.
Eigen::MatrixXd PointCovariance(const BundleProblem& bundle, const Blocks& blocks,
                                const Round& round) {
  using Jet = ceres::Jet<double, 11>;
  const auto rows = static_cast<Eigen::Index>(3 * bundle.points.size());
  Eigen::MatrixXd jacobian = Eigen::MatrixXd::Zero(rows, round.covariance.cols());
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
    const auto point = PointInTarget<Jet>(x.data(), x.data() + 6, x.data() + 8,
                                          bundle.points[i].local_mm, Jet(0.0),
                                          Eigen::Vector3d::Zero());
    const auto put = [&](const double* block, int offset, const std::vector<bool>& free) {
      const auto found = round.column.find(block);
      if (found == round.column.end()) return;
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
  return jacobian * round.covariance * jacobian.transpose();
}

BundlePhotoResult PhotoResult(const BundleProblem& bundle, const Blocks& blocks, std::size_t p,
                              const Residuals& residuals, const Round::Rejected& rejected) {
  BundlePhotoResult photo;
  const auto camera = static_cast<std::size_t>(bundle.photos[p].camera);
  const auto station = static_cast<std::size_t>(bundle.photos[p].station);
  photo.camera_from_target =
      FromBlock(blocks.mounts[camera]) * FromBlock(blocks.stations[station]);
  photo.focal_scale = blocks.adjust[p][0];
  photo.principal_shift_px = {blocks.adjust[p][1], blocks.adjust[p][2]};
  photo.growth_mm.assign(bundle.parts.size(), 0.0);
  for (const auto& [key, growth] : blocks.growth) {
    if (key.first == p) photo.growth_mm[static_cast<std::size_t>(key.second)] = growth[0];
  }
  double sum = 0.0;
  for (std::size_t i = 0; i < residuals[p].size(); ++i) {
    if (rejected[p][i]) {
      ++photo.rejected_count;
    } else {
      ++photo.used;
      sum += residuals[p][i].squaredNorm();
    }
  }
  photo.rms_px = photo.used > 0 ? std::sqrt(sum / photo.used) : 0.0;
  photo.rejected = rejected[p];
  photo.residual_px = residuals[p];
  return photo;
}

BundleResult Collect(const BundleProblem& bundle, const BundleOptions& options,
                     const Blocks& blocks, const Round& round, const Residuals& residuals,
                     const Round::Rejected& rejected) {
  BundleResult result;
  result.converged = true;
  for (std::size_t c = 0; c < bundle.cameras.size(); ++c) {
    const auto& b = blocks.cameras[c];
    Camera camera = bundle.cameras[c].camera;
    camera.fx_px = b[0];
    camera.fy_px = options.one_focal_length ? b[0] : b[1];
    camera.cx_px = b[2];
    camera.cy_px = b[3];
    std::copy(b.begin() + 4, b.end(), camera.distortion.begin());
    if (!bundle.cameras[c].fixed_intrinsics) {
      camera.standard_uncertainty = IntrinsicsUncertainty(round, b.data(), options.one_focal_length);
    }
    result.cameras.push_back(camera);
    result.camera_from_station.push_back(FromBlock(blocks.mounts[c]));
  }
  for (const Block6& block : blocks.stations) {
    result.station_from_target.push_back(FromBlock(block));
  }
  for (std::size_t i = 0; i < blocks.parts.size(); ++i) {
    result.target_from_part.push_back(FromBlock(blocks.parts[i]));
    result.part_scale.emplace_back(blocks.scales[i][0], blocks.scales[i][1]);
  }
  for (std::size_t i = 0; i < bundle.points.size(); ++i) {
    const auto part = static_cast<std::size_t>(bundle.points[i].part);
    result.points_mm.push_back(PointInTarget<double>(
        blocks.parts[part].data(), blocks.scales[part].data(), blocks.deltas[i].data(),
        bundle.points[i].local_mm, 0.0, Eigen::Vector3d::Zero()));
  }
  double sum = 0.0;
  int used = 0;
  for (std::size_t p = 0; p < bundle.photos.size(); ++p) {
    BundlePhotoResult photo = PhotoResult(bundle, blocks, p, residuals, rejected);
    if (const auto found = round.column.find(blocks.adjust[p].data());
        found != round.column.end() && options.focal_scale_sigma > 0.0) {
      photo.focal_scale_u = std::sqrt(round.covariance(found->second, found->second));
    }
    sum += photo.rms_px * photo.rms_px * photo.used;
    used += photo.used;
    result.photos.push_back(std::move(photo));
  }
  result.rms_px = used > 0 ? std::sqrt(sum / used) : 0.0;
  return result;
}

Result<void> CheckProblem(const BundleProblem& problem) {
  if (problem.photos.empty()) return Fail("no photos to calibrate from");
  std::size_t observations = 0;
  for (const BundlePhoto& photo : problem.photos) observations += photo.observations.size();
  if (observations < 20) {
    return Fail("only " + std::to_string(observations) +
                " points seen in all photos together; a calibration needs hundreds");
  }
  return {};
}

}  // namespace

Result<void> BundleOptions::Validate() const {
  const auto bad = [](double value) { return !(value >= 0.0) || !std::isfinite(value); };
  if (bad(focal_scale_sigma) || focal_scale_sigma > 0.5) {
    return Fail("focal_scale_sigma must lie in 0 … 0.5, is " + std::to_string(focal_scale_sigma));
  }
  if (bad(principal_shift_sigma_px)) {
    return Fail("principal_shift_sigma_px must be 0 or more, is " +
                std::to_string(principal_shift_sigma_px));
  }
  if (bad(growth_sigma_mm) || growth_sigma_mm == 0.0) {
    return Fail("growth_sigma_mm must be above 0, is " + std::to_string(growth_sigma_mm));
  }
  if (bad(outlier_sigmas) || (outlier_sigmas > 0.0 && outlier_sigmas < 2.5)) {
    return Fail("outlier_sigmas must be 0 or at least 2.5, is " + std::to_string(outlier_sigmas));
  }
  if (threads < 1) return Fail("threads must be 1 or more, is " + std::to_string(threads));
  return {};
}

Result<BundleResult> SolveBundle(const BundleProblem& problem, const BundleOptions& options) {
  if (auto valid = options.Validate(); !valid) return tl::unexpected(valid.error());
  if (auto valid = CheckProblem(problem); !valid) return tl::unexpected(valid.error());
  std::size_t groups = 1;
  for (const BundlePhoto& photo : problem.photos) {
    for (const BundleObservation& o : photo.observations) {
      groups = std::max(groups, static_cast<std::size_t>(o.group) + 1);
    }
  }
  Blocks blocks = StartBlocks(problem);
  Residuals residuals = ResidualsPx(problem, options, blocks);
  std::vector<double> noise(groups, 1.0);
  Round::Rejected rejected = Reject(problem, residuals, noise, 0.0);
  const Error unsolved{
      "the calibration did not converge; the photos may show too little of the target, or too "
      "many of its marks were found wrongly"};
  if (options.outlier_sigmas > 0.0) {
    // A loss that follows the residuals down: at first the start values are what is off, by many
    // px, and a loss at the noise's own width would take every point for an outlier.
    constexpr int kGraduatedRounds = 5;
    for (int i = 0; i < kGraduatedRounds; ++i) {
      noise = RobustNoise(problem, residuals, groups);
      Round round(problem, options, blocks, rejected, noise, 2.0);
      if (!round.Solve(options.threads, true)) return tl::unexpected(unsolved);
      residuals = ResidualsPx(problem, options, blocks);
    }
    noise = RobustNoise(problem, residuals, groups);
    rejected = Reject(problem, residuals, noise, options.outlier_sigmas);
  }
  constexpr int kMostRounds = 15;
  for (int i = 0; i < kMostRounds; ++i) {
    Round round(problem, options, blocks, rejected, noise, 0.0);
    if (!round.Solve(options.threads, false)) return tl::unexpected(unsolved);
    if (!round.Covariance()) {
      return Fail("the photos do not determine the calibration: too few of them, or all from the "
                  "same direction; add photos with the phone tilted and turned");
    }
    residuals = ResidualsPx(problem, options, blocks);
    const auto estimated = EstimatedNoise(problem, residuals, rejected, round);
    const auto now_rejected = Reject(problem, residuals, estimated, options.outlier_sigmas);
    double change = 0.0;
    for (std::size_t g = 0; g < groups; ++g) {
      change = std::max(change, std::abs(estimated[g] / noise[g] - 1.0));
    }
    if ((change < 1e-3 && now_rejected == rejected) || i + 1 == kMostRounds) {
      BundleResult result = Collect(problem, options, blocks, round, residuals, rejected);
      result.noise_factor = estimated;
      if (options.point_covariance) {
        result.point_covariance = PointCovariance(problem, blocks, round);
      }
      return result;
    }
    noise = estimated;
    rejected = now_rejected;
  }
  return tl::unexpected(unsolved);
}

std::vector<std::size_t> FlagViews(const std::vector<double>& rms_px, double factor) {
  std::vector<double> sorted = rms_px;
  std::sort(sorted.begin(), sorted.end());
  std::vector<std::size_t> flagged;
  if (sorted.empty()) return flagged;
  const double median = 0.5 * (sorted[(sorted.size() - 1) / 2] + sorted[sorted.size() / 2]);
  for (std::size_t i = 0; i < rms_px.size(); ++i) {
    if (!(rms_px[i] <= factor * median)) flagged.push_back(i);
  }
  return flagged;
}

}  // namespace tinesight

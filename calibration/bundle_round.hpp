#pragma once

// Internal to the bundle adjustment: its parameter blocks and one round of solving them.
#include <Eigen/Core>
#include <Eigen/Geometry>
#include <array>
#include <cstddef>
#include <deque>
#include <map>
#include <memory>
#include <utility>
#include <vector>

#include "calibration/bundle.hpp"

namespace tinesight {

using Block6 = std::array<double, 6>;  ///< rotation vector, translation

/// All parameters being adjusted. Deques of fixed-size arrays: addresses stay where they are.
struct BundleBlocks {
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

[[nodiscard]] Eigen::Isometry3d FromBlock(const Block6& block);

/// Start values from the problem.
[[nodiscard]] BundleBlocks StartBlocks(const BundleProblem& problem);

/// Predicted − observed of every observation, by photo, px. Far off where a point is behind the
/// camera.
using BundleResiduals = std::vector<std::vector<Eigen::Vector2d>>;
[[nodiscard]] BundleResiduals ResidualsPx(const BundleProblem& bundle, const BundleOptions& options,
                                          const BundleBlocks& blocks);

/// Where a point is in the target frame, growth removed.
[[nodiscard]] Eigen::Vector3d PointInTargetMm(const BundleProblem& bundle,
                                              const BundleBlocks& blocks, std::size_t point);

/// One least-squares problem over the blocks, and its covariance.
class BundleRound {
 public:
  using Rejected = std::vector<std::vector<bool>>;  ///< by photo, observation

  /// `noise` is each group's factor on sigma_px; `loss_sigmas` > 0 asks for a Cauchy loss.
  BundleRound(const BundleProblem& bundle, const BundleOptions& options, BundleBlocks& blocks,
              const Rejected& rejected, const std::vector<double>& noise, double loss_sigmas);
  ~BundleRound();
  BundleRound(const BundleRound&) = delete;
  BundleRound& operator=(const BundleRound&) = delete;

  /// Adjusts the blocks. `rough`: only on the way, stop early.
  bool Solve(int threads, bool rough);

  /// Inverts the normal matrix; false where it is singular. To be called before the rest.
  bool Covariance();

  /// Observations of a group that take part.
  [[nodiscard]] std::size_t ObservationsOf(std::size_t group) const;
  /// Trace of the covariance times the group's information: the parameters that it pays for.
  [[nodiscard]] double ParametersOf(std::size_t group) const;
  /// Variance of the number that stands `offset` free numbers into a block; 0 where it is held.
  [[nodiscard]] double Variance(const double* block, int offset) const;
  /// Of fx, fy, cx, cy, k1, k2, p1, p2, k3; zeros where they are held.
  [[nodiscard]] std::array<double, 9> IntrinsicsUncertainty(std::size_t camera) const;
  /// Of all points in the target frame: the parts' poses and scales and the points' own
  /// deviations, all correlations kept.
  [[nodiscard]] Eigen::MatrixXd PointCovariance() const;

 private:
  struct Impl;
  std::unique_ptr<Impl> impl_;
};

}  // namespace tinesight

#pragma once

#include <Eigen/Core>
#include <Eigen/SparseCore>

namespace ceres {
class Problem;
}

namespace tinesight {

/// A least-squares problem where it was solved, as EstimateCovariance takes it.
struct Linearized {
  /// A column for each parameter, in the order in which the problem got its parameter blocks.
  Eigen::SparseMatrix<double> jacobian;
  Eigen::VectorXd residuals;
};

/// Of `problem` at its parameters' present values, with the robust losses' weights. Precondition:
/// no block is constant or has a manifold.
[[nodiscard]] Linearized Linearize(ceres::Problem& problem);

}  // namespace tinesight

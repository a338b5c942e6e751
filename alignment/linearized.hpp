#pragma once

#include <Eigen/Core>
#include <Eigen/SparseCore>
#include <vector>

namespace ceres {
class Problem;
}

namespace tinesight {

/// A least-squares problem where it was solved, as EstimateCovariance takes it.
struct Linearized {
  /// A column for each parameter, in the order of the blocks.
  Eigen::SparseMatrix<double> jacobian;
  Eigen::VectorXd residuals;
};

/// Of `problem` by its parameters in `blocks`, at their present values, with the robust losses'
/// weights. The caller says in which order: Ceres would list them by their places in memory.
/// Precondition: no block is constant or has a manifold.
[[nodiscard]] Linearized Linearize(ceres::Problem& problem, const std::vector<double*>& blocks);

}  // namespace tinesight

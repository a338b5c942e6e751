#include "alignment/linearized.hpp"

#include <ceres/ceres.h>

namespace tinesight {

Linearized Linearize(ceres::Problem& problem, const std::vector<double*>& blocks) {
  ceres::Problem::EvaluateOptions options;
  options.parameter_blocks = blocks;
  std::vector<double> residuals;
  ceres::CRSMatrix rows;
  problem.Evaluate(options, nullptr, &residuals, nullptr, &rows);
  return {Eigen::Map<const Eigen::SparseMatrix<double, Eigen::RowMajor>>(
              rows.num_rows, rows.num_cols, static_cast<Eigen::Index>(rows.values.size()),
              rows.rows.data(), rows.cols.data(), rows.values.data()),
          Eigen::Map<const Eigen::VectorXd>(residuals.data(),
                                            static_cast<Eigen::Index>(residuals.size()))};
}

}  // namespace tinesight

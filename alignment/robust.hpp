#pragma once

#include <Eigen/Core>

namespace tinesight {

/// A robust multivariate regression y_i ≈ offset + k_i · slope, and what it kept.
struct RobustLine {
  Eigen::VectorXd offset;   ///< value at k = 0
  Eigen::VectorXd slope;    ///< zero where it was not asked for
  Eigen::VectorXd weights;  ///< final biweights, 0 … 1; 0: an outlier
  double scale = 0.0;       ///< robust standard deviation of one coordinate
  /// Asymptotic standard deviation of one observation's coordinate as it counts for the fit: the
  /// robust mean of n observations has the standard uncertainty `effective_scale` / √n (Huber,
  /// "Robust Statistics", 6.2: √(E ψ² / (E ψ')²), with n − p for n).
  double effective_scale = 0.0;
};

/// Fits rows of `y` (one observation a row, any number of coordinates) against `k`. Starts from
/// the least sum of distances and polishes with Tukey's biweight at c = 4.685 scales; the scale is
/// the normalized median of the residuals' lengths, with the factor 1 + 5/(n − p) for few of them
/// (P. J. Rousseeuw, A. M. Leroy, "Robust Regression and Outlier Detection"), and at least
/// `least_scale`. Without `with_slope` it is a robust mean. Preconditions: at least one row; for a
/// slope two different k.
[[nodiscard]] RobustLine FitRobustLine(const Eigen::VectorXd& k, const Eigen::MatrixXd& y,
                                       bool with_slope, double least_scale);

}  // namespace tinesight

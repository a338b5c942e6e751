#pragma once

#include <Eigen/Core>
#include <Eigen/SparseCore>
#include <string>
#include <vector>

#include "calibration/error.hpp"

namespace tinesight {

/// From a solved least-squares problem to the uncertainty of its parameters.
///
/// Let r(x) be the m residuals, each divided by its standard uncertainty up to one common factor
/// (whitened), J = ∂r/∂x at the solution, n parameters. Then
///
///   s² = Σ r² / (m − n),      covariance = s² (JᵀJ)⁻¹      (JCGM 100, H.3; NIST StRD)
///
/// s² measures the common factor from the residuals, so that observation noise is never assumed:
/// s = 1 where the assumed uncertainties were right. Priors count as residuals, one row each. With
/// a robust loss, J and r are those that the loss has reweighted (Ceres: apply_loss_function).
///
/// Numbers: the columns of J are scaled to unit length first, because parameters come in rad, mm
/// and px, and what can't be told apart must not depend on those units. It is tempting to invert
/// JᵀJ straight away; it squares the condition number, and on the Longley data (NIST StRD, 43 275
/// scaled) leaves 9 digits, where QR keeps 12.
struct CovarianceEstimate {
  Eigen::MatrixXd covariance;       ///< of the parameters asked for, in that order
  Eigen::MatrixXd cofactor;         ///< the same with s² = 1: (JᵀJ)⁻¹
  double residual_variance = 0.0;   ///< s²
  double degrees_of_freedom = 0.0;  ///< m − n
  /// The least share of a column that the columns eliminated before it don't explain, 0 … 1;
  /// 1: all parameters independent. Digits lost are about −log10 of it.
  double least_independent_share = 0.0;

  [[nodiscard]] Eigen::VectorXd StandardUncertainty() const {
    return covariance.diagonal().cwiseSqrt();
  }
};

struct CovarianceOptions {
  /// A parameter whose column has less than this share of its own is not determined.
  double rank_tolerance = 1e-11;
  /// Indices of the parameters whose covariance is wanted; empty: all.
  std::vector<int> parameters;
  /// Names for the error message, one a column; empty: the indices.
  std::vector<std::string> names;
  [[nodiscard]] Result<void> Validate(Eigen::Index columns) const;
};

/// Covariance by QR with column pivoting. Fails where m ≤ n, a value is not finite, a parameter
/// meets no residual, or parameters can't be told apart: the message names them.
[[nodiscard]] Result<CovarianceEstimate> EstimateCovariance(const Eigen::MatrixXd& jacobian,
                                                            const Eigen::VectorXd& residuals,
                                                            const CovarianceOptions& options = {});

/// The same for the sparse Jacobian of a whole visit: by LDLᵀ of the scaled normal equations while
/// every column keeps enough of its own (10⁻³ in small problems, 10⁻⁵ in large ones, where the
/// result still has 3 digits); else by the QR above or, where that would take minutes, a failure.
[[nodiscard]] Result<CovarianceEstimate> EstimateCovariance(
    const Eigen::SparseMatrix<double>& jacobian, const Eigen::VectorXd& residuals,
    const CovarianceOptions& options = {});

/// Law of propagation of uncertainty (JCGM 100, 5.2 and F.1.2.3): covariance of f(x) from that of
/// x with `jacobian` = ∂f/∂x.
[[nodiscard]] Eigen::MatrixXd PropagateCovariance(const Eigen::MatrixXd& jacobian,
                                                  const Eigen::MatrixXd& covariance);

}  // namespace tinesight

#include "alignment/covariance.hpp"

#include <Eigen/QR>
#include <Eigen/SparseCholesky>
#include <cmath>
#include <numeric>

namespace tinesight {
namespace {

// LDLᵀ of the normal equations loses the square of the share: 10 of 16 digits here, with 1000
// parameters 3 more at worst. Below that it is left for QR.
constexpr double kLeastShareForNormalEquations = 1e-5;
// Where a dense QR takes no time, it is asked sooner.
constexpr double kLeastShareBesideQuickQr = 1e-3;
// Operations of a dense QR, rows · columns², that are done at once, and that still take seconds.
constexpr double kQuickDenseOperations = 1e7;
constexpr double kMostDenseOperations = 3e9;
// Columns whose part in a dependency is below this are not named.
constexpr double kNamedPart = 0.1;
constexpr std::size_t kMostNamed = 6;

std::string Name(const CovarianceOptions& options, Eigen::Index column) {
  if (options.names.empty()) return "parameter " + std::to_string(column);
  return options.names[static_cast<std::size_t>(column)];
}

std::vector<int> Wanted(const CovarianceOptions& options, Eigen::Index columns) {
  if (!options.parameters.empty()) return options.parameters;
  std::vector<int> all(static_cast<std::size_t>(columns));
  std::iota(all.begin(), all.end(), 0);
  return all;
}

// What can be said before any factorization; `lengths` are those of the columns.
Result<void> Check(Eigen::Index rows, const Eigen::VectorXd& lengths,
                   const Eigen::VectorXd& residuals, const CovarianceOptions& options) {
  const Eigen::Index columns = lengths.size();
  if (Result<void> valid = options.Validate(columns); !valid) return valid;
  if (rows != residuals.size()) {
    return Fail("covariance: " + std::to_string(rows) + " rows of the Jacobian, but " +
                std::to_string(residuals.size()) + " residuals");
  }
  if (rows <= columns) {
    return Fail("covariance: " + std::to_string(rows) + " residuals can't tell the scatter of " +
                std::to_string(columns) + " parameters; more observations are needed");
  }
  if (!residuals.allFinite() || !lengths.allFinite()) {
    return Fail("covariance: a residual or derivative is not finite");
  }
  for (Eigen::Index i = 0; i < columns; ++i) {
    if (!(lengths(i) > 0.0)) {
      return Fail("covariance: " + Name(options, i) + " meets no observation");
    }
  }
  return {};
}

CovarianceEstimate Start(Eigen::Index columns, const Eigen::VectorXd& residuals) {
  CovarianceEstimate estimate;
  estimate.degrees_of_freedom = static_cast<double>(residuals.size() - columns);
  estimate.residual_variance = residuals.squaredNorm() / estimate.degrees_of_freedom;
  return estimate;
}

// The columns that a rank-deficient R shows to depend on each other, by name.
std::string DependentNames(const Eigen::ColPivHouseholderQR<Eigen::MatrixXd>& qr,
                           const CovarianceOptions& options, Eigen::Index rank) {
  const auto& r = qr.matrixR();
  const auto& order = qr.colsPermutation().indices();
  const Eigen::VectorXd parts =
      r.topLeftCorner(rank, rank).triangularView<Eigen::Upper>().solve(r.col(rank).head(rank));
  std::string names = Name(options, order(rank));
  std::size_t named = 1;
  for (Eigen::Index i = 0; i < rank && named < kMostNamed; ++i) {
    if (std::abs(parts(i)) < kNamedPart) continue;
    names += ", " + Name(options, order(i));
    ++named;
  }
  return names;
}

// The parameter at which the factorization found the least of its own.
std::string WeakestName(const Eigen::SimplicialLDLT<Eigen::SparseMatrix<double>>& ldlt,
                        const CovarianceOptions& options) {
  if (ldlt.info() != Eigen::Success) return "some parameter";
  Eigen::Index weakest = 0;
  ldlt.vectorD().minCoeff(&weakest);
  if (ldlt.permutationPinv().size() == 0) return Name(options, weakest);
  return Name(options, ldlt.permutationPinv().indices()(weakest));
}

}  // namespace

Result<void> CovarianceOptions::Validate(Eigen::Index columns) const {
  if (!(rank_tolerance > 0.0 && rank_tolerance < 1.0)) {
    return Fail("covariance: rank_tolerance is " + std::to_string(rank_tolerance) +
                "; it must lie between 0 and 1");
  }
  for (const int parameter : parameters) {
    if (parameter < 0 || parameter >= columns) {
      return Fail("covariance: there is no parameter " + std::to_string(parameter));
    }
  }
  if (!names.empty() && static_cast<Eigen::Index>(names.size()) != columns) {
    return Fail("covariance: " + std::to_string(names.size()) + " names for " +
                std::to_string(columns) + " parameters");
  }
  return {};
}

Result<CovarianceEstimate> EstimateCovariance(const Eigen::MatrixXd& jacobian,
                                              const Eigen::VectorXd& residuals,
                                              const CovarianceOptions& options) {
  const Eigen::Index columns = jacobian.cols();
  const Eigen::VectorXd lengths = jacobian.colwise().norm();
  if (const auto valid = Check(jacobian.rows(), lengths, residuals, options); !valid) {
    return tl::unexpected(valid.error());
  }
  const Eigen::ColPivHouseholderQR<Eigen::MatrixXd> qr(jacobian *
                                                       lengths.cwiseInverse().asDiagonal());
  CovarianceEstimate estimate = Start(columns, residuals);
  // Scaled columns have length 1: a diagonal entry of R is the part of its column that is square
  // to all columns before it.
  const Eigen::VectorXd shares = qr.matrixR().diagonal().head(columns).cwiseAbs();
  estimate.least_independent_share = columns > 0 ? shares.minCoeff() : 1.0;
  for (Eigen::Index i = 0; i < columns; ++i) {
    if (shares(i) < options.rank_tolerance) {
      return Fail("covariance: the observations can't tell apart " +
                  DependentNames(qr, options, i));
    }
  }
  // (JᵀJ)⁻¹ = D P R⁻¹ R⁻ᵀ Pᵀ D with D the scaling: rows of D P R⁻¹ for the wanted parameters.
  const Eigen::MatrixXd r_inverse = qr.matrixR()
                                        .topLeftCorner(columns, columns)
                                        .triangularView<Eigen::Upper>()
                                        .solve(Eigen::MatrixXd::Identity(columns, columns));
  const Eigen::MatrixXd all_rows =
      lengths.cwiseInverse().asDiagonal() * (qr.colsPermutation() * r_inverse);
  const std::vector<int> wanted = Wanted(options, columns);
  const Eigen::MatrixXd rows = all_rows(wanted, Eigen::all);
  estimate.cofactor = rows * rows.transpose();
  estimate.covariance = estimate.residual_variance * estimate.cofactor;
  return estimate;
}

Result<CovarianceEstimate> EstimateCovariance(const Eigen::SparseMatrix<double>& jacobian,
                                              const Eigen::VectorXd& residuals,
                                              const CovarianceOptions& options) {
  const Eigen::Index columns = jacobian.cols();
  Eigen::VectorXd lengths(columns);
  for (Eigen::Index i = 0; i < columns; ++i) lengths(i) = jacobian.col(i).norm();
  if (const auto valid = Check(jacobian.rows(), lengths, residuals, options); !valid) {
    return tl::unexpected(valid.error());
  }
  const Eigen::VectorXd inverse_lengths = lengths.cwiseInverse();
  const Eigen::SparseMatrix<double> scaled = jacobian * inverse_lengths.asDiagonal();
  const Eigen::SparseMatrix<double> normal = scaled.transpose() * scaled;
  const Eigen::SimplicialLDLT<Eigen::SparseMatrix<double>> ldlt(normal);
  const bool factored = ldlt.info() == Eigen::Success && ldlt.vectorD().minCoeff() > 0.0;
  const double share = factored ? std::sqrt(ldlt.vectorD().minCoeff()) : 0.0;
  const double operations =
      static_cast<double>(jacobian.rows()) * static_cast<double>(columns * columns);
  if (share < (operations <= kQuickDenseOperations ? kLeastShareBesideQuickQr
                                                   : kLeastShareForNormalEquations)) {
    if (operations > kMostDenseOperations) {
      return Fail("covariance: the observations hardly determine " + WeakestName(ldlt, options));
    }
    return EstimateCovariance(Eigen::MatrixXd(jacobian), residuals, options);
  }
  CovarianceEstimate estimate = Start(columns, residuals);
  estimate.least_independent_share = share;
  const std::vector<int> wanted = Wanted(options, columns);
  const auto count = static_cast<Eigen::Index>(wanted.size());
  Eigen::MatrixXd units = Eigen::MatrixXd::Zero(columns, count);
  for (Eigen::Index i = 0; i < count; ++i) {
    const int column = wanted[static_cast<std::size_t>(i)];
    units(column, i) = inverse_lengths(column);
  }
  const Eigen::MatrixXd solved = inverse_lengths.asDiagonal() * ldlt.solve(units);
  const Eigen::MatrixXd block = solved(wanted, Eigen::all);
  estimate.cofactor = 0.5 * (block + block.transpose());
  estimate.covariance = estimate.residual_variance * estimate.cofactor;
  return estimate;
}

Eigen::MatrixXd PropagateCovariance(const Eigen::MatrixXd& jacobian,
                                    const Eigen::MatrixXd& covariance) {
  return jacobian * covariance * jacobian.transpose();
}

}  // namespace tinesight

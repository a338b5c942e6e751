#include "alignment/covariance.hpp"

#include <gtest/gtest.h>

#include <limits>
#include <random>

namespace tinesight {
namespace {

Eigen::MatrixXd Random(Eigen::Index rows, Eigen::Index columns) {
  std::mt19937 random(7);
  std::normal_distribution<double> normal;
  Eigen::MatrixXd matrix(rows, columns);
  for (Eigen::Index i = 0; i < rows; ++i) {
    for (Eigen::Index j = 0; j < columns; ++j) matrix(i, j) = normal(random);
  }
  return matrix;
}

TEST(Covariance, DoesNotMindTheUnitsOfTheParameters) {
  const Eigen::MatrixXd jacobian = Random(30, 5);
  const Eigen::VectorXd residuals = Random(30, 1);
  Eigen::VectorXd units(5);
  units << 1e-9, 1.0, 1e12, 3.0, 1e-4;
  const auto plain = EstimateCovariance(jacobian, residuals);
  const auto scaled = EstimateCovariance(Eigen::MatrixXd(jacobian * units.asDiagonal()), residuals);
  ASSERT_TRUE(plain && scaled);
  const Eigen::MatrixXd back = units.asDiagonal() * scaled->covariance * units.asDiagonal();
  EXPECT_LE((back - plain->covariance).norm(), 1e-12 * plain->covariance.norm());
}

TEST(Covariance, IsTheSameSparseOrDenseAndForSomeParameters) {
  const Eigen::MatrixXd jacobian = Random(40, 6);
  const Eigen::VectorXd residuals = Random(40, 1);
  const auto dense = EstimateCovariance(jacobian, residuals);
  ASSERT_TRUE(dense);
  CovarianceOptions some;
  some.parameters = {4, 1};
  const auto sparse =
      EstimateCovariance(Eigen::SparseMatrix<double>(jacobian.sparseView()), residuals, some);
  const auto dense_some = EstimateCovariance(jacobian, residuals, some);
  ASSERT_TRUE(sparse && dense_some);
  const Eigen::MatrixXd expected = dense->covariance(some.parameters, some.parameters);
  EXPECT_LE((sparse->covariance - expected).norm(), 1e-12 * expected.norm());
  EXPECT_LE((dense_some->covariance - expected).norm(), 1e-13 * expected.norm());
  EXPECT_DOUBLE_EQ(sparse->residual_variance, residuals.squaredNorm() / 34.0);
  EXPECT_NEAR(sparse->degrees_of_freedom, 34.0, 0.0);
}

TEST(Covariance, NamesTheParametersThatCanNotBeToldApart) {
  Eigen::MatrixXd jacobian = Random(30, 4);
  jacobian.col(2) = 2.0 * jacobian.col(0);
  const Eigen::VectorXd residuals = Random(30, 1);
  CovarianceOptions options;
  options.names = {"gap", "yaw", "length", "height"};
  for (const auto& estimate :
       {EstimateCovariance(jacobian, residuals, options),
        EstimateCovariance(Eigen::SparseMatrix<double>(jacobian.sparseView()), residuals,
                           options)}) {
    ASSERT_FALSE(estimate);
    const std::string& message = estimate.error().message;
    EXPECT_NE(message.find("gap"), std::string::npos) << message;
    EXPECT_NE(message.find("length"), std::string::npos) << message;
    EXPECT_EQ(message.find("yaw"), std::string::npos) << message;
  }
  jacobian.col(2) = Random(60, 1).bottomRows(30);
  EXPECT_TRUE(EstimateCovariance(jacobian, residuals, options));
  jacobian.col(3).setZero();
  const auto unseen = EstimateCovariance(jacobian, residuals, options);
  ASSERT_FALSE(unseen);
  EXPECT_EQ(unseen.error().message, "covariance: height meets no observation");
}

// Too large for a dense QR to settle it in seconds: the answer is a name, not a wait.
TEST(Covariance, NamesTheWeakParameterOfALargeProblem) {
  constexpr int kParameters = 1000;
  const Eigen::MatrixXd noise = Random(4 * kParameters, 1);
  Eigen::SparseMatrix<double> jacobian(4 * kParameters, kParameters);
  for (int row = 0; row < 4 * kParameters; ++row) {
    jacobian.insert(row, row / 4) = noise(row, 0);
    if (row / 4 == 700) jacobian.insert(row, 300) = noise(row, 0) * (row % 2 == 0 ? 1.0 : 1.00001);
  }
  for (int row = 1200; row < 1204; ++row) jacobian.coeffRef(row, 300) *= 1e-7;
  const auto estimate = EstimateCovariance(jacobian, Eigen::VectorXd(noise));
  ASSERT_FALSE(estimate);
  const std::string& message = estimate.error().message;
  EXPECT_TRUE(message.ends_with("parameter 300") || message.ends_with("parameter 700")) << message;
}

TEST(Covariance, RefusesWhatItCanNotKnow) {
  const Eigen::MatrixXd jacobian = Random(5, 5);
  EXPECT_FALSE(EstimateCovariance(jacobian, Eigen::VectorXd(Random(5, 1))));  // nothing left over
  EXPECT_FALSE(EstimateCovariance(Random(9, 5), Eigen::VectorXd(Random(8, 1))));
  Eigen::MatrixXd broken = Random(9, 5);
  broken(3, 2) = std::numeric_limits<double>::quiet_NaN();
  EXPECT_FALSE(EstimateCovariance(broken, Eigen::VectorXd(Random(9, 1))));
  Eigen::VectorXd residuals = Random(9, 1);
  residuals(0) = std::numeric_limits<double>::infinity();
  EXPECT_FALSE(EstimateCovariance(Random(9, 5), residuals));
  CovarianceOptions options;
  options.parameters = {5};
  const auto none = EstimateCovariance(Random(9, 5), Eigen::VectorXd(Random(9, 1)), options);
  ASSERT_FALSE(none);
  EXPECT_EQ(none.error().message, "covariance: there is no parameter 5");
  options = {};
  options.names = {"one"};
  EXPECT_FALSE(EstimateCovariance(Random(9, 5), Eigen::VectorXd(Random(9, 1)), options));
}

}  // namespace
}  // namespace tinesight

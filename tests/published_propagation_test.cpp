// The law of propagation and the Monte Carlo of the predictions on the worked examples of JCGM 100
// (GUM) and JCGM 101. Where a comment says so, input numbers were written down from memory; they
// then reproduce results that were read.
#include <gtest/gtest.h>

#include <Eigen/Core>
#include <algorithm>
#include <cmath>
#include <vector>

#include "alignment/covariance.hpp"
#include "alignment/monte_carlo.hpp"
#include "tests/published_check.hpp"

namespace tinesight {
namespace {

using Eigen::VectorXd;

double Mean(const std::vector<double>& draws) {
  double sum = 0.0;
  for (const double draw : draws) sum += draw;
  return sum / static_cast<double>(draws.size());
}

double Deviation(const std::vector<double>& draws) {
  const double mean = Mean(draws);
  double sum = 0.0;
  for (const double draw : draws) sum += (draw - mean) * (draw - mean);
  return std::sqrt(sum / static_cast<double>(draws.size() - 1));
}

// JCGM 101, 7.7.3. The program states symmetric intervals; the examples the shortest.
CoverageInterval Shortest(std::vector<double> draws, double probability) {
  std::sort(draws.begin(), draws.end());
  const auto inside = static_cast<std::size_t>(probability * static_cast<double>(draws.size()));
  std::size_t best = 0;
  for (std::size_t i = 0; i + inside < draws.size(); ++i) {
    if (draws[i + inside] - draws[i] < draws[best + inside] - draws[best]) best = i;
  }
  return {draws[best], draws[best + inside]};
}

// JCGM 100, H.1: calibration of an end gauge, l = l_s + d − l_s (δα θ + α_s δθ), nm. Inputs of
// table H.1 from memory; they give the result below, which was read.
struct EndGauge {
  double standard_nm = 50'000'623.0;
  double alpha = 11.5e-6, theta = -0.1;
  // l_s, d, δα, δθ (the terms whose sensitivity is not 0: θ and α_s have c = 0)
  Eigen::Vector4d u{25.0, 9.7, 0.58e-6, 0.029};

  [[nodiscard]] Eigen::RowVector4d Sensitivity() const {
    return {1.0, 1.0, -standard_nm * theta, -standard_nm * alpha};
  }
};

TEST(PublishedPropagation, GumH1CalibratesAnEndGauge) {
  const EndGauge gauge;
  const double variance = PropagateCovariance(
      gauge.Sensitivity(), gauge.u.cwiseAbs2().asDiagonal().toDenseMatrix())(0, 0);
  const double u = std::sqrt(variance);
  ExpectPublished({"JCGM 100:2008, H.1", "u_c, nm (inputs from memory)"}, u, 32.0, 0.5);
}

// JCGM 101, 9.2, by the evenly spread draws that the predictions use.
TEST(PublishedPropagation, Jcgm101AddsFourInputsByEvenDraws) {
  constexpr int kDraws = 200'000;
  std::vector<double> normal;
  std::vector<double> rectangular;
  for (int i = 1; i <= kDraws; ++i) {
    normal.push_back(NormalDraw(i, 4).sum());
    rectangular.push_back(2.0 * std::sqrt(3.0) * (UniformDraw(i, 4).array() - 0.5).sum());
  }
  const CoverageInterval of_normal = SymmetricInterval(normal, 0.025);
  const CoverageInterval of_rectangular = SymmetricInterval(rectangular, 0.025);
  EXPECT_NEAR(of_normal.low, -3.92, 0.02);
  EXPECT_NEAR(of_rectangular.low, -3.88, 0.02);
  ExpectPublished({"JCGM 101:2008, 9.2.2", "u of the sum, even draws"}, Deviation(normal), 2.0,
                  0.01);
  ExpectPublished({"JCGM 101:2008, 9.2.2", "end of the 95 % interval, even draws"}, of_normal.high,
                  3.92, 0.02);
  ExpectPublished({"JCGM 101:2008, 9.2.3", "end of the 95 % interval, even draws"},
                  of_rectangular.high, 3.88, 0.02);
}

// JCGM 101, 9.4: comparison loss in a power meter's calibration, Y = X1² + X2², both normal with
// u = 0.005, X2 about 0. Inputs and results from memory; mean and deviation are also exact:
// x1² + 2u² and √(4 x1² u² + 4 u⁴). The law of propagation gives 2 x1 u: nothing at x1 = 0.
TEST(PublishedPropagation, Jcgm101ComparisonLossWhereLinearFails) {
  constexpr double kU = 0.005;
  struct Row {
    double x1, mean, u, low, high, linear_u;
  };
  // In millionths.
  constexpr Row kRows[] = {{0.000, 50.0, 50.0, 0.0, 150.0, 0.0},
                           {0.010, 150.0, 112.0, 0.0, 367.0, 100.0},
                           {0.050, 2551.0, 502.0, 1590.0, 3543.0, 500.0}};
  for (const Row& row : kRows) {
    std::vector<double> draws;
    for (int i = 1; i <= 200'000; ++i) {
      const VectorXd x = kU * NormalDraw(i, 2) + Eigen::Vector2d(row.x1, 0.0);
      draws.push_back(1e6 * x.squaredNorm());
    }
    const CoverageInterval interval = Shortest(draws, 0.95);
    const Eigen::RowVector2d slope(2.0 * row.x1, 0.0);
    const double linear =
        1e6 * std::sqrt(PropagateCovariance(slope, kU * kU * Eigen::Matrix2d::Identity())(0, 0));
    const auto check = [&](const char* what, double ours, double published, double allowed) {
      ExpectPublished({"JCGM 101:2008, 9.4.2", "x1 = " + CheckDigits(row.x1, 3) + ": " + what,
                       CheckKind::kFromMemory},
                      ours, published, allowed);
    };
    check("u by linear propagation, 1e-6", linear, row.linear_u, 1e-6);
    check("y, 1e-6", Mean(draws), row.mean, 1.5);
    check("u(y), 1e-6", Deviation(draws), row.u, 1.5);
    check("low end, shortest 95 %, 1e-6", interval.low, row.low, 15.0);
    check("high end, shortest 95 %, 1e-6", interval.high, row.high, 15.0);
  }
}

// NPL DEM-ES-011, table 9.2: ln x with x rectangular between 0.1 and 1.1, by even draws.
TEST(PublishedPropagation, NplLogarithmWhereLinearFails) {
  std::vector<double> draws;
  for (int i = 1; i <= 200'000; ++i) draws.push_back(std::log(0.1 + UniformDraw(i, 1)(0)));
  const double x = 0.6, u_x = 1.0 / std::sqrt(12.0);
  const double linear = std::sqrt(PropagateCovariance(
      Eigen::Matrix<double, 1, 1>(1.0 / x), Eigen::Matrix<double, 1, 1>(u_x * u_x))(0, 0));
  const CoverageInterval interval = Shortest(draws, 0.95);
  ExpectPublished({"NPL DEM-ES-011, table 9.2", "ln x, linear"}, std::log(x), -0.511, 5e-4);
  ExpectPublished({"NPL DEM-ES-011, table 9.2", "u, linear"}, linear, 0.481, 5e-4);
  ExpectPublished({"NPL DEM-ES-011, table 9.2", "ln x, even draws"}, Mean(draws), -0.665, 1e-3);
  ExpectPublished({"NPL DEM-ES-011, table 9.2", "u, even draws"}, Deviation(draws), 0.606, 1e-3);
  // Exactly ln 0.15 = −1.8971, as the density grows to its end; theirs is by Monte Carlo.
  EXPECT_NEAR(interval.low, std::log(0.15), 5e-4);
  ExpectPublished({"NPL DEM-ES-011, table 9.2", "low end, shortest 95 %"}, interval.low, -1.895,
                  3e-3);
  ExpectPublished({"NPL DEM-ES-011, table 9.2", "high end, shortest 95 %"}, interval.high, 0.095,
                  2e-3);
}

}  // namespace
}  // namespace tinesight

// The covariance route of the solve on data with published answers: JCGM 100 (GUM), JCGM 101 and
// NIST's Statistical Reference Datasets (data as in Debian's source packages gsl 2.7.1,
// multifit/test_*.c and fit/test.c, and ceres-solver 2.1.0, data/nist).

#include <ceres/ceres.h>
#include <gtest/gtest.h>

#include <Eigen/QR>
#include <cmath>
#include <complex>
#include <random>

#include "alignment/covariance.hpp"
#include "alignment/linearized.hpp"
#include "tests/published_check.hpp"

namespace tinesight {
namespace {

using Eigen::MatrixXd;
using Eigen::VectorXd;

// Relative error that admits the last of the published digits and the arithmetic of doubles.
// Recorded under the data set's name, which the test sets first.
std::string g_source;
void ExpectRelative(double actual, double published, double tolerance, const std::string& what) {
  ExpectPublishedRelative({g_source, what}, actual, published, tolerance);
}

MatrixXd Correlation(const MatrixXd& covariance) {
  const VectorXd inverse_u = covariance.diagonal().cwiseSqrt().cwiseInverse();
  return inverse_u.asDiagonal() * covariance * inverse_u.asDiagonal();
}

struct LinearFit {
  VectorXd parameters;
  CovarianceEstimate estimate;
};

// Solves design · x ≈ y; the covariance is EstimateCovariance's, as that of a visit's solve.
LinearFit FitLinear(const MatrixXd& design, const VectorXd& y) {
  LinearFit fit;
  const VectorXd scale = design.colwise().norm().cwiseInverse();
  const Eigen::ColPivHouseholderQR<MatrixXd> qr(design * scale.asDiagonal());
  fit.parameters = scale.asDiagonal() * qr.solve(y);
  const Result<CovarianceEstimate> estimate =
      EstimateCovariance(design, design * fit.parameters - y);
  EXPECT_TRUE(estimate) << estimate.error().message;
  if (estimate) fit.estimate = *estimate;
  return fit;
}

MatrixXd Polynomial(const VectorXd& x, int degree) {
  MatrixXd design(x.size(), degree + 1);
  for (int i = 0; i <= degree; ++i) design.col(i) = x.array().pow(i).matrix();
  return design;
}

VectorXd Vector(std::initializer_list<double> values) {
  VectorXd vector(static_cast<Eigen::Index>(values.size()));
  std::copy(values.begin(), values.end(), vector.data());
  return vector;
}

// JCGM 100, H.2: simultaneous resistance and reactance. Rows: V in V, I in mA, φ in rad.
MatrixXd GumH2Data() {
  MatrixXd data(5, 3);
  data << 5.007, 19.663, 1.0456,  //
      4.994, 19.639, 1.0438,      //
      5.005, 19.640, 1.0468,      //
      4.990, 19.685, 1.0428,      //
      4.999, 19.678, 1.0433;
  return data;
}

// Mean and its standard uncertainty are a least-squares problem with a column of ones.
double VarianceOfMean(const VectorXd& values) {
  return FitLinear(VectorXd::Ones(values.size()), values).estimate.covariance(0, 0);
}

// Covariance matrix of the means, off the diagonal by var(a + b) = var a + var b + 2 cov(a, b).
MatrixXd CovarianceOfMeans(const MatrixXd& data) {
  MatrixXd covariance(data.cols(), data.cols());
  for (Eigen::Index i = 0; i < data.cols(); ++i) {
    for (Eigen::Index j = 0; j < data.cols(); ++j) {
      covariance(i, j) = i == j ? VarianceOfMean(data.col(i))
                                : 0.5 * (VarianceOfMean(data.col(i) + data.col(j)) -
                                         VarianceOfMean(data.col(i)) - VarianceOfMean(data.col(j)));
    }
  }
  return covariance;
}

Eigen::Vector3d ResistanceReactanceImpedance(const VectorXd& v_ma_rad) {
  const double z = v_ma_rad(0) / (v_ma_rad(1) * 1e-3);
  return {z * std::cos(v_ma_rad(2)), z * std::sin(v_ma_rad(2)), z};
}

TEST(PublishedStatistics, GumH2PropagatesCorrelatedMeans) {
  const MatrixXd data = GumH2Data();
  const VectorXd mean = data.colwise().mean().transpose();
  const MatrixXd input = CovarianceOfMeans(data);
  const double v = mean(0), i = mean(1) * 1e-3, phi = mean(2);
  MatrixXd jacobian(3, 3);  // of R = V/I cos φ, X = V/I sin φ, Z = V/I
  jacobian << std::cos(phi) / i, -v * std::cos(phi) / (i * i) * 1e-3, -v / i * std::sin(phi),
      std::sin(phi) / i, -v * std::sin(phi) / (i * i) * 1e-3, v / i * std::cos(phi),  //
      1.0 / i, -v / (i * i) * 1e-3, 0.0;
  const Eigen::Vector3d result = ResistanceReactanceImpedance(mean);
  const MatrixXd covariance = PropagateCovariance(jacobian, input);
  const VectorXd u = covariance.diagonal().cwiseSqrt();
  const MatrixXd r = Correlation(covariance);

  // Table H.3 and H.4. Published rounded; u(X) is 0.2956 at full precision and printed as 0.295.
  ExpectPublished({"JCGM 100:2008, H.2", "R, Ω"}, result(0), 127.732, 5e-4);
  ExpectPublished({"JCGM 100:2008, H.2", "X, Ω"}, result(1), 219.847, 5e-4);
  ExpectPublished({"JCGM 100:2008, H.2", "Z, Ω"}, result(2), 254.26, 5e-4);
  ExpectPublished({"JCGM 100:2008, H.2", "u(R), Ω"}, u(0), 0.071, 5e-4);
  ExpectPublished({"JCGM 100:2008, H.2", "u(X), Ω"}, u(1), 0.295, 1e-3);
  ExpectPublished({"JCGM 100:2008, H.2", "u(Z), Ω"}, u(2), 0.236, 5e-4);
  ExpectPublished({"JCGM 100:2008, H.2", "r(R, X)"}, r(0, 1), -0.588, 5e-4);
  ExpectPublished({"JCGM 100:2008, H.2", "r(R, Z)"}, r(0, 2), -0.485, 5e-4);
  ExpectPublished({"JCGM 100:2008, H.2", "r(X, Z)"}, r(1, 2), 0.993, 5e-4);
}

// The GUM's second approach to the same data (H.2.4): evaluate each set, then average.
TEST(PublishedStatistics, GumH2AgreesByItsSecondApproach) {
  const MatrixXd data = GumH2Data();
  MatrixXd results(5, 3);
  for (Eigen::Index row = 0; row < 5; ++row) {
    results.row(row) = ResistanceReactanceImpedance(data.row(row).transpose()).transpose();
  }
  const MatrixXd covariance = CovarianceOfMeans(results);
  ExpectPublished({"JCGM 100:2008, H.2.4", "u(R), Ω"}, std::sqrt(covariance(0, 0)), 0.071, 5e-4);
  ExpectPublished({"JCGM 100:2008, H.2.4", "u(X), Ω"}, std::sqrt(covariance(1, 1)), 0.295, 1e-3);
  ExpectPublished({"JCGM 100:2008, H.2.4", "u(Z), Ω"}, std::sqrt(covariance(2, 2)), 0.236, 5e-4);
}

// JCGM 100, H.3: calibration of a thermometer.
TEST(PublishedStatistics, GumH3FitsTheThermometer) {
  const VectorXd t = Vector(
      {21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511});
  const VectorXd b =
      -Vector({0.171, 0.169, 0.166, 0.159, 0.164, 0.165, 0.156, 0.157, 0.159, 0.161, 0.160});
  const LinearFit fit = FitLinear(Polynomial((t.array() - 20.0).matrix(), 1), b);
  const VectorXd u = fit.estimate.StandardUncertainty();
  ExpectPublished({"JCGM 100:2008, H.3", "y1, °C"}, fit.parameters(0), -0.1712, 5e-5);
  ExpectPublished({"JCGM 100:2008, H.3", "u(y1), °C"}, u(0), 0.0029, 5e-5);
  ExpectPublished({"JCGM 100:2008, H.3", "y2"}, fit.parameters(1), 0.00218, 5e-6);
  ExpectPublished({"JCGM 100:2008, H.3", "u(y2)"}, u(1), 0.00067, 5e-6);
  ExpectPublished({"JCGM 100:2008, H.3", "r(y1, y2)"}, Correlation(fit.estimate.covariance)(0, 1),
                  -0.930, 5e-4);
  ExpectPublished({"JCGM 100:2008, H.3", "s, °C"}, std::sqrt(fit.estimate.residual_variance),
                  0.0035, 5e-5);
  // The same at full precision, recomputed independently.
  ExpectPublished({"JCGM 100:2008, H.3", "y1, °C", CheckKind::kRecomputed}, fit.parameters(0),
                  -0.171203790, 5e-10);
  ExpectPublished({"JCGM 100:2008, H.3", "u(y1), °C", CheckKind::kRecomputed}, u(0), 0.002877598,
                  5e-10);
  ExpectPublished({"JCGM 100:2008, H.3", "y2", CheckKind::kRecomputed}, fit.parameters(1),
                  0.002182698, 5e-10);
  ExpectPublished({"JCGM 100:2008, H.3", "u(y2)", CheckKind::kRecomputed}, u(1), 0.000667939,
                  5e-10);
  // Prediction at 30 °C.
  const MatrixXd at30 = (MatrixXd(1, 2) << 1.0, 10.0).finished();
  ExpectPublished({"JCGM 100:2008, H.3", "b(30 °C), °C", CheckKind::kRecomputed},
                  (at30 * fit.parameters)(0), -0.149376813, 5e-10);
  const double at30_u = std::sqrt(PropagateCovariance(at30, fit.estimate.covariance)(0, 0));
  ExpectPublished({"JCGM 100:2008, H.3", "u(b(30 °C)), °C", CheckKind::kRecomputed}, at30_u,
                  0.004138596, 5e-10);
  ExpectPublished({"JCGM 100:2008, H.3", "b(30 °C), °C"}, (at30 * fit.parameters)(0), -0.1494,
                  5e-5);
  ExpectPublished({"JCGM 100:2008, H.3", "u(b(30 °C)), °C"}, at30_u, 0.0041, 5e-5);
}

TEST(PublishedStatistics, NistNorris) {
  g_source = "NIST StRD Norris";
  const VectorXd x =
      Vector({0.2, 337.4, 118.2, 884.6, 10.1,  226.5, 666.3, 996.3, 448.6, 777.0, 558.2, 0.4,
              0.6, 775.5, 666.9, 338.0, 447.5, 11.6,  556.0, 228.1, 995.8, 887.6, 120.2, 0.3,
              0.3, 556.8, 339.1, 887.2, 999.0, 779.0, 11.1,  118.3, 229.2, 669.1, 448.9, 0.5});
  const VectorXd y =
      Vector({0.1, 338.8, 118.1, 888.0, 9.2,   228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3,
              0.1, 778.1, 668.8, 339.3, 448.9, 10.8,  557.7, 228.3, 998.0, 888.8, 119.6, 0.3,
              0.6, 557.6, 339.3, 888.0, 998.5, 778.9, 10.2,  117.6, 228.9, 668.4, 449.2, 0.2});
  const LinearFit fit = FitLinear(Polynomial(x, 1), y);
  const VectorXd u = fit.estimate.StandardUncertainty();
  ExpectRelative(fit.parameters(0), -0.262323073774029, 1e-12, "B0");
  ExpectRelative(fit.parameters(1), 1.00211681802045, 1e-13, "B1");
  ExpectRelative(u(0), 0.232818234301152, 1e-13, "u(B0)");
  ExpectRelative(u(1), 4.29796848199937e-4, 1e-13, "u(B1)");
  ExpectRelative(std::sqrt(fit.estimate.residual_variance), 0.884796396144373, 1e-13, "s");
}

TEST(PublishedStatistics, NistPontius) {
  g_source = "NIST StRD Pontius";
  VectorXd x(40);
  for (Eigen::Index i = 0; i < 40; ++i) x(i) = 150000.0 * static_cast<double>(i % 20 + 1);
  const VectorXd y = Vector(
      {.11019,  .21956,  .32949,  .43899,  .54803,  .65694,  .76562,  .87487,  .98292,  1.09146,
       1.20001, 1.30822, 1.41599, 1.52399, 1.63194, 1.73947, 1.84646, 1.95392, 2.06128, 2.16844,
       .11052,  .22018,  .32939,  .43886,  .54798,  .65739,  .76596,  .87474,  .98300,  1.09150,
       1.20004, 1.30818, 1.41613, 1.52408, 1.63159, 1.73965, 1.84696, 1.95445, 2.06177, 2.16829});
  const LinearFit fit = FitLinear(Polynomial(x, 2), y);
  const VectorXd u = fit.estimate.StandardUncertainty();
  ExpectRelative(fit.parameters(0), 6.73565789473684e-4, 1e-11, "B0");
  ExpectRelative(fit.parameters(1), 7.32059160401003e-7, 1e-12, "B1");
  ExpectRelative(fit.parameters(2), -3.16081871345029e-15, 1e-11, "B2");
  ExpectRelative(u(0), 1.07938612033077e-4, 1e-11, "u(B0)");
  ExpectRelative(u(1), 1.57817399981659e-10, 1e-11, "u(B1)");
  ExpectRelative(u(2), 4.86652849992036e-17, 1e-11, "u(B2)");
}

MatrixXd LongleyDesign() {
  MatrixXd design(16, 7);
  design << 1, 83.0, 234289, 2356, 1590, 107608, 1947,  //
      1, 88.5, 259426, 2325, 1456, 108632, 1948,        //
      1, 88.2, 258054, 3682, 1616, 109773, 1949,        //
      1, 89.5, 284599, 3351, 1650, 110929, 1950,        //
      1, 96.2, 328975, 2099, 3099, 112075, 1951,        //
      1, 98.1, 346999, 1932, 3594, 113270, 1952,        //
      1, 99.0, 365385, 1870, 3547, 115094, 1953,        //
      1, 100.0, 363112, 3578, 3350, 116219, 1954,       //
      1, 101.2, 397469, 2904, 3048, 117388, 1955,       //
      1, 104.6, 419180, 2822, 2857, 118734, 1956,       //
      1, 108.4, 442769, 2936, 2798, 120445, 1957,       //
      1, 110.8, 444546, 4681, 2637, 121950, 1958,       //
      1, 112.6, 482704, 3813, 2552, 123366, 1959,       //
      1, 114.2, 502601, 3931, 2514, 125368, 1960,       //
      1, 115.7, 518173, 4806, 2572, 127852, 1961,       //
      1, 116.9, 554894, 4007, 2827, 130081, 1962;
  return design;
}

VectorXd LongleyY() {
  return Vector({60323, 61122, 60171, 61187, 63221, 63639, 64989, 63761, 66019, 67857, 68169, 66513,
                 68655, 69564, 69331, 70551});
}

// The classic of ill-conditioned data: the normal equations give u(B0) = 890420.3858, 9 digits.
TEST(PublishedStatistics, NistLongley) {
  g_source = "NIST StRD Longley";
  const LinearFit fit = FitLinear(LongleyDesign(), LongleyY());
  const VectorXd u = fit.estimate.StandardUncertainty();
  const double published[] = {-3482258.63459582, 15.0618722713733,  -0.0358191792925910,
                              -2.02022980381683, -1.03322686717359, -0.0511041056535807,
                              1829.15146461355};
  for (int i = 0; i < 7; ++i)
    ExpectRelative(fit.parameters(i), published[i], 1e-9,
                   std::string("B").append(std::to_string(i)));
  ExpectRelative(u(0), 890420.383607373, 1e-10, "u(B0)");
  ExpectRelative(u(6), 455.478499142212, 1e-10, "u(B6)");
  ExpectRelative(fit.estimate.residual_variance * 9.0, 836424.055505915, 1e-12, "RSS");
}

TEST(PublishedStatistics, NistLongleyThroughTheSparseRoute) {
  g_source = "NIST StRD Longley, sparse route";
  const MatrixXd design = LongleyDesign();
  const LinearFit fit = FitLinear(design, LongleyY());
  const VectorXd residuals = design * fit.parameters - LongleyY();
  const Result<CovarianceEstimate> sparse =
      EstimateCovariance(Eigen::SparseMatrix<double>(design.sparseView()), residuals);
  ASSERT_TRUE(sparse) << sparse.error().message;
  ExpectRelative(sparse->StandardUncertainty()(0), 890420.383607373, 1e-9, "u(B0)");
  ExpectRelative(sparse->StandardUncertainty()(6), 455.478499142212, 1e-9, "u(B6)");
}

// Misra1a: y = b1 (1 − exp(−b2 x)).
struct Misra1a {
  double x, y;
  template <typename T>
  bool operator()(const T* b, T* residual) const {
    residual[0] = b[0] * (T(1.0) - exp(-b[1] * x)) - y;
    return true;
  }
};

// Thurber: y = (b1 + b2 x + b3 x² + b4 x³) / (1 + b5 x + b6 x² + b7 x³).
struct Thurber {
  double x, y;
  template <typename T>
  bool operator()(const T* b, T* residual) const {
    residual[0] = (b[0] + x * (b[1] + x * (b[2] + x * b[3]))) /
                      (T(1.0) + x * (b[4] + x * (b[5] + x * b[6]))) -
                  y;
    return true;
  }
};

struct NonlinearFit {
  VectorXd parameters;
  CovarianceEstimate estimate;
  double rss = 0.0;
};

// As the solve of a visit does it: Ceres, then Linearize and EstimateCovariance.
template <typename Residual, int kParameters>
NonlinearFit FitNonlinear(const std::vector<std::array<double, 2>>& yx, VectorXd start) {
  ceres::Problem problem;
  for (const auto& [y, x] : yx) {
    problem.AddResidualBlock(
        new ceres::AutoDiffCostFunction<Residual, 1, kParameters>(new Residual{x, y}), nullptr,
        start.data());
  }
  ceres::Solver::Options options;
  options.max_num_iterations = 10000;
  options.function_tolerance = 1e-25;
  options.gradient_tolerance = 1e-25;
  options.parameter_tolerance = 1e-15;
  options.logging_type = ceres::SILENT;
  ceres::Solver::Summary summary;
  ceres::Solve(options, &problem, &summary);

  const Linearized linearized = Linearize(problem, {start.data()});
  const Result<CovarianceEstimate> estimate =
      EstimateCovariance(linearized.jacobian, linearized.residuals);
  EXPECT_TRUE(estimate) << estimate.error().message;
  return {start, estimate ? *estimate : CovarianceEstimate{}, linearized.residuals.squaredNorm()};
}

TEST(PublishedStatistics, NistMisra1aFromBothStarts) {
  const std::vector<std::array<double, 2>> yx = {
      {10.07, 77.6},  {14.73, 114.9}, {17.94, 141.1}, {23.93, 190.8}, {29.61, 239.9},
      {35.18, 289.0}, {40.02, 332.8}, {44.82, 378.4}, {50.76, 434.8}, {55.05, 477.3},
      {61.01, 536.8}, {66.40, 593.1}, {75.47, 689.1}, {81.78, 760.0}};
  for (const VectorXd& start : {Vector({500, 0.0001}), Vector({250, 0.0005})}) {
    g_source = "NIST StRD Misra1a, start " + std::string(start(0) == 500 ? "1" : "2");
    const NonlinearFit fit = FitNonlinear<Misra1a, 2>(yx, start);
    const VectorXd u = fit.estimate.StandardUncertainty();
    ExpectRelative(fit.parameters(0), 2.3894212918e+02, 1e-9, "b1");
    ExpectRelative(fit.parameters(1), 5.5015643181e-04, 1e-9, "b2");
    ExpectRelative(u(0), 2.7070075241e+00, 1e-8, "u(b1)");
    ExpectRelative(u(1), 7.2668688436e-06, 1e-8, "u(b2)");
    ExpectRelative(fit.rss, 1.2455138894e-01, 1e-9, "RSS");
    EXPECT_EQ(fit.estimate.degrees_of_freedom, 12.0);
  }
}

TEST(PublishedStatistics, NistThurberFromBothStarts) {
  const std::vector<std::array<double, 2>> yx = {
      {80.574, -3.067},   {84.248, -2.981},   {87.264, -2.921},   {87.195, -2.912},
      {89.076, -2.840},   {89.608, -2.797},   {89.868, -2.702},   {90.101, -2.699},
      {92.405, -2.633},   {95.854, -2.481},   {100.696, -2.363},  {101.060, -2.322},
      {401.672, -1.501},  {390.724, -1.460},  {567.534, -1.274},  {635.316, -1.212},
      {733.054, -1.100},  {759.087, -1.046},  {894.206, -0.915},  {990.785, -0.714},
      {1090.109, -0.566}, {1080.914, -0.545}, {1122.643, -0.400}, {1178.351, -0.309},
      {1260.531, -0.109}, {1273.514, -0.103}, {1288.339, 0.010},  {1327.543, 0.119},
      {1353.863, 0.377},  {1414.509, 0.790},  {1425.208, 0.963},  {1421.384, 1.006},
      {1442.962, 1.115},  {1464.350, 1.572},  {1468.705, 1.841},  {1447.894, 2.047},
      {1457.628, 2.200}};
  const double certified[] = {1.2881396800e+03, 1.4910792535e+03, 5.8323836877e+02,
                              7.5416644291e+01, 9.6629502864e-01, 3.9797285797e-01,
                              4.9727297349e-02};
  const double certified_u[] = {4.6647963344e+00, 3.9571156086e+01, 2.8698696102e+01,
                                5.5675370270e+00, 3.1333340687e-02, 1.4984928198e-02,
                                6.5842344623e-03};
  for (const VectorXd& start : {Vector({1000, 1000, 400, 40, 0.7, 0.3, 0.03}),
                                Vector({1300, 1500, 500, 75, 1, 0.4, 0.05})}) {
    g_source = "NIST StRD Thurber, start " + std::string(start(0) == 1000 ? "1" : "2");
    const NonlinearFit fit = FitNonlinear<Thurber, 7>(yx, start);
    const VectorXd u = fit.estimate.StandardUncertainty();
    for (int i = 0; i < 7; ++i) {
      // Ceres stops where the cost no longer changes in a double, which is flat to about 1e-8.
      ExpectRelative(fit.parameters(i), certified[i], 1e-7,
                     std::string("b").append(std::to_string(i + 1)));
      ExpectRelative(u(i), certified_u[i], 1e-6,
                     std::string("u(b").append(std::to_string(i + 1)) + ")");
    }
    ExpectRelative(fit.rss, 5.6427082397e+03, 1e-9, "RSS");
  }
}

// JCGM 101, 9.2: Y is the sum of four inputs. The law of propagation gives u = 2.00 and, with
// k = 1.96, ±3.92. What Monte Carlo gives: PublishedPropagation.Jcgm101AddsFourInputsByEvenDraws.
TEST(PublishedStatistics, Jcgm101AddsFourInputs) {
  const MatrixXd sum = MatrixXd::Ones(1, 4);
  const double u = std::sqrt(PropagateCovariance(sum, MatrixXd::Identity(4, 4))(0, 0));
  ExpectPublished({"JCGM 101:2008, 9.2", "u of the sum"}, u, 2.0, 1e-12);
  ExpectPublished({"JCGM 101:2008, 9.2", "end of the 95 % interval, linear"}, 1.959964 * u, 3.92,
                  5e-3);
}

// The covariance of a fit against the scatter of 20 000 simulated fits (JCGM 101): the stated
// uncertainty must be the true one within 10 %, with s² read from the residuals each time.
TEST(PublishedStatistics, StatedUncertaintyIsTheScatterOfManyFits) {
  const MatrixXd design = Polynomial(VectorXd::LinSpaced(12, -1.0, 2.0), 2);
  const VectorXd truth = Vector({1.0, -2.0, 0.5});
  std::mt19937_64 random(101);
  std::normal_distribution<double> noise(0.0, 0.3);
  constexpr int kFits = 20'000;
  VectorXd scatter = VectorXd::Zero(3), stated = VectorXd::Zero(3);
  for (int i = 0; i < kFits; ++i) {
    VectorXd y = design * truth;
    for (double& value : y) value += noise(random);
    const LinearFit fit = FitLinear(design, y);
    scatter += (fit.parameters - truth).cwiseAbs2() / kFits;
    stated += fit.estimate.covariance.diagonal() / kFits;
  }
  for (int i = 0; i < 3; ++i) EXPECT_NEAR(std::sqrt(stated(i) / scatter(i)), 1.0, 0.02) << i;
}

}  // namespace
}  // namespace tinesight

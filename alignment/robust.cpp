#include "alignment/robust.hpp"

#include <algorithm>
#include <cassert>
#include <cmath>
#include <vector>

#include "calibration/median.hpp"

namespace tinesight {
namespace {

constexpr double kBiweightTuning = 4.685;
constexpr int kMostIterations = 100;
// Largest last change of a fitted value, as a share of the mean residual: the start need only be
// near, the biweight is the result.
constexpr double kStartConverged = 1e-4;
constexpr double kConverged = 1e-9;
constexpr double kSmallestResidual = 1e-9;  // keeps 1/r finite in the start

double MeanOfMiddles(std::vector<double> values) {
  const double upper = MedianInPlace(values);
  if (values.size() % 2 == 1) return upper;
  const auto middle = values.begin() + static_cast<std::ptrdiff_t>(values.size() / 2);
  return 0.5 * (upper + *std::max_element(values.begin(), middle));
}

// Median of the length of a d-dimensional standard normal vector, d = 1 to 3 (√ of the median of
// χ² with d degrees of freedom): what turns a median length into a standard deviation.
double MedianLength(Eigen::Index dimensions) {
  return dimensions <= 1 ? 0.674490 : dimensions == 2 ? 1.177410 : 1.538172;
}

void FitWeighted(const Eigen::VectorXd& k, const Eigen::MatrixXd& y, bool with_slope,
                 RobustLine& line) {
  const double sum = line.weights.sum();
  const double k_mean = line.weights.dot(k) / sum;
  const Eigen::VectorXd y_mean = y.transpose() * line.weights / sum;
  line.slope.setZero(y.cols());
  if (with_slope) {
    const Eigen::VectorXd centered = (k.array() - k_mean).matrix();
    const Eigen::VectorXd weighted = line.weights.cwiseProduct(centered);
    const double spread = weighted.dot(centered);
    if (spread > 0.0) line.slope = y.transpose() * weighted / spread;
  }
  line.offset = y_mean - k_mean * line.slope;
}

Eigen::VectorXd ResidualLengths(const Eigen::VectorXd& k, const Eigen::MatrixXd& y,
                                const RobustLine& line) {
  const Eigen::MatrixXd fitted =
      (Eigen::VectorXd::Ones(k.size()) * line.offset.transpose() + k * line.slope.transpose());
  return (y - fitted).rowwise().norm();
}

// Reweights until no fitted value moves any more.
template <typename Weights>
void Iterate(const Eigen::VectorXd& k, const Eigen::MatrixXd& y, bool with_slope, double converged,
             RobustLine& line, Weights weights) {
  const double reach = k.cwiseAbs().maxCoeff();
  for (int i = 0; i < kMostIterations; ++i) {
    const RobustLine before = line;
    const Eigen::ArrayXd lengths = ResidualLengths(k, y, line).array();
    line.weights = weights(lengths);
    FitWeighted(k, y, with_slope, line);
    const double change =
        (line.offset - before.offset).norm() + reach * (line.slope - before.slope).norm();
    if (change <= converged * lengths.mean()) break;
  }
}

double Scale(const Eigen::VectorXd& lengths, Eigen::Index dimensions, double degrees_of_freedom,
             double least_scale) {
  const std::vector<double> values(lengths.data(), lengths.data() + lengths.size());
  const double few = 1.0 + 5.0 / degrees_of_freedom;
  return std::max(least_scale, few * MeanOfMiddles(values) / MedianLength(dimensions));
}

// `t` are the residuals' lengths in units of the biweight's reach.
double EffectiveScale(const Eigen::ArrayXd& t, double reach, double dimensions,
                      double degrees_of_freedom) {
  const Eigen::ArrayXd inside = (1.0 - t.square()).max(0.0);
  const Eigen::ArrayXd psi = inside.square() * t * reach;
  const Eigen::ArrayXd psi_slope =
      inside.square() - 4.0 / dimensions * t.square().min(1.0) * inside;
  const double slope = psi_slope.mean();
  // Only where half of the notes contradict the other half; then nothing is known.
  if (slope < 0.1) return reach;
  return std::sqrt(psi.square().sum() / dimensions / degrees_of_freedom) / slope;
}

}  // namespace

RobustLine FitRobustLine(const Eigen::VectorXd& k, const Eigen::MatrixXd& y, bool with_slope,
                         double least_scale) {
  assert(k.size() > 0 && k.size() == y.rows());
  RobustLine line;
  line.weights = Eigen::VectorXd::Ones(k.size());
  FitWeighted(k, y, with_slope, line);
  // Least sum of distances by reweighting. Its design (k, the notes) is evenly spread, so no
  // single note has the leverage that would defeat it.
  Iterate(k, y, with_slope, kStartConverged, line, [](const Eigen::ArrayXd& lengths) {
    return lengths.max(kSmallestResidual).inverse().matrix().eval();
  });
  // The scale is read once, from the robust start: a scale that follows the weights can shrink
  // until it throws out good notes.
  const double degrees_of_freedom =
      std::max(1.0, static_cast<double>(k.size()) - (with_slope ? 2.0 : 1.0));
  line.scale = Scale(ResidualLengths(k, y, line), y.cols(), degrees_of_freedom, least_scale);
  const double reach = kBiweightTuning * line.scale;
  Iterate(k, y, with_slope, kConverged, line, [reach](const Eigen::ArrayXd& lengths) {
    return (1.0 - (lengths / reach).square()).max(0.0).square().matrix().eval();
  });
  line.effective_scale =
      std::max(least_scale, EffectiveScale(ResidualLengths(k, y, line).array() / reach, reach,
                                           static_cast<double>(y.cols()), degrees_of_freedom));
  return line;
}

}  // namespace tinesight

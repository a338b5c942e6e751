#include "vision/saddle_fit.hpp"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <vector>

#include "vision/residual_noise.hpp"

namespace tinesight {
namespace {

constexpr int kX = 0;
constexpr int kY = 1;
constexpr int kLogSigma = 2;
constexpr int kContrast = 3;
constexpr int kPlane = 4;  // constant, x, y
constexpr int kParameters = 7;
using Vector = Eigen::Matrix<double, kParameters, 1>;
using Matrix = Eigen::Matrix<double, kParameters, kParameters>;

constexpr double kMinBlurPx = 0.35;
constexpr int kMaxIterations = 30;
constexpr double kConvergedPx = 0.002;
constexpr double kConvergedLogSigma = 0.01;
constexpr int kMaxWindows = 4;
constexpr double kCenteredPx = 0.05;
constexpr double kFarthestWindows = 0.7;  // from where the point is expected, of the window

struct Sample {
  double x;  // from the start, px
  double y;
  double value;
  int row;
  int col;
  double within;  // the share of its pixel that lies in the window
};

class SaddleFitter {
 public:
  SaddleFitter(const cv::Mat& gray, const SaddleStart& start);
  std::optional<SaddleFit> Run();

 private:
  void Evaluate(const Vector& p, std::vector<double>& residuals,
                Eigen::Matrix<double, Eigen::Dynamic, kParameters>* jacobian) const;
  [[nodiscard]] bool Improve(const Matrix& normal, const Vector& gradient, double cost);
  [[nodiscard]] SaddleFit Summary(const std::vector<double>& residuals, const Matrix& normal) const;

  SaddleStart start_;
  std::vector<Sample> samples_;
  Eigen::Vector2d normal_p_ = Eigen::Vector2d::UnitX();  // unit normals of the two edges
  Eigen::Vector2d normal_q_ = Eigen::Vector2d::UnitY();
  double window_px_ = 0.0;
  double damping_ = 1e-3;
  double scale_ = 1.0;
  Vector parameters_ = Vector::Zero();
  int grid_rows_ = 0;
  int grid_cols_ = 0;
};

double Cost(const std::vector<Sample>& samples, const std::vector<double>& residuals,
            double scale) {
  const double k = 2.5 * scale;
  double cost = 0.0;
  for (std::size_t i = 0; i < residuals.size(); ++i) {
    const double size = std::abs(residuals[i]);
    cost += samples[i].within * (size <= k ? size * size : 2.0 * k * size - k * k);
  }
  return cost;
}

SaddleFitter::SaddleFitter(const cv::Mat& gray, const SaddleStart& start) : start_(start) {
  const Eigen::Vector2d right = start.right_px;
  const Eigen::Vector2d down = start.down_px;
  normal_p_ = Eigen::Vector2d(down.y(), -down.x()).normalized();    // across the "down" edge
  normal_q_ = Eigen::Vector2d(-right.y(), right.x()).normalized();  // across the "right" edge
  Eigen::Matrix2d px_from_mm;
  px_from_mm << right, down;
  if (std::abs(px_from_mm.determinant()) < 1.0) return;
  const Eigen::Matrix2d mm_from_px = px_from_mm.inverse();
  window_px_ = start.WindowPx();
  const Eigen::Vector2d half = start.window_mm * (right.cwiseAbs() + down.cwiseAbs());
  const int x0 = static_cast<int>(std::floor(start.position_px.x() - half.x()));
  const int x1 = static_cast<int>(std::ceil(start.position_px.x() + half.x()));
  const int y0 = static_cast<int>(std::floor(start.position_px.y() - half.y()));
  const int y1 = static_cast<int>(std::ceil(start.position_px.y() + half.y()));
  if (x0 < 1 || y0 < 1 || x1 > gray.cols - 2 || y1 > gray.rows - 2) return;
  for (int y = y0; y <= y1; ++y) {
    for (int x = x0; x <= x1; ++x) {
      const Eigen::Vector2d d = Eigen::Vector2d(x, y) - start.position_px;
      const Eigen::Array2d inside_px = (start.window_mm - (mm_from_px * d).array().abs()) *
                                       px_from_mm.colwise().norm().transpose().array();
      const double within = (inside_px + 0.5).max(0.0).min(1.0).prod();
      if (within > 0.0) {
        samples_.push_back({d.x(), d.y(), static_cast<double>(gray.at<unsigned char>(y, x)), y - y0,
                            x - x0, within});
      }
    }
  }
  grid_rows_ = y1 - y0 + 1;
  grid_cols_ = x1 - x0 + 1;
}

void SaddleFitter::Evaluate(const Vector& p, std::vector<double>& residuals,
                            Eigen::Matrix<double, Eigen::Dynamic, kParameters>* jacobian) const {
  const double sigma = std::exp(p(kLogSigma));
  const double to_erf = 1.0 / (std::sqrt(2.0) * sigma);
  residuals.resize(samples_.size());
  if (jacobian != nullptr) jacobian->resize(static_cast<int>(samples_.size()), kParameters);
  for (std::size_t i = 0; i < samples_.size(); ++i) {
    const Sample& s = samples_[i];
    const Eigen::Vector2d d(s.x - p(kX), s.y - p(kY));
    const double a = normal_p_.dot(d) * to_erf;
    const double b = normal_q_.dot(d) * to_erf;
    const double ea = std::erf(a);
    const double eb = std::erf(b);
    residuals[i] =
        p(kPlane) + p(kPlane + 1) * s.x + p(kPlane + 2) * s.y + p(kContrast) * ea * eb - s.value;
    if (jacobian == nullptr) continue;
    const double slope = 2.0 / std::sqrt(M_PI);  // d erf(t)/dt = slope exp(-t²)
    const double da = p(kContrast) * slope * std::exp(-a * a) * eb;
    const double db = p(kContrast) * slope * std::exp(-b * b) * ea;
    auto row = jacobian->row(static_cast<int>(i));
    row.segment<2>(kX) = -to_erf * (da * normal_p_ + db * normal_q_).transpose();
    row(kLogSigma) = -(da * a + db * b);
    row(kContrast) = ea * eb;
    row(kPlane) = 1.0;
    row(kPlane + 1) = s.x;
    row(kPlane + 2) = s.y;
  }
}

bool SaddleFitter::Improve(const Matrix& normal, const Vector& gradient, double cost) {
  std::vector<double> residuals;
  for (int attempt = 0; attempt < 6; ++attempt) {
    Matrix damped = normal;
    damped.diagonal() += damping_ * normal.diagonal() + Vector::Constant(1e-9);
    Vector trial = parameters_ - damped.ldlt().solve(gradient);
    trial(kLogSigma) = std::clamp(trial(kLogSigma), std::log(kMinBlurPx), std::log(window_px_));
    if (trial.allFinite()) {
      Evaluate(trial, residuals, nullptr);
      if (Cost(samples_, residuals, scale_) < cost) {
        parameters_ = trial;
        damping_ = std::max(1e-6, damping_ * 0.2);
        return true;
      }
    }
    damping_ *= 8.0;
  }
  return false;
}

std::optional<SaddleFit> SaddleFitter::Run() {
  if (samples_.size() < 40) return std::nullopt;
  double mean = 0.0;
  for (const Sample& s : samples_) mean += s.value / static_cast<double>(samples_.size());
  double signed_contrast = 0.0;
  for (const Sample& s : samples_) {
    const Eigen::Vector2d d(s.x, s.y);
    const double sign = normal_p_.dot(d) * normal_q_.dot(d) > 0.0 ? 1.0 : -1.0;
    signed_contrast += sign * (s.value - mean) / static_cast<double>(samples_.size());
  }
  parameters_(kLogSigma) = std::log(std::max(kMinBlurPx, 0.2 * window_px_));
  parameters_(kContrast) = 1.5 * signed_contrast;
  parameters_(kPlane) = mean;

  std::vector<double> residuals;
  Eigen::Matrix<double, Eigen::Dynamic, kParameters> jacobian;
  Matrix normal = Matrix::Zero();
  for (int iteration = 0; iteration < kMaxIterations; ++iteration) {
    Evaluate(parameters_, residuals, &jacobian);
    scale_ = RobustScale(residuals);
    Eigen::VectorXd weights(static_cast<int>(residuals.size()));
    Eigen::VectorXd r(weights.size());
    for (int i = 0; i < r.size(); ++i) {
      r(i) = residuals[static_cast<std::size_t>(i)];
      weights(i) = samples_[static_cast<std::size_t>(i)].within *
                   std::min(1.0, 2.5 * scale_ / std::max(std::abs(r(i)), 1e-12));
    }
    normal = jacobian.transpose() * (weights.asDiagonal() * jacobian);
    const Vector gradient = jacobian.transpose() * (weights.asDiagonal() * r);
    const Vector before = parameters_;
    if (!Improve(normal, gradient, Cost(samples_, residuals, scale_))) break;
    const Vector step = parameters_ - before;
    const bool settled =
        step.head<2>().norm() < kConvergedPx && std::abs(step(kLogSigma)) < kConvergedLogSigma;
    if (settled) break;
  }
  Evaluate(parameters_, residuals, nullptr);
  if (parameters_.head<2>().norm() > kFarthestWindows * window_px_) return std::nullopt;
  return Summary(residuals, normal);
}

SaddleFit SaddleFitter::Summary(const std::vector<double>& residuals, const Matrix& normal) const {
  SaddleFit fit;
  fit.position_px = start_.position_px + parameters_.head<2>();
  fit.blur_px = std::exp(parameters_(kLogSigma));
  fit.contrast = 2.0 * std::abs(parameters_(kContrast));
  cv::Mat grid(grid_rows_, grid_cols_, CV_32F, cv::Scalar(0));
  double mean = 0.0;
  for (const Sample& s : samples_) mean += s.value / static_cast<double>(samples_.size());
  double total = 0.0;
  double left = 0.0;
  for (std::size_t i = 0; i < samples_.size(); ++i) {
    grid.at<float>(samples_[i].row, samples_[i].col) = static_cast<float>(residuals[i]);
    total += (samples_[i].value - mean) * (samples_[i].value - mean);
    left += residuals[i] * residuals[i];
  }
  fit.explained = total > 0.0 ? 1.0 - left / total : 0.0;
  const Matrix covariance = normal.ldlt().solve(Matrix::Identity());
  const double variance = 0.5 * (covariance(kX, kX) + covariance(kY, kY));
  fit.sigma_px = std::hypot(0.02, scale_ * std::sqrt(variance * NeighbourInflation(grid)));
  return fit;
}

}  // namespace

std::optional<SaddleFit> FitSaddle(const cv::Mat& gray, const SaddleStart& start) {
  CV_Assert(gray.type() == CV_8UC1);
  if (!start.position_px.allFinite() || !start.right_px.allFinite() || !start.down_px.allFinite() ||
      !(start.window_mm > 0.0)) {
    return std::nullopt;
  }
  // What the model doesn't tell, such as ink that ran, pulls the point toward the middle of the
  // window, unless it is there.
  SaddleStart window = start;
  std::optional<SaddleFit> fit;
  for (int round = 0; round < kMaxWindows; ++round) {
    fit = SaddleFitter(gray, window).Run();
    if (!fit || !std::isfinite(fit->sigma_px)) return std::nullopt;
    if ((fit->position_px - window.position_px).norm() < kCenteredPx) break;
    window.position_px = fit->position_px;
  }
  const double walked_px = (fit->position_px - start.position_px).norm();
  return walked_px > kFarthestWindows * start.WindowPx() ? std::nullopt : fit;
}

}  // namespace tinesight

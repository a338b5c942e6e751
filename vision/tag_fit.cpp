#include "vision/tag_fit.hpp"

#include <Eigen/Dense>
#include <Eigen/Geometry>
#include <algorithm>
#include <cmath>
#include <numeric>

#include "vision/residual_noise.hpp"
#include "vision/tag_template.hpp"

namespace tinesight {
namespace {

constexpr int kCornerParameters = 8;
constexpr int kLogSigma = 8;  // index of each further parameter
constexpr int kGrowth = 9;
constexpr int kTone = 10;
constexpr int kBlack = 11;     // plane: constant, x, y
constexpr int kContrast = 14;  // plane: constant, x, y
constexpr int kParameters = 17;
using Vector = Eigen::Matrix<double, kParameters, 1>;
using Matrix = Eigen::Matrix<double, kParameters, kParameters>;

constexpr double kMarginCells = 0.75;       // of white around the square that is fitted
constexpr double kGrowthPriorCells = 0.15;  // about 0.2 mm on the default strip
constexpr double kTonePrior = 0.6;          // a gamma of 2.2 is about 0.6
constexpr double kMinBlurPx = 0.35;
constexpr int kTargetSamples = 5000;
constexpr int kMaxIterations = 25;
constexpr double kConvergedPx = 0.004;

double Sum(const TagCorners& c, double (*term)(const Eigen::Vector2d&, const Eigen::Vector2d&)) {
  double sum = 0.0;
  for (std::size_t k = 0; k < 4; ++k) sum += term(c[k], c[(k + 1) % 4]);
  return sum;
}

double AreaPx2(const TagCorners& c) {
  return 0.5 * Sum(c, [](const Eigen::Vector2d& a, const Eigen::Vector2d& b) {
           return a.x() * b.y() - a.y() * b.x();
         });
}

/// Homography from cells to px through the four corners (solved exactly).
std::optional<Eigen::Matrix3d> PxFromCells(const TagCorners& corners_px) {
  static const double square[4][2] = {
      {0, 0}, {kTagCells, 0}, {kTagCells, kTagCells}, {0, kTagCells}};
  Eigen::Matrix<double, 8, 8> a = Eigen::Matrix<double, 8, 8>::Zero();
  Eigen::Matrix<double, 8, 1> b;
  for (int k = 0; k < 4; ++k) {
    const double u = square[k][0];
    const double v = square[k][1];
    const Eigen::Vector2d& p = corners_px[static_cast<std::size_t>(k)];
    a.row(2 * k) << u, v, 1, 0, 0, 0, -u * p.x(), -v * p.x();
    a.row(2 * k + 1) << 0, 0, 0, u, v, 1, -u * p.y(), -v * p.y();
    b(2 * k) = p.x();
    b(2 * k + 1) = p.y();
  }
  const Eigen::Matrix<double, 8, 1> h = a.fullPivLu().solve(b);
  if (!h.allFinite()) return std::nullopt;
  Eigen::Matrix3d result;
  result << h(0), h(1), h(2), h(3), h(4), h(5), h(6), h(7), 1.0;
  return result;
}

struct Sample {
  Eigen::Vector2d position_px;
  double value;
  int row;  // place in the grid of samples, for the correlation of neighbours
  int col;
};

float Interpolate(const cv::Mat& layer, double x, double y) {
  const int ix = std::clamp(static_cast<int>(std::floor(x)), 0, layer.cols - 2);
  const int iy = std::clamp(static_cast<int>(std::floor(y)), 0, layer.rows - 2);
  const float fx = static_cast<float>(x - ix);
  const float fy = static_cast<float>(y - iy);
  const float* top = layer.ptr<float>(iy) + ix;
  const float* bottom = layer.ptr<float>(iy + 1) + ix;
  return (1 - fy) * ((1 - fx) * top[0] + fx * top[1]) +
         fy * ((1 - fx) * bottom[0] + fx * bottom[1]);
}

class TagFitter {
 public:
  TagFitter(const cv::Mat& gray, int id, const TagCorners& start_px,
            const std::vector<TagExclusion>& exclusions)
      : pattern_(id), exclusions_(exclusions) {
    usable_ = CollectSamples(gray, start_px) && StartParameters(start_px);
  }

  std::optional<TagFit> Run();

 private:
  bool CollectSamples(const cv::Mat& gray, const TagCorners& corners_px);
  bool StartParameters(const TagCorners& corners_px);
  bool Excluded(double u, double v) const;
  [[nodiscard]] TagCorners Corners(const Vector& parameters) const;
  /// Residuals (model − picture), and the Jacobian if asked. False where the corners degenerate.
  bool Evaluate(const Vector& parameters, std::vector<double>& residuals,
                Eigen::Matrix<double, Eigen::Dynamic, kParameters>* jacobian) const;
  [[nodiscard]] double Cost(const Vector& parameters, const std::vector<double>& residuals) const;
  [[nodiscard]] Vector PriorWeights() const;
  [[nodiscard]] double Inflation(const std::vector<double>& residuals) const;
  [[nodiscard]] TagFit Summary(const std::vector<double>& residuals, const Matrix& normal) const;

  TagTemplate pattern_;
  const std::vector<TagExclusion>& exclusions_;
  std::vector<Sample> samples_;
  Eigen::Vector2d origin_px_ = Eigen::Vector2d::Zero();  // of the planes of light
  double side_px_ = 1.0;
  double scale_ = 1.0;  // robust standard deviation of a residual, gray values
  Vector parameters_ = Vector::Zero();
  int grid_rows_ = 0;
  int grid_cols_ = 0;
  bool usable_ = false;
};

bool TagFitter::Excluded(double u, double v) const {
  return std::any_of(exclusions_.begin(), exclusions_.end(), [&](const TagExclusion& e) {
    return std::abs(u - e.center_cells.x()) < e.half_size_cells &&
           std::abs(v - e.center_cells.y()) < e.half_size_cells;
  });
}

bool TagFitter::CollectSamples(const cv::Mat& gray, const TagCorners& corners_px) {
  const double area = AreaPx2(corners_px);
  if (area < 16.0 * 16.0) return false;
  side_px_ = std::sqrt(area);
  const auto px_from_cells = PxFromCells(corners_px);
  if (!px_from_cells) return false;
  const Eigen::Matrix3d cells_from_px = px_from_cells->inverse();
  Eigen::Vector2d low = corners_px[0];
  Eigen::Vector2d high = corners_px[0];
  for (const Eigen::Vector2d& corner : corners_px) {
    low = low.cwiseMin(corner);
    high = high.cwiseMax(corner);
    origin_px_ += 0.25 * corner;
  }
  // The square itself must be in the picture; of its margin, what is there is used.
  if (low.minCoeff() < 1.0 || high.x() > gray.cols - 2.0 || high.y() > gray.rows - 2.0) {
    return false;
  }
  const double margin_px = kMarginCells * side_px_ / kTagCells * 1.5 + 1.0;
  const int stride = std::max(1, static_cast<int>(std::sqrt(area * 1.4 / kTargetSamples)));
  const int x0 = std::max(0, static_cast<int>(low.x() - margin_px));
  const int x1 = std::min(gray.cols - 1, static_cast<int>(high.x() + margin_px));
  const int y0 = std::max(0, static_cast<int>(low.y() - margin_px));
  const int y1 = std::min(gray.rows - 1, static_cast<int>(high.y() + margin_px));
  for (int y = y0; y <= y1; y += stride) {
    for (int x = x0; x <= x1; x += stride) {
      const Eigen::Vector2d uv = (cells_from_px * Eigen::Vector3d(x, y, 1.0)).hnormalized();
      if (uv.minCoeff() < -kMarginCells || uv.maxCoeff() > kTagCells + kMarginCells) continue;
      if (Excluded(uv.x(), uv.y())) continue;
      samples_.push_back({Eigen::Vector2d(x, y), static_cast<double>(gray.at<unsigned char>(y, x)),
                          (y - y0) / stride, (x - x0) / stride});
    }
  }
  grid_rows_ = (y1 - y0) / stride + 1;
  grid_cols_ = (x1 - x0) / stride + 1;
  return samples_.size() > 150;
}

bool TagFitter::StartParameters(const TagCorners& corners_px) {
  std::vector<double> values;
  for (const Sample& sample : samples_) values.push_back(sample.value);
  std::sort(values.begin(), values.end());
  const double black = values[values.size() / 20];
  const double white = values[values.size() - 1 - values.size() / 20];
  if (white - black < 8.0) return false;
  for (int k = 0; k < 4; ++k) {
    parameters_.segment<2>(2 * k) = corners_px[static_cast<std::size_t>(k)];
  }
  // Starting wide draws the pattern in from further away; the true blur is found on the way.
  parameters_(kLogSigma) = std::log(0.25 * side_px_ / kTagCells);
  parameters_(kBlack) = black;
  parameters_(kContrast) = white - black;
  scale_ = 0.1 * (white - black);
  return true;
}

TagCorners TagFitter::Corners(const Vector& parameters) const {
  TagCorners corners;
  for (int k = 0; k < 4; ++k) {
    corners[static_cast<std::size_t>(k)] = parameters.segment<2>(2 * k);
  }
  return corners;
}

bool TagFitter::Evaluate(const Vector& parameters, std::vector<double>& residuals,
                         Eigen::Matrix<double, Eigen::Dynamic, kParameters>* jacobian) const {
  const TagCorners corners = Corners(parameters);
  const auto px_from_cells = PxFromCells(corners);
  if (!px_from_cells || AreaPx2(corners) < 100.0) return false;
  const Eigen::Matrix3d cells_from_px = px_from_cells->inverse();
  const double sigma_px = std::exp(parameters(kLogSigma));
  const double width_px =
      0.5 * ((corners[1] - corners[0]).norm() + (corners[2] - corners[3]).norm());
  const double height_px =
      0.5 * ((corners[3] - corners[0]).norm() + (corners[2] - corners[1]).norm());
  // A slanting tag is narrower than its sides are long: blur across the other axis counts.
  const double sine = AreaPx2(corners) / (width_px * height_px);
  const double sigma_u = sigma_px * kTagCells / (width_px * sine);
  const double sigma_v = sigma_px * kTagCells / (height_px * sine);
  TagTemplate::Layers layers;
  if (jacobian != nullptr) {
    layers = pattern_.Render(sigma_u, sigma_v, parameters(kGrowth));
  } else {
    layers.white = pattern_.RenderWhite(sigma_u, sigma_v, parameters(kGrowth));
  }

  residuals.resize(samples_.size());
  if (jacobian != nullptr) jacobian->resize(static_cast<int>(samples_.size()), kParameters);
  const double c = parameters(kTone);
  for (std::size_t i = 0; i < samples_.size(); ++i) {
    const Sample& sample = samples_[i];
    const Eigen::Vector3d h =
        cells_from_px * Eigen::Vector3d(sample.position_px.x(), sample.position_px.y(), 1.0);
    const double u = h.x() / h.z();
    const double v = h.y() / h.z();
    const double lx = (u + kTemplateMarginCells) * kTemplateSamplesPerCell - 0.5;
    const double ly = (v + kTemplateMarginCells) * kTemplateSamplesPerCell - 0.5;
    const double t = Interpolate(layers.white, lx, ly);
    const double px = (sample.position_px.x() - origin_px_.x()) / side_px_;
    const double py = (sample.position_px.y() - origin_px_.y()) / side_px_;
    const double black =
        parameters(kBlack) + parameters(kBlack + 1) * px + parameters(kBlack + 2) * py;
    const double contrast =
        parameters(kContrast) + parameters(kContrast + 1) * px + parameters(kContrast + 2) * py;
    const double toned = t + c * t * (1.0 - t);
    residuals[i] = black + contrast * toned - sample.value;
    if (jacobian == nullptr) continue;

    auto row = jacobian->row(static_cast<int>(i));
    const double slope = contrast * (1.0 + c * (1.0 - 2.0 * t));
    // d(u, v)/d(x, y) of the inverse homography; the corners carry the pattern with them.
    const double iu = slope * Interpolate(layers.du, lx, ly);
    const double iv = slope * Interpolate(layers.dv, lx, ly);
    const Eigen::RowVector2d du_dx =
        (cells_from_px.block<1, 2>(0, 0) - u * cells_from_px.block<1, 2>(2, 0)) / h.z();
    const Eigen::RowVector2d dv_dx =
        (cells_from_px.block<1, 2>(1, 0) - v * cells_from_px.block<1, 2>(2, 0)) / h.z();
    const Eigen::RowVector2d gradient = iu * du_dx + iv * dv_dx;
    const double s = u / kTagCells;
    const double r = v / kTagCells;
    row.segment<2>(0) = -gradient * ((1 - s) * (1 - r));
    row.segment<2>(2) = -gradient * (s * (1 - r));
    row.segment<2>(4) = -gradient * (s * r);
    row.segment<2>(6) = -gradient * ((1 - s) * r);
    row(kLogSigma) = slope * Interpolate(layers.dlogsigma, lx, ly);
    row(kGrowth) = slope * Interpolate(layers.dgrowth, lx, ly);
    row(kTone) = contrast * t * (1.0 - t);
    row(kBlack) = 1.0;
    row(kBlack + 1) = px;
    row(kBlack + 2) = py;
    row(kContrast) = toned;
    row(kContrast + 1) = toned * px;
    row(kContrast + 2) = toned * py;
  }
  return true;
}

/// Weight of the prior of each parameter about zero, in units of one residual's variance.
Vector TagFitter::PriorWeights() const {
  Vector weights = Vector::Zero();
  const double variance = scale_ * scale_;
  weights(kGrowth) = variance / (kGrowthPriorCells * kGrowthPriorCells);
  weights(kTone) = variance / (kTonePrior * kTonePrior);
  return weights;
}

double TagFitter::Cost(const Vector& parameters, const std::vector<double>& residuals) const {
  const double k = 2.0 * scale_;
  double cost = 0.0;
  for (const double residual : residuals) {
    const double size = std::abs(residual);
    cost += size <= k ? size * size : 2.0 * k * size - k * k;
  }
  return cost + PriorWeights().cwiseProduct(parameters).dot(parameters);
}

std::optional<TagFit> TagFitter::Run() {
  if (!usable_) return std::nullopt;
  std::vector<double> residuals;
  std::vector<double> trial_residuals;
  Eigen::Matrix<double, Eigen::Dynamic, kParameters> jacobian;
  Matrix normal = Matrix::Zero();
  double damping = 1e-3;
  const double min_log_sigma = std::log(kMinBlurPx);
  const double max_log_sigma = std::log(0.8 * side_px_ / kTagCells);
  if (!Evaluate(parameters_, residuals, &jacobian)) return std::nullopt;
  for (int iteration = 0; iteration < kMaxIterations; ++iteration) {
    scale_ = RobustScale(residuals);
    const double cost = Cost(parameters_, residuals);
    Eigen::VectorXd weights(static_cast<int>(residuals.size()));
    Eigen::VectorXd r(static_cast<int>(residuals.size()));
    for (int i = 0; i < r.size(); ++i) {
      r(i) = residuals[static_cast<std::size_t>(i)];
      weights(i) = std::min(1.0, 2.0 * scale_ / std::max(std::abs(r(i)), 1e-12));
    }
    normal = jacobian.transpose() * (weights.asDiagonal() * jacobian);
    Vector gradient = jacobian.transpose() * (weights.asDiagonal() * r);
    normal.diagonal() += PriorWeights();
    gradient += PriorWeights().cwiseProduct(parameters_);

    bool accepted = false;
    double moved_px = 0.0;
    for (int attempt = 0; attempt < 6 && !accepted; ++attempt) {
      Matrix damped = normal;
      damped.diagonal() += damping * normal.diagonal() + Vector::Constant(1e-9);
      Vector trial = parameters_ - damped.ldlt().solve(gradient);
      trial(kLogSigma) = std::clamp(trial(kLogSigma), min_log_sigma, max_log_sigma);
      trial(kGrowth) = std::clamp(trial(kGrowth), -0.3, 0.3);
      trial(kTone) = std::clamp(trial(kTone), -0.9, 0.9);
      if (trial.allFinite() && Evaluate(trial, trial_residuals, nullptr) &&
          Cost(trial, trial_residuals) < cost) {
        moved_px = (trial - parameters_).head<kCornerParameters>().lpNorm<Eigen::Infinity>();
        parameters_ = trial;
        damping = std::max(1e-6, damping * 0.2);
        accepted = true;
      } else {
        damping *= 8.0;
      }
    }
    if (!accepted) break;
    if (!Evaluate(parameters_, residuals, &jacobian)) return std::nullopt;
    if (moved_px < kConvergedPx) break;
  }
  return Summary(residuals, normal);
}

double TagFitter::Inflation(const std::vector<double>& residuals) const {
  cv::Mat grid(grid_rows_, grid_cols_, CV_32F, cv::Scalar(0));
  const double cap = 4.0 * scale_;
  for (std::size_t i = 0; i < samples_.size(); ++i) {
    grid.at<float>(samples_[i].row, samples_[i].col) =
        static_cast<float>(std::clamp(residuals[i], -cap, cap));
  }
  return NeighbourInflation(grid);
}

TagFit TagFitter::Summary(const std::vector<double>& residuals, const Matrix& normal) const {
  TagFit fit;
  fit.corners_px = Corners(parameters_);
  fit.blur_px = std::exp(parameters_(kLogSigma));
  fit.growth_cells = parameters_(kGrowth);
  const double mean = std::accumulate(samples_.begin(), samples_.end(), 0.0,
                                      [](double sum, const Sample& s) { return sum + s.value; }) /
                      static_cast<double>(samples_.size());
  double total = 0.0;
  double left = 0.0;
  for (std::size_t i = 0; i < samples_.size(); ++i) {
    total += (samples_[i].value - mean) * (samples_[i].value - mean);
    left += residuals[i] * residuals[i];
  }
  fit.explained = total > 0.0 ? 1.0 - left / total : 0.0;
  const Matrix covariance = normal.ldlt().solve(Matrix::Identity());
  const double corner_variance = covariance.diagonal().head<kCornerParameters>().mean();
  // The floor covers what no residual shows: bent paper and lens distortion inside one tag.
  fit.sigma_px = std::hypot(0.02, scale_ * std::sqrt(corner_variance * Inflation(residuals)));
  return fit;
}

}  // namespace

std::optional<TagFit> FitTag(const cv::Mat& gray, int id, const TagCorners& start_px,
                             const std::vector<TagExclusion>& exclusions) {
  CV_Assert(gray.type() == CV_8UC1);
  if (!TagTemplate::HasTag(id)) return std::nullopt;
  for (const Eigen::Vector2d& corner : start_px) {
    if (!corner.allFinite()) return std::nullopt;
  }
  std::optional<TagFit> fit = TagFitter(gray, id, start_px, exclusions).Run();
  if (!fit || !std::isfinite(fit->sigma_px)) return std::nullopt;
  return fit;
}

}  // namespace tinesight

#include "vision/tag_fit.hpp"

#include <Eigen/Dense>
#include <Eigen/Geometry>
#include <algorithm>
#include <array>
#include <cmath>
#include <numeric>
#include <opencv2/core.hpp>

#include "vision/residual_noise.hpp"
#include "vision/tag_template.hpp"

namespace tinesight {
namespace {

constexpr int kCornerParameters = 8;
constexpr int kLogSigma = 8;  // index of each further parameter
constexpr int kGrowth = 9;
constexpr int kTone = 10;      // quadratic and cubic
constexpr int kBlack = 12;     // plane: constant, x, y
constexpr int kContrast = 15;  // plane: constant, x, y
constexpr int kParameters = 18;
using Vector = Eigen::Matrix<double, kParameters, 1>;
using Matrix = Eigen::Matrix<double, kParameters, kParameters>;
using Row = Eigen::Matrix<double, 1, kParameters>;
using Jacobian = Eigen::Matrix<double, Eigen::Dynamic, kParameters>;

constexpr double kMarginCells = 0.75;       // of white around the square that is fitted
constexpr double kGrowthPriorCells = 0.15;  // about 0.2 mm on the default strip
constexpr double kTonePrior = 0.6;          // a gamma of 2.2 is about 0.6
constexpr double kTone3Prior = 0.3;
// Even, so that the template's margin of 1.5 cells is whole samples.
constexpr int kCoarseSamplesPerCell = 10;
constexpr int kFineSamplesPerCell = 32;
constexpr double kMinBlurPx = 0.35;
constexpr int kTargetSamples = 5000;
constexpr int kMaxIterations = 25;
constexpr int kScaleIterations = 6;
constexpr double kConvergedPx = 0.004;

struct Sample {
  Eigen::Vector2d position_px;
  double value;
  int row;  // place in the grid of samples, for the correlation of neighbours
  int col;
};

/// Layers of the blurred drawing, one beside the other for each sample of it.
enum Channel { kWhite, kDu, kDv, kDuu, kDvv, kDuv, kDgrowth, kChannels };
using Channels = std::array<float, kChannels>;

struct BlurredPattern {
  cv::Mat samples;  ///< CV_32FC7
  double sigma_px = 0.0;
  double sigma_u = 0.0;  // cells
  double sigma_v = 0.0;
};

BlurredPattern Blur(const TagTemplate& pattern, double sigma_px, double sigma_u, double sigma_v,
                    double growth_cells, bool with_growth) {
  TagTemplate::Layers layers = pattern.Render(sigma_u, sigma_v, growth_cells, with_growth);
  if (!with_growth) layers.dgrowth = layers.white;  // not looked at
  const std::array<cv::Mat, kChannels> channels = {
      layers.white, layers.du, layers.dv, layers.duu, layers.dvv, layers.duv, layers.dgrowth};
  BlurredPattern blurred{{}, sigma_px, sigma_u, sigma_v};
  cv::merge(channels.data(), channels.size(), blurred.samples);
  return blurred;
}

Channels Interpolate(const cv::Mat& samples, double x, double y) {
  const int ix = std::clamp(static_cast<int>(std::floor(x)), 0, samples.cols - 2);
  const int iy = std::clamp(static_cast<int>(std::floor(y)), 0, samples.rows - 2);
  const float fx = static_cast<float>(x - ix);
  const float fy = static_cast<float>(y - iy);
  const float* top = samples.ptr<float>(iy) + ix * kChannels;
  const float* bottom = samples.ptr<float>(iy + 1) + ix * kChannels;
  const float w00 = (1 - fx) * (1 - fy);
  const float w10 = fx * (1 - fy);
  const float w01 = (1 - fx) * fy;
  const float w11 = fx * fy;
  Channels result;
  for (int c = 0; c < kChannels; ++c) {
    result[static_cast<std::size_t>(c)] =
        w00 * top[c] + w10 * top[kChannels + c] + w01 * bottom[c] + w11 * bottom[kChannels + c];
  }
  return result;
}

class TagFitter {
 public:
  TagFitter(const cv::Mat& gray, int id, const TagCorners& start_px,
            const std::vector<TagExclusion>& exclusions)
      : id_(id), pattern_(id, kCoarseSamplesPerCell), exclusions_(exclusions) {
    usable_ = CollectSamples(gray, start_px) && StartParameters(start_px);
  }

  std::optional<TagFit> Run();

 private:
  bool CollectSamples(const cv::Mat& gray, const TagCorners& corners_px);
  bool StartParameters(const TagCorners& corners_px);
  bool Excluded(double u, double v) const;
  [[nodiscard]] TagCorners Corners(const Vector& parameters) const;
  /// Residuals (model − picture), and the Jacobian if asked. False where the corners degenerate.
  bool Evaluate(const Vector& parameters, std::vector<double>& residuals, Jacobian* jacobian) const;
  double EvaluateSample(const Sample& sample, const Vector& parameters, const TagPlace& place,
                        const BlurredPattern& blurred, Row* row) const;
  [[nodiscard]] double Cost(const Vector& parameters, const std::vector<double>& residuals) const;
  [[nodiscard]] Vector PriorWeights() const;
  [[nodiscard]] Vector Bounded(Vector parameters) const;
  bool Improve(const std::vector<double>& residuals, const Jacobian& jacobian);
  bool Settle(double converged_px);
  [[nodiscard]] double Inflation() const;
  [[nodiscard]] TagFit Summary() const;

  int id_;
  TagTemplate pattern_;
  const std::vector<TagExclusion>& exclusions_;
  std::vector<Sample> samples_;
  Eigen::Vector2d origin_px_ = Eigen::Vector2d::Zero();  // of the planes of light
  double side_px_ = 1.0;
  double scale_ = 1.0;  // robust standard deviation of a residual, gray values
  double damping_ = 1e-3;
  Vector parameters_ = Vector::Zero();
  Matrix normal_ = Matrix::Zero();
  std::vector<double> residuals_;
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
  const auto place = PlaceThrough(corners_px);
  if (!place) return false;
  const Eigen::Matrix3d cells_from_px = place->cells_from_px;
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
                         Jacobian* jacobian) const {
  const TagCorners corners = Corners(parameters);
  const auto place = PlaceThrough(corners);
  const double area = AreaPx2(corners);
  if (!place || area < 100.0) return false;
  const double sigma_px = std::exp(parameters(kLogSigma));
  const double width_px =
      0.5 * ((corners[1] - corners[0]).norm() + (corners[2] - corners[3]).norm());
  const double height_px =
      0.5 * ((corners[3] - corners[0]).norm() + (corners[2] - corners[1]).norm());
  // Across a slanting tag, blur reaches over more of its cells: area / height is its true width.
  const BlurredPattern blurred =
      Blur(pattern_, sigma_px, sigma_px * kTagCells * height_px / area,
           sigma_px * kTagCells * width_px / area, parameters(kGrowth), jacobian != nullptr);
  residuals.resize(samples_.size());
  if (jacobian != nullptr) jacobian->resize(static_cast<int>(samples_.size()), kParameters);
  Row row;
  for (std::size_t i = 0; i < samples_.size(); ++i) {
    residuals[i] = EvaluateSample(samples_[i], parameters, *place, blurred,
                                  jacobian != nullptr ? &row : nullptr);
    if (jacobian != nullptr) jacobian->row(static_cast<int>(i)) = row;
  }
  return true;
}

double TagFitter::EvaluateSample(const Sample& sample, const Vector& p, const TagPlace& place,
                                 const BlurredPattern& blurred, Row* row) const {
  const double x = sample.position_px.x();
  const double y = sample.position_px.y();
  const Eigen::Matrix3d& h = place.cells_from_px;
  const Eigen::Vector3d cells = h * Eigen::Vector3d(x, y, 1.0);
  const double u = cells.x() / cells.z();
  const double v = cells.y() / cells.z();
  const Eigen::RowVector2d u_by_px = (h.block<1, 2>(0, 0) - u * h.block<1, 2>(2, 0)) / cells.z();
  const Eigen::RowVector2d v_by_px = (h.block<1, 2>(1, 0) - v * h.block<1, 2>(2, 0)) / cells.z();
  const double n = pattern_.SamplesPerCell();
  const double lx = (u + kTemplateMarginCells) * n - 0.5;
  const double ly = (v + kTemplateMarginCells) * n - 0.5;
  // The drawing was blurred evenly along u and v. What the photo's round blur is at this place, in
  // perspective and across a slanting tag, differs a little: the heat equation adds the difference.
  const Channels at = Interpolate(blurred.samples, lx, ly);
  const double duu = at[kDuu];
  const double dvv = at[kDvv];
  const double duv = at[kDuv];
  const double variance = blurred.sigma_px * blurred.sigma_px;
  const double cov_uu = variance * u_by_px.squaredNorm();
  const double cov_vv = variance * v_by_px.squaredNorm();
  const double cov_uv = variance * u_by_px.dot(v_by_px);
  const double by_log_sigma = cov_uu * duu + cov_vv * dvv + 2.0 * cov_uv * duv;
  const double t = at[kWhite] + cov_uv * duv +
                   0.5 * (cov_uu - blurred.sigma_u * blurred.sigma_u) * duu +
                   0.5 * (cov_vv - blurred.sigma_v * blurred.sigma_v) * dvv;
  const double px = (x - origin_px_.x()) / side_px_;
  const double py = (y - origin_px_.y()) / side_px_;
  const double black = p(kBlack) + p(kBlack + 1) * px + p(kBlack + 2) * py;
  const double contrast = p(kContrast) + p(kContrast + 1) * px + p(kContrast + 2) * py;
  const double bend = t * (1.0 - t);
  const double toned = t + bend * (p(kTone) + p(kTone + 1) * (1.0 - 2.0 * t));
  const double residual = black + contrast * toned - sample.value;
  if (row == nullptr) return residual;

  const double slope =
      contrast * (1.0 + p(kTone) * (1.0 - 2.0 * t) + p(kTone + 1) * (1.0 - 6.0 * bend));
  const Eigen::RowVector2d gradient = slope * (at[kDu] * u_by_px + at[kDv] * v_by_px);
  // The corners carry the pattern with them: d(picture)/d(entry of the homography), then corners.
  const double w = place.px_from_cells(2, 0) * u + place.px_from_cells(2, 1) * v + 1.0;
  const double gx = -gradient.x() / w;
  const double gy = -gradient.y() / w;
  const double gw = -(gx * x + gy * y);
  Eigen::Matrix<double, 1, 8> by_entries;
  by_entries << gx * u, gx * v, gx, gy * u, gy * v, gy, gw * u, gw * v;
  row->head<kCornerParameters>() = by_entries * place.entries_by_corners;
  (*row)(kLogSigma) = slope * by_log_sigma;
  (*row)(kGrowth) = slope * at[kDgrowth];
  (*row)(kTone) = contrast * bend;
  (*row)(kTone + 1) = contrast * bend * (1.0 - 2.0 * t);
  row->segment<3>(kBlack) << 1.0, px, py;
  row->segment<3>(kContrast) << toned, toned * px, toned * py;
  return residual;
}

/// Weight of the prior of each parameter about zero, in units of one residual's variance.
Vector TagFitter::PriorWeights() const {
  Vector weights = Vector::Zero();
  const double variance = scale_ * scale_;
  weights(kGrowth) = variance / (kGrowthPriorCells * kGrowthPriorCells);
  weights(kTone) = variance / (kTonePrior * kTonePrior);
  weights(kTone + 1) = variance / (kTone3Prior * kTone3Prior);
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

/// One Levenberg–Marquardt step from `parameters_`: true if the cost fell.
bool TagFitter::Improve(const std::vector<double>& residuals, const Jacobian& jacobian) {
  const double cost = Cost(parameters_, residuals);
  const int count = static_cast<int>(residuals.size());
  Eigen::VectorXd weights(count);
  const Eigen::Map<const Eigen::VectorXd> r(residuals.data(), count);
  for (int i = 0; i < count; ++i) {
    weights(i) = std::min(1.0, 2.0 * scale_ / std::max(std::abs(r(i)), 1e-12));
  }
  normal_ = jacobian.transpose() * (weights.asDiagonal() * jacobian);
  Vector gradient = jacobian.transpose() * weights.cwiseProduct(r);
  normal_.diagonal() += PriorWeights();
  gradient += PriorWeights().cwiseProduct(parameters_);
  std::vector<double> trial_residuals;
  for (int attempt = 0; attempt < 6; ++attempt) {
    Matrix damped = normal_;
    damped.diagonal() += damping_ * normal_.diagonal() + Vector::Constant(1e-9);
    const Vector trial = Bounded(parameters_ - damped.ldlt().solve(gradient));
    if (trial.allFinite() && Evaluate(trial, trial_residuals, nullptr) &&
        Cost(trial, trial_residuals) < cost) {
      parameters_ = trial;
      damping_ = std::max(1e-6, damping_ * 0.2);
      return true;
    }
    damping_ *= 8.0;
  }
  return false;
}

Vector TagFitter::Bounded(Vector p) const {
  p(kLogSigma) =
      std::clamp(p(kLogSigma), std::log(kMinBlurPx), std::log(0.8 * side_px_ / kTagCells));
  p(kGrowth) = std::clamp(p(kGrowth), -0.3, 0.3);
  p(kTone) = std::clamp(p(kTone), -0.9, 0.9);
  p(kTone + 1) = std::clamp(p(kTone + 1), -0.5, 0.5);
  return p;
}

bool TagFitter::Settle(double converged_px) {
  Jacobian jacobian;
  damping_ = 1e-3;
  for (int iteration = 0; iteration < kMaxIterations; ++iteration) {
    if (!Evaluate(parameters_, residuals_, &jacobian)) return false;
    // A scale that moved with every step would keep the cost, and the steps, from settling.
    if (iteration < kScaleIterations) scale_ = RobustScale(residuals_);
    const Vector before = parameters_;
    if (!Improve(residuals_, jacobian)) return true;
    const Vector moved = (parameters_ - before).cwiseAbs();
    if (moved.head<kCornerParameters>().maxCoeff() < converged_px) break;
  }
  return Evaluate(parameters_, residuals_, nullptr);
}

std::optional<TagFit> TagFitter::Run() {
  if (!usable_ || !Settle(0.02)) return std::nullopt;
  // A sharp tag needs a finer drawing: its blur must reach over a sample or more.
  const double sigma_cells = std::exp(parameters_(kLogSigma)) * kTagCells / side_px_;
  const double wanted = 1.2 / sigma_cells;
  if (wanted > kCoarseSamplesPerCell) {
    const int even =
        2 * static_cast<int>(std::ceil(0.5 * std::min<double>(wanted, kFineSamplesPerCell)));
    pattern_ = TagTemplate(id_, even);
  }
  if (!Settle(kConvergedPx)) return std::nullopt;
  return Summary();
}

double TagFitter::Inflation() const {
  cv::Mat grid(grid_rows_, grid_cols_, CV_32F, cv::Scalar(0));
  const double cap = 4.0 * scale_;
  for (std::size_t i = 0; i < samples_.size(); ++i) {
    grid.at<float>(samples_[i].row, samples_[i].col) =
        static_cast<float>(std::clamp(residuals_[i], -cap, cap));
  }
  return NeighbourInflation(grid);
}

TagFit TagFitter::Summary() const {
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
    left += residuals_[i] * residuals_[i];
  }
  fit.explained = total > 0.0 ? 1.0 - left / total : 0.0;
  const Matrix covariance = normal_.ldlt().solve(Matrix::Identity());
  const double corner_variance = covariance.diagonal().head<kCornerParameters>().mean();
  // The floor covers what no residual shows: bent paper and lens distortion inside one tag.
  fit.sigma_px = std::hypot(0.02, scale_ * std::sqrt(corner_variance * Inflation()));
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

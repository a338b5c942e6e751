#include "vision/rod_occlusion.hpp"

#include <cmath>
#include <numbers>
#include <numeric>
#include <opencv2/core.hpp>

#include "calibration/median.hpp"
#include "vision/straightened.hpp"

namespace tinesight {
namespace {

constexpr double kBlurMm = 0.12;        // standard deviation of an outline's blur
constexpr double kColumnMm = 0.05;      // between the columns that are looked at
constexpr double kBesideMm = 0.25;      // how far beyond the outlines they reach
constexpr double kGroundFromMm = 0.12;  // beyond the outlines: the ground beside the rod
constexpr double kGroundToMm = 0.3;
constexpr int kGroundColumns = 4;       // on each side
constexpr double kForgivenDrift = 0.7;  // of a slow change along the rod: its highlight wanders
constexpr double kNoise = 20.0;         // gray levels squared; smaller variances tell nothing
constexpr double kOddRow = 1.6;         // usual residuals; such a row counts half: a spring
constexpr double kReachMm = 0.3;        // at either end, of the lines that are looked at
constexpr double kStepMm = 0.05;        // between them
constexpr double kUsualErrorMm = 0.1;   // standard deviation of the start's errors at either end
constexpr double kPxPerLook = 6.0;      // of the rod's length: what it shows further on is new

struct Column {
  double offset_mm;
  float through;  // share of the ground that an outline's blur lets through
};

/// What is to be seen of a rod if it lies along one line or another.
class Occlusion {
 public:
  Occlusion(const RodStretches& rows, const AcrossScale& scale, const ShownRod& rod)
      : rows_(rows), scale_(scale), rod_(rod), weights_(rows.along_mm.size(), 1.0) {
    const double radius = 0.5 * rod.diameter_mm;
    const int each_side = static_cast<int>(std::ceil((radius + kBesideMm) / kColumnMm));
    for (int i = -each_side; i <= each_side; ++i) {
      const double offset = (radius + kBesideMm) * i / each_side;
      const double inside = (radius - std::abs(offset)) / kBlurMm;
      columns_.push_back(
          {offset, static_cast<float>(0.5 * std::erfc(inside / std::numbers::sqrt2))});
    }
    for (const double along : rows.along_mm) {
      places_.push_back(2.0 * (along - First()) / (Last() - First()) - 1.0);
    }
  }

  /// From now on rows count little that don't show what the others do.
  void WeighRows(const RodLine& line) {
    constexpr int kTimes = 2;
    for (int time = 0; time < kTimes; ++time) {
      const std::vector<cv::Vec3f> residuals = Residuals(line);
      std::vector<double> norms;
      for (std::size_t k = 0; k < places_.size(); ++k) {
        double squares = 0.0;
        for (std::size_t c = 0; c < columns_.size(); ++c) {
          squares += SquaredAt(residuals, k, c);
        }
        norms.push_back(std::sqrt(squares));
      }
      const double odd = kOddRow * MedianOf(norms) + 1e-6;
      for (std::size_t k = 0; k < places_.size(); ++k) {
        weights_[k] = 1.0 / (1.0 + std::pow(norms[k] / odd, 4.0));
      }
    }
  }

  /// How steady the rod is along a line: minus the mean logarithm of its columns' variances.
  [[nodiscard]] double Steadiness(const RodLine& line) const {
    const std::vector<cv::Vec3f> residuals = Residuals(line);
    const double counted = 3.0 * std::accumulate(weights_.begin(), weights_.end(), 0.0);
    double sum = 0.0;
    for (std::size_t c = 0; c < columns_.size(); ++c) {
      double squares = 0.0;
      for (std::size_t k = 0; k < places_.size(); ++k) {
        squares += weights_[k] * SquaredAt(residuals, k, c);
      }
      sum += std::log(squares / counted + kNoise);
    }
    return -sum / static_cast<double>(columns_.size());
  }

 private:
  [[nodiscard]] double First() const { return rows_.along_mm.front(); }
  [[nodiscard]] double Last() const { return rows_.along_mm.back(); }

  [[nodiscard]] double SquaredAt(const std::vector<cv::Vec3f>& values, std::size_t row,
                                 std::size_t column) const {
    const cv::Vec3f& v = values[row * columns_.size() + column];
    return static_cast<double>(v.dot(v));
  }

  [[nodiscard]] cv::Vec3f Read(std::size_t row, double across_mm) const {
    return BetweenColumns(rows_.bgr.ptr<cv::Vec3f>(static_cast<int>(row)), rows_.bgr.cols,
                          scale_.Column(across_mm));
  }

  /// The ground beside the rod; `side` -1: to the left, 1: to the right.
  [[nodiscard]] cv::Vec3f Ground(std::size_t row, double middle_mm, double side) const {
    cv::Vec3f sum(0, 0, 0);
    for (int i = 0; i < kGroundColumns; ++i) {
      const double beyond =
          kGroundFromMm + (kGroundToMm - kGroundFromMm) * i / (kGroundColumns - 1);
      sum += Read(row, middle_mm + side * (0.5 * rod_.diameter_mm + beyond));
    }
    return sum * (1.0F / kGroundColumns);
  }

  /// What every row shows in every column, less the ground that comes through, less what the column
  /// shows on the whole: rows x columns.
  [[nodiscard]] std::vector<cv::Vec3f> Residuals(const RodLine& line) const {
    std::vector<cv::Vec3f> values;
    values.reserve(places_.size() * columns_.size());
    for (std::size_t k = 0; k < places_.size(); ++k) {
      const double middle = line.At(rows_.along_mm[k], rod_.span_mm);
      const cv::Vec3f left = Ground(k, middle, -1.0);
      const cv::Vec3f right = Ground(k, middle, 1.0);
      for (const Column& column : columns_) {
        values.push_back(Read(k, middle + column.offset_mm) -
                         (column.offset_mm < 0.0 ? left : right) * column.through);
      }
    }
    for (std::size_t c = 0; c < columns_.size(); ++c) TakeOutTrend(c, values);
    return values;
  }

  /// Takes a column's mean out, and most of what changes evenly along the rod.
  void TakeOutTrend(std::size_t column, std::vector<cv::Vec3f>& values) const {
    double sw = 0.0;
    double st = 0.0;
    double stt = 0.0;
    cv::Vec3d sv(0, 0, 0);
    cv::Vec3d stv(0, 0, 0);
    for (std::size_t k = 0; k < places_.size(); ++k) {
      const cv::Vec3d v = values[k * columns_.size() + column];
      sw += weights_[k];
      st += weights_[k] * places_[k];
      stt += weights_[k] * places_[k] * places_[k];
      sv += weights_[k] * v;
      stv += weights_[k] * places_[k] * v;
    }
    const cv::Vec3d mean = sv * (1.0 / sw);
    const double middle = st / sw;
    const cv::Vec3d slope = (stv - sv * middle) * (kForgivenDrift / (stt - st * middle + 1e-9));
    for (std::size_t k = 0; k < places_.size(); ++k) {
      values[k * columns_.size() + column] -= cv::Vec3f(mean + slope * (places_[k] - middle));
    }
  }

  const RodStretches& rows_;
  const AcrossScale& scale_;
  const ShownRod& rod_;
  std::vector<double> weights_;
  std::vector<double> places_;  // of the rows along the rod, -1 to 1
  std::vector<Column> columns_;
};

}  // namespace

// The mean of all lines near the start, each by its likelihood and by how usual an error of the
// start it would be: where the picture tells little, the best line alone would follow its noise.
RodLine SettleByOcclusion(const RodStretches& rows, const AcrossScale& scale, const ShownRod& rod,
                          double rows_px, const RodLine& start) {
  constexpr std::size_t kFewestRows = 4;
  if (rows.along_mm.size() < kFewestRows) return start;
  Occlusion occlusion(rows, scale, rod);
  occlusion.WeighRows(start);
  const double looks = rows_px / kPxPerLook;
  const double at_start = occlusion.Steadiness(start);
  const int reach = static_cast<int>(std::lround(kReachMm / kStepMm));
  double sum = 0.0;
  double first_mm = 0.0;
  double last_mm = 0.0;
  for (int i = -reach; i <= reach; ++i) {
    for (int j = -reach; j <= reach; ++j) {
      const double first = i * kStepMm;
      const double last = j * kStepMm;
      const double gain =
          occlusion.Steadiness(MovedAcross(start, rows, rod.span_mm, first, last)) - at_start;
      const double unusual = 0.5 * (first * first + last * last) / (kUsualErrorMm * kUsualErrorMm);
      const double weight = std::exp(looks * gain - unusual);
      sum += weight;
      first_mm += weight * first;
      last_mm += weight * last;
    }
  }
  return MovedAcross(start, rows, rod.span_mm, first_mm / sum, last_mm / sum);
}

}  // namespace tinesight

#include "vision/tip_reading.hpp"

#include <algorithm>
#include <cmath>
#include <opencv2/core.hpp>
#include <vector>

#include "vision/network.hpp"

namespace tinesight {
namespace {

// As in vision/training/train_tips.py.
constexpr int kRows = 80;
constexpr int kColumns = 32;
constexpr double kHalfWidth = 1.6;  // of the strip, diameters
constexpr double kStepMm = 0.25;    // from row to row
constexpr int kExpectedRow = 30;

constexpr int kAboutRows = 6;        // of the likeliest: those that count
constexpr double kLeastShare = 0.8;  // of the likelihood, that they must hold
constexpr int kFarthestRows = 20;  // from the expected one: farther off a spring's end is likelier
constexpr double kLeastSigmaMm = 0.1;
// What errors on rendered tines held back from training were, over what the network states.
constexpr double kErrorOverStated = 1.4;

/// The picture about a line, from `first_mm` along it.
cv::Mat StripAbout(const Straightened& picture, const ShownRod& rod, const RodLine& line,
                   double first_mm) {
  return picture.Looked({kColumns, kRows}, [&](int row, int column) {
    const double along = first_mm + kStepMm * row;
    const double across = kHalfWidth * (2.0 * column / (kColumns - 1) - 1.0) * rod.diameter_mm;
    return Eigen::Vector2d(along, line.At(along, rod.span_mm) + across);
  });
}

/// How likely each row is the tip's.
std::vector<double> TellRows(const cv::Mat& strip) {
  const cv::Mat told = TellBothWays(kTipReading, strip);
  std::vector<double> likely(static_cast<std::size_t>(told.cols));
  double sum = 0.0;
  for (int r = 0; r < told.cols; ++r) {
    double& p = likely[static_cast<std::size_t>(r)];
    p = std::exp(0.5 * (told.at<float>(0, r) + told.at<float>(1, r)));
    sum += p;
  }
  for (double& p : likely) p /= sum;
  return likely;
}

struct RowReading {
  double row = 0.0;
  double sigma = 0.0;
};

/// Mean and standard deviation about the likeliest row, if nothing else is nearly as likely.
std::optional<RowReading> Likeliest(const std::vector<double>& likely) {
  const auto peak =
      static_cast<int>(std::max_element(likely.begin(), likely.end()) - likely.begin());
  if (std::abs(peak - kExpectedRow) > kFarthestRows) return std::nullopt;
  double share = 0.0;
  double sum = 0.0;
  double squares = 0.0;
  for (int r = std::max(0, peak - kAboutRows); r <= std::min(kRows - 1, peak + kAboutRows); ++r) {
    const double p = likely[static_cast<std::size_t>(r)];
    share += p;
    sum += p * (r - peak);
    squares += p * (r - peak) * (r - peak);
  }
  if (share < kLeastShare) return std::nullopt;
  const double mean = sum / share;
  return RowReading{peak + mean, std::sqrt(std::max(0.0, squares / share - mean * mean))};
}

}  // namespace

std::optional<TipPlace> ReadTip(const Straightened& picture, const ShownRod& rod,
                                const RodLine& line, double expected_mm) {
  const double first_mm = expected_mm - kStepMm * kExpectedRow;
  const auto found = Likeliest(TellRows(StripAbout(picture, rod, line, first_mm)));
  if (!found) return std::nullopt;
  return TipPlace{first_mm + kStepMm * found->row,
                  kErrorOverStated * std::hypot(kLeastSigmaMm, kStepMm * found->sigma)};
}

}  // namespace tinesight

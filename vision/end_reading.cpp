#include "vision/end_reading.hpp"

#include <algorithm>
#include <cmath>
#include <functional>
#include <numeric>
#include <opencv2/core.hpp>
#include <vector>

#include "vision/network.hpp"

namespace tinesight {
namespace {

// As in vision/training, cut_ends.py and train_ends.py.
constexpr int kRows = 80;
constexpr int kColumns = 32;
constexpr int kHalfWidth = 40;  // of the strip, in the distance of rows
constexpr int kExpectedRow = 30;

constexpr int kLookRows = 6;         // from one look to the next
constexpr double kLeastShare = 0.8;  // of the likelihood, for a reading
constexpr double kLeastSigmaRows = 0.4;
// The networks are surer than they are right: with their logits divided by this, pictures held back
// from training are likelier. Errors on these are then 1.2 times what is stated for tips, 2.6 times
// for blocks, one in 70 of which is another edge (RMS).
constexpr double kTemperature = 1.4;
constexpr double kErrorOverStated = 1.4;

// Farther off than that, a spring's end is likelier than the tine's.
constexpr int kFarthestTipRows = 20;
constexpr int kFarthestBlockRows = 26;
constexpr double kTipRow = 0.04;      // from row to row, diameters as the photo shows them
constexpr double kBlockRowMm = 0.11;  // from row to row as the photo shows them

/// From the middle of a strip to a column of it, in the distance of rows.
double Beside(int column) { return kHalfWidth * (2.0 * column / (kColumns - 1) - 1.0); }

/// How likely each row is the end's.
std::vector<double> TellRows(const Network& network, const cv::Mat& strip) {
  const cv::Mat told = TellBothWays(network, strip);
  std::vector<double> likely(static_cast<std::size_t>(told.cols));
  double sum = 0.0;
  for (int r = 0; r < told.cols; ++r) {
    double& p = likely[static_cast<std::size_t>(r)];
    p = std::exp((told.at<float>(0, r) + told.at<float>(1, r)) / (2.0 * kTemperature));
    sum += p;
  }
  for (double& p : likely) p /= sum;
  return likely;
}

/// The strip that starts so many rows after the usual one.
using StripFrom = std::function<cv::Mat(int start)>;

struct RowReading {
  double row = 0.0;
  double sigma = 0.0;
};

/// How likely each row is the end's, by several looks from a little nearer and farther: what is
/// taken for an end from one place only isn't one. Rows farther off than `farthest_rows` are left
/// out. Empty where the looks find the end elsewhere.
std::vector<double> LookSeveralTimes(const Network& network, const StripFrom& strip_from,
                                     int farthest_rows) {
  std::vector<double> likely(kRows, 0.0);
  for (const int start : {-kLookRows, 0, kLookRows}) {
    const std::vector<double> told = TellRows(network, strip_from(start));
    for (int r = 0; r < kRows; ++r) {
      const int row = r + start;
      if (std::abs(row - kExpectedRow) > farthest_rows || row < 0 || row >= kRows) continue;
      likely[static_cast<std::size_t>(row)] += told[static_cast<std::size_t>(r)];
    }
  }
  constexpr double kLeastLooks = 1.5;  // of three
  const double looks = std::accumulate(likely.begin(), likely.end(), 0.0);
  if (looks < kLeastLooks) return {};
  for (double& p : likely) p /= looks;
  return likely;
}

/// Mean and standard deviation of the rows about the likeliest one, if they hold nearly all: of few
/// rows, or of more where the picture leaves more open.
std::optional<RowReading> Likeliest(const std::vector<double>& likely) {
  const auto peak =
      static_cast<int>(std::max_element(likely.begin(), likely.end()) - likely.begin());
  for (const int about : {6, 12, 24}) {
    double share = 0.0;
    double sum = 0.0;
    double squares = 0.0;
    for (int r = std::max(0, peak - about); r <= std::min(kRows - 1, peak + about); ++r) {
      const double p = likely[static_cast<std::size_t>(r)];
      share += p;
      sum += p * (r - peak);
      squares += p * (r - peak) * (r - peak);
    }
    if (share < kLeastShare) continue;
    const double mean = sum / share;
    return RowReading{peak + mean, std::sqrt(std::max(0.0, squares / share - mean * mean))};
  }
  return std::nullopt;
}

/// The end of what strips that start at some row show, in rows from the expected one.
std::optional<RowReading> ReadStrips(const Network& network, const StripFrom& strip_from,
                                     int farthest_rows) {
  const std::vector<double> likely = LookSeveralTimes(network, strip_from, farthest_rows);
  if (likely.empty()) return std::nullopt;
  const auto found = Likeliest(likely);
  if (!found) return std::nullopt;
  return RowReading{found->row - kExpectedRow,
                    kErrorOverStated * std::hypot(kLeastSigmaRows, found->sigma)};
}

}  // namespace

// Rows are as far apart as columns would be: then the end of a round rod is a round arc, and the
// top of a block a rectangle, however steeply the camera looks at them.

std::optional<EndPlace> ReadTip(const Straightened& picture, const ShownRod& rod,
                                const RodLine& line, double expected_mm) {
  const double row_mm = kTipRow * rod.diameter_mm;
  const double step_mm = row_mm / picture.Foreshortening(expected_mm);
  const auto strip = [&](int start) {
    return picture.Looked({kColumns, kRows}, [&](int row, int column) {
      const double along = expected_mm + step_mm * (row + start - kExpectedRow);
      return Eigen::Vector2d(along, line.At(along, rod.span_mm) + row_mm * Beside(column));
    });
  };
  const auto found = ReadStrips(kTipReading, strip, kFarthestTipRows);
  if (!found) return std::nullopt;
  return EndPlace{expected_mm + step_mm * found->row, step_mm * found->sigma};
}

std::optional<EndPlace> ReadBlockEdge(const PhotoView& view, const Eigen::Vector3d& expected_mm) {
  const Eigen::Vector3d sight = expected_mm - view.CameraCenterMm();
  const double step_mm = kBlockRowMm * sight.norm() / std::abs(sight.y());
  // The plane of the block's top.
  const auto strip = [&](int start) {
    return LookedAt(view, {kColumns, kRows}, [&](int row, int column) {
      const double toward_mount = step_mm * (row + start - kExpectedRow);
      const Eigen::Vector3d beside(kBlockRowMm * Beside(column), 0.0, -toward_mount);
      return Eigen::Vector3d(expected_mm + beside);
    });
  };
  const auto found = ReadStrips(kBlockReading, strip, kFarthestBlockRows);
  if (!found) return std::nullopt;
  return EndPlace{-step_mm * found->row, step_mm * found->sigma};
}

}  // namespace tinesight

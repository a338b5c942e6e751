#include "vision/rod_reading.hpp"

#include <Eigen/Core>
#include <Eigen/LU>
#include <algorithm>
#include <cmath>
#include <opencv2/core.hpp>
#include <opencv2/imgproc.hpp>

#include "vision/network.hpp"

namespace tinesight {
namespace {

// As in vision/training/network.py.
constexpr int kStripRows = 64;
constexpr int kStripColumns = 64;
constexpr double kHalfWidth = 1.6;  // of the strip, diameters
constexpr double kUnit = 0.1;       // of the offsets that the network tells, diameters
constexpr double kLeastLogWeight = -8.0;
constexpr double kMostLogWeight = 6.0;

// Standard deviation of the start's errors at either end, and of those few that miss the rod.
constexpr double kUsualErrorMm = 0.06;
constexpr double kMissedErrorMm = 0.6;
constexpr double kMissedShare = 0.02;
constexpr int kMostLooks = 3;

// Where a rod is looked for beside a doubtful start, diameters: farther off, ground that is as even
// passes for a rod.
constexpr double kBeside[] = {-0.8, -0.6, -0.4, -0.2, 0.2, 0.4, 0.6, 0.8};
// How much surer, as Sureness() has it, the rod must be seen there. On rendered photos of two
// makers and of eleven harps with other seeds lines within 0.85 diameters of well-read rods were
// surer than these by 0.4 at most, rods beside lines that had missed them by 2.9 to 6.8. (In copies
// much too dark by 2.2 at most, beside rods that nothing makes doubtful.) Of 2.0 and 2.5 the lower
// one, as with the higher one line on a gray harp stayed 1.4 mm beside its tine.
constexpr double kClearlySurer = 2.0;

/// The strip about a line, in the network's rows and columns.
cv::Mat StripAbout(const RodStretches& rows, const AcrossScale& scale, const ShownRod& rod,
                   const RodLine& line) {
  cv::Mat columns(kStripRows, kStripColumns, CV_32F);
  cv::Mat lines(kStripRows, kStripColumns, CV_32F);
  const double first = rows.along_mm.front();
  const double last = rows.along_mm.back();
  for (int r = 0; r < kStripRows; ++r) {
    const double share = static_cast<double>(r) / (kStripRows - 1);
    const double middle = line.At(first + share * (last - first), rod.span_mm);
    for (int c = 0; c < kStripColumns; ++c) {
      const double across = kHalfWidth * (2.0 * c / (kStripColumns - 1) - 1.0) * rod.diameter_mm;
      columns.at<float>(r, c) = static_cast<float>(scale.Column(middle + across));
      lines.at<float>(r, c) = static_cast<float>(share * (rows.bgr.rows - 1));
    }
  }
  cv::Mat strip;
  cv::remap(rows.bgr, strip, columns, lines, cv::INTER_LINEAR, cv::BORDER_REPLICATE);
  return strip;
}

/// What the network tells of a strip: a row of offsets, a row of logarithms of weights.
cv::Mat TellRows(const cv::Mat& strip) {
  const cv::Mat told = TellBothWays(kRodReading, strip).reshape(1, 4);
  cv::Mat mean(2, told.cols, CV_32F);
  mean.row(0) = 0.5 * (told.row(0) - told.row(2));
  mean.row(1) = 0.5 * (told.row(1) + told.row(3));
  return mean;
}

/// What all rows tell of a line's offsets at the first and the last of them, diameters.
struct EndsTold {
  Eigen::Matrix2d information = Eigen::Matrix2d::Zero();
  Eigen::Vector2d weighted = Eigen::Vector2d::Zero();  // the information times the offsets
};

EndsTold TellEnds(const cv::Mat& told) {
  EndsTold ends;
  for (int k = 0; k < told.cols; ++k) {
    const double share = 2.0 * k / (kStripRows - 1);
    const Eigen::Vector2d at(1.0 - share, share);
    const double log_weight =
        std::clamp(static_cast<double>(told.at<float>(1, k)), kLeastLogWeight, kMostLogWeight);
    const double weight = std::exp(log_weight) / (kUnit * kUnit * told.cols);
    ends.information += weight * at * at.transpose();
    ends.weighted += weight * kUnit * told.at<float>(0, k) * at;
  }
  return ends;
}

/// How much they tell, whatever that is: for as many rows it grows with how surely these see a rod.
double Sureness(const EndsTold& told) { return std::log(told.information.determinant()); }

/// What is believed of a start's offsets that usually err by so much, diameters.
struct Believed {
  Eigen::Vector2d offset;
  Eigen::Matrix2d covariance;
  double log_evidence;  ///< for starts that err so, but for what is the same for all
};

Believed Believe(const EndsTold& told, double usual_error) {
  const Eigen::Matrix2d information =
      told.information + Eigen::Matrix2d::Identity() / (usual_error * usual_error);
  const Eigen::Matrix2d covariance = information.inverse();
  const Eigen::Vector2d offset = covariance * told.weighted;
  return {offset, covariance,
          0.5 * (std::log(covariance.determinant()) + told.weighted.dot(offset)) -
              2.0 * std::log(usual_error)};
}

/// A reading and how sure it is.
struct Settled {
  RodReading reading;
  double sureness = 0.0;
};

/// Reads the rod about one line after the other.
class Reader {
 public:
  Reader(const RodStretches& rows, const AcrossScale& scale, const ShownRod& rod)
      : rows_(rows), scale_(scale), rod_(rod) {}

  [[nodiscard]] EndsTold About(const RodLine& line) const {
    return TellEnds(TellRows(StripAbout(rows_, scale_, rod_, line)));
  }

  [[nodiscard]] RodLine Moved(const RodLine& line, const Eigen::Vector2d& diameters) const {
    const Eigen::Vector2d by_mm = rod_.diameter_mm * diameters;
    return MovedAcross(line, rows_, rod_.span_mm, by_mm.x(), by_mm.y());
  }

  [[nodiscard]] Settled SettleFrom(const RodLine& start) const {
    const EndsTold told = About(start);
    return SettleAt(start, told, Believe(told, kUsualErrorMm / rod_.diameter_mm));
  }

  /// From a start that may have missed the rod: then what is told from there is followed, and read
  /// anew.
  [[nodiscard]] Settled SettleFromDoubtful(const RodLine& start) const {
    RodLine line = start;
    for (int looks = 1;; ++looks) {
      const EndsTold told = About(line);
      const Believed usual = Believe(told, kUsualErrorMm / rod_.diameter_mm);
      const Believed missed = Believe(told, kMissedErrorMm / rod_.diameter_mm);
      if (looks == kMostLooks ||
          missed.log_evidence + std::log(kMissedShare) < usual.log_evidence) {
        return SettleAt(line, told, usual);
      }
      line = Moved(line, missed.offset);
    }
  }

  /// The line beside another about which a rod is seen most surely.
  [[nodiscard]] RodLine SurestBeside(const RodLine& line) const {
    RodLine surest = line;
    double most = -1e9;
    for (const double beside : kBeside) {
      const RodLine there = Moved(line, Eigen::Vector2d::Constant(beside));
      const double sureness = Sureness(About(there));
      if (sureness <= most) continue;
      most = sureness;
      surest = there;
    }
    return surest;
  }

 private:
  [[nodiscard]] Settled SettleAt(const RodLine& line, const EndsTold& told,
                                 const Believed& believed) const {
    return {{Moved(line, believed.offset), rows_.along_mm.front(), rows_.along_mm.back(),
             rod_.diameter_mm * rod_.diameter_mm * believed.covariance},
            Sureness(told)};
  }

  const RodStretches& rows_;
  const AcrossScale& scale_;
  const ShownRod& rod_;
};

}  // namespace

double RodReading::SigmaMm(double along_mm) const {
  const double share = (along_mm - first_mm) / (last_mm - first_mm);
  const Eigen::Vector2d ends(1.0 - share, share);
  return std::sqrt(ends.dot(covariance_mm2 * ends));
}

RodReading ReadRod(const RodStretches& rows, const AcrossScale& scale, const ShownRod& rod,
                   const RodLine& start, bool doubtful) {
  constexpr std::size_t kFewestRows = 4;
  if (rows.along_mm.size() < kFewestRows) {
    return {start, 0.0, rod.span_mm, kUsualErrorMm * kUsualErrorMm * Eigen::Matrix2d::Identity()};
  }
  const Reader reader(rows, scale, rod);
  if (!doubtful) return reader.SettleFrom(start).reading;
  const Settled here = reader.SettleFromDoubtful(start);
  const Settled beside = reader.SettleFromDoubtful(reader.SurestBeside(start));
  return beside.sureness > here.sureness + kClearlySurer ? beside.reading : here.reading;
}

}  // namespace tinesight

#include "vision/rod_registration.hpp"

#include <Eigen/Core>
#include <algorithm>
#include <cmath>
#include <opencv2/core.hpp>

#include "calibration/median.hpp"
#include "vision/local_line.hpp"
#include "vision/pattern_step.hpp"

namespace tinesight {
namespace {

constexpr int kRounds = 30;             // what changes slowly along the row settles last
constexpr double kReach = 5.0;          // places over which neighbors count
constexpr double kUsualShiftMm = 0.15;  // of a rod that was fitted well
constexpr int kColumns = 51;            // across, from -kHalf to kHalf radii
constexpr double kHalf = 1.25;
constexpr double kInside = 0.95;   // radii that are surely rod
constexpr double kOutline = 1.08;  // radii up to which the rod's blurred outline reaches
constexpr double kOddRow = 1.6;    // usual misfits; such a row counts half: a spring, the block
constexpr float kFaintestContrast = 3;  // gray levels; below it a row shows noise

double ColumnRadii(int column) { return kHalf * (2.0 * column / (kColumns - 1) - 1.0); }

/// Shifts at a quarter and at three quarters of the rod's visible length: there a line's two
/// errors are nearly independent of each other.
using Shift = Eigen::Vector2d;

double KnotShare(const RodStrip& rod, double along_mm) {
  return 2.0 * (along_mm - rod.from_mm) / (rod.to_mm - rod.from_mm) - 0.5;
}

double Across(const RodStrip& rod, double along_mm) {
  return rod.tip_mm + (rod.root_mm - rod.tip_mm) * along_mm / rod.span_mm;
}

void Move(const Shift& shift, RodStrip& rod) {
  const auto at = [&](double along_mm) {
    const double share = KnotShare(rod, along_mm);
    return (1.0 - share) * shift[0] + share * shift[1];
  };
  rod.tip_mm += at(0.0);
  rod.root_mm += at(rod.span_mm);
}

/// The rod read along its line: one row to each row of the picture that shows it, kColumns across,
/// each row's brightness and contrast inside the rod taken out.
struct Reading {
  std::vector<double> along_mm;
  cv::Mat bgr;  // CV_32FC3
};

void Normalize(cv::Vec3f* row) {
  cv::Vec3f mean(0, 0, 0);
  int count = 0;
  for (int c = 0; c < kColumns; ++c) {
    if (std::abs(ColumnRadii(c)) > kInside) continue;
    mean += row[c];
    ++count;
  }
  mean *= 1.0F / static_cast<float>(count);
  float squares = 0.0F;
  for (int c = 0; c < kColumns; ++c) {
    row[c] -= mean;
    if (std::abs(ColumnRadii(c)) <= kInside) squares += row[c].dot(row[c]);
  }
  const float contrast = std::sqrt(squares / static_cast<float>(3 * count)) + kFaintestContrast;
  for (int c = 0; c < kColumns; ++c) row[c] *= 1.0F / contrast;
}

Reading Read(const RodStrip& rod) {
  const Straightened& picture = *rod.picture;
  const int first = std::max(0, static_cast<int>(std::ceil(picture.Row(rod.from_mm))));
  const int last = std::min(picture.Rows() - 1, static_cast<int>(picture.Row(rod.to_mm)));
  Reading reading;
  reading.bgr.create(std::max(0, last - first + 1), kColumns, CV_32FC3);
  for (int r = first; r <= last; ++r) {
    const double along = picture.AlongMm(r);
    reading.along_mm.push_back(along);
    const auto* from = picture.Bgr().ptr<cv::Vec3f>(r);
    auto* to = reading.bgr.ptr<cv::Vec3f>(r - first);
    for (int c = 0; c < kColumns; ++c) {
      to[c] = BetweenColumns(from, picture.Columns(),
                             picture.Column(Across(rod, along) + ColumnRadii(c) * rod.radius_mm));
    }
    Normalize(to);
  }
  return reading;
}

/// One profile, kColumns across.
using Profile = std::vector<cv::Vec3f>;

Profile MedianProfile(const Reading& reading) {
  Profile profile(kColumns);
  std::vector<double> values(static_cast<std::size_t>(reading.bgr.rows));
  for (int c = 0; c < kColumns; ++c) {
    for (int channel = 0; channel < 3; ++channel) {
      for (int r = 0; r < reading.bgr.rows; ++r) {
        values[static_cast<std::size_t>(r)] =
            static_cast<double>(reading.bgr.at<cv::Vec3f>(r, c)[channel]);
      }
      profile[static_cast<std::size_t>(c)][channel] = static_cast<float>(MedianOf(values));
    }
  }
  return profile;
}

/// The rods' places and weights, for local lines; `in_line`: what is left of the weights.
struct Row {
  std::vector<double> places;
  std::vector<double> weights;
  std::vector<double> in_line;
  explicit Row(const std::vector<RodStrip>& rods) {
    for (const RodStrip& rod : rods) {
      places.push_back(rod.place);
      weights.push_back(rod.weight);
      in_line.push_back(rod.weight);
    }
  }
};

Profile LocalProfile(const Row& row, const std::vector<Profile>& profiles, double place) {
  const std::vector<double> shares = LocalLineShares(row.places, row.in_line, place, kReach);
  Profile local(kColumns, cv::Vec3f(0, 0, 0));
  for (std::size_t k = 0; k < profiles.size(); ++k) {
    for (std::size_t c = 0; c < kColumns; ++c) local[c] += profiles[k][c] * shares[k];
  }
  return local;
}

/// Root mean square misfit of each row within the outlines.
std::vector<double> RowMisfits(const Reading& reading, const Profile& pattern) {
  std::vector<double> misfits;
  for (int r = 0; r < reading.bgr.rows; ++r) {
    double squares = 0.0;
    int count = 0;
    for (int c = 0; c < kColumns; ++c) {
      if (std::abs(ColumnRadii(c)) > kOutline) continue;
      const cv::Vec3f d = reading.bgr.at<cv::Vec3f>(r, c) - pattern[static_cast<std::size_t>(c)];
      squares += static_cast<double>(d.dot(d));
      ++count;
    }
    misfits.push_back(std::sqrt(squares / (3.0 * count)));
  }
  return misfits;
}

/// The shift that brings a reading nearer to the pattern.
Shift StepToward(const RodStrip& rod, const Reading& reading, const Profile& pattern) {
  const std::vector<double> misfits = RowMisfits(reading, pattern);
  const double odd = kOddRow * MedianOf(misfits);
  const double column_mm = 2.0 * kHalf / (kColumns - 1) * rod.radius_mm;
  PatternStep step;
  for (int r = 0; r < reading.bgr.rows; ++r) {
    const double oddness = misfits[static_cast<std::size_t>(r)] / odd;
    const double row_share = 1.0 / (1.0 + std::pow(oddness, 4.0));
    const double share = KnotShare(rod, reading.along_mm[static_cast<std::size_t>(r)]);
    const Eigen::Vector2d knots(1.0 - share, share);
    const auto* row = reading.bgr.ptr<cv::Vec3f>(r);
    for (int c = 1; c + 1 < kColumns; ++c) {
      if (std::abs(ColumnRadii(c)) > kOutline) continue;
      for (int channel = 0; channel < 3; ++channel) {
        const double misfit =
            static_cast<double>(pattern[static_cast<std::size_t>(c)][channel] - row[c][channel]);
        const double slope =
            static_cast<double>(row[c + 1][channel] - row[c - 1][channel]) / (2.0 * column_mm);
        step.Add(misfit, slope * knots, row_share);
      }
    }
  }
  return step.StepMm();
}

}  // namespace

void RegisterRods(std::vector<RodStrip>& rods) {
  constexpr std::size_t kFewest = 3;
  constexpr int kFewestRows = 4;
  const std::vector<RodStrip> start = rods;
  Row row(rods);
  std::vector<Shift> shifts(rods.size(), Shift::Zero());
  for (int round = 0; round < kRounds; ++round) {
    std::vector<Reading> readings;
    std::vector<Profile> profiles;
    for (const RodStrip& rod : rods) {
      readings.push_back(Read(rod));
      if (rods.size() < kFewest || readings.back().bgr.rows < kFewestRows) return;
      profiles.push_back(MedianProfile(readings.back()));
    }
    for (std::size_t i = 0; i < rods.size(); ++i) {
      const Profile pattern = LocalProfile(row, profiles, row.places[i]);
      shifts[i] += StepToward(rods[i], readings[i], pattern);
    }
    // One that was fitted beside its rod comes home by itself, and takes no neighbor along.
    row.in_line = WeightsInLine(row.places, row.weights, shifts, 2.0 * kReach, kUsualShiftMm);
    shifts = WithoutLocalLine(row.places, row.in_line, shifts, 2.0 * kReach);
    for (std::size_t i = 0; i < rods.size(); ++i) {
      rods[i] = start[i];
      Move(shifts[i], rods[i]);
    }
  }
}

}  // namespace tinesight

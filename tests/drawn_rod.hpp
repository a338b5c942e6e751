#pragma once

#include <algorithm>
#include <cmath>
#include <opencv2/imgproc.hpp>
#include <random>

#include "vision/outline_fit.hpp"
#include "vision/rod_stretches.hpp"

namespace tinesight {

/// A rod drawn as straightened rows show it, for what looks at one.
struct DrawnRod {
  static constexpr int kRows = 72;
  static constexpr int kColumns = 121;
  static constexpr double kStepMm = 0.05;
  static constexpr double kRadiusMm = 0.85;
  static constexpr double kSpanMm = 50.0;
  static constexpr double kRowsPx = 150.0;
  static AcrossScale Scale() { return {1.0 / kStepMm, 60.0}; }

  RodLine line{0.1, -0.05};
  double ground_change = 25.0;  // gray levels, along the rod
  double wander_mm = 0.0;       // of the highlight, from the first row to the last
  bool spring = false;          // a coil from row 20 to 32, aside

  [[nodiscard]] RodStretches Rows() const;
  static ShownRod Shown() { return {2.0 * kRadiusMm, kSpanMm}; }
  /// A line that lies so far beside the rod's.
  [[nodiscard]] RodLine Beside(const RodLine& by) const {
    return {line.tip_mm + by.tip_mm, line.root_mm + by.root_mm};
  }
  /// How far a line is off the rod's where it shows, at worst.
  [[nodiscard]] double Off(const RodLine& other) const;
};

/// A rod shaded on its right as deep as the ground is on the whole, with a highlight on its left,
/// before a ground that changes along it, on the two sides in its own ways.
inline RodStretches DrawnRod::Rows() const {
  constexpr int kFine = 4;
  RodStretches rows;
  rows.length_mm = 0.6;
  cv::Mat fine(kRows, kColumns * kFine, CV_32FC3);
  for (int r = 0; r < kRows; ++r) {
    const double along = 3.0 + rows.length_mm * r;
    rows.along_mm.push_back(along);
    const double middle = line.At(along, kSpanMm);
    const double highlight = -0.35 + wander_mm * (static_cast<double>(r) / kRows - 0.5);
    for (int c = 0; c < fine.cols; ++c) {
      const double x = Scale().Mm((c + 0.5) / kFine - 0.5) - middle;
      double gray = 70.0 + ground_change * std::sin(0.31 * r + (x < 0.0 ? 0.0 : 2.0)) +
                    0.4 * ground_change * std::sin(0.83 * r + 0.5 * x);
      if (std::abs(x) < kRadiusMm) {
        gray = 100.0 - 35.0 * x + 60.0 * std::exp(-std::pow((x - highlight) / 0.2, 2.0));
      }
      if (spring && r >= 20 && r < 32 && std::abs(x - 0.3) < 1.1) gray = 180.0 + 50.0 * x;
      fine.at<cv::Vec3f>(r, c) = cv::Vec3f::all(static_cast<float>(gray));
    }
  }
  cv::GaussianBlur(fine, fine, {0, 1}, 0.12 / kStepMm * kFine, 0.1);
  cv::resize(fine, rows.bgr, {kColumns, kRows}, 0.0, 0.0, cv::INTER_AREA);
  std::mt19937 random(3);
  std::normal_distribution<float> noise(0.0F, 2.0F);
  for (cv::Vec3f& v : cv::Mat_<cv::Vec3f>(rows.bgr)) v += cv::Vec3f::all(noise(random));
  return rows;
}

inline double DrawnRod::Off(const RodLine& other) const {
  double off = 0.0;
  for (const double along : {3.0, 45.0}) {
    off = std::max(off, std::abs(other.At(along, kSpanMm) - line.At(along, kSpanMm)));
  }
  return off;
}

}  // namespace tinesight

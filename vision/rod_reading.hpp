#pragma once

#include <Eigen/Core>

#include "vision/outline_fit.hpp"
#include "vision/rod_stretches.hpp"

namespace tinesight {

/// A line as it was read, and how sure that is.
struct RodReading {
  RodLine line;
  double first_mm = 0.0;  ///< along: of the rows that were read
  double last_mm = 1.0;
  /// Of the line's places across at the first and the last row, mm².
  Eigen::Matrix2d covariance_mm2 = Eigen::Matrix2d::Identity();
  /// Standard uncertainty of its place across, mm.
  [[nodiscard]] double SigmaMm(double along_mm) const;
};

/// Settles a line on its rod as a small network reads the picture about it, which was trained on
/// drawn and rendered rods (vision/training). Of every second of 64 rows it tells how far the rod's
/// middle lies from the line, and how much the row tells; the line moves to a line through these,
/// weighted, and held by how small the start's errors usually are. `rows` are those that show the
/// rod, `scale` is that of their columns. A doubtful start may have missed the rod: where the rows
/// say so, or tell clearly more about a line up to a diameter beside it, the rod is read there.
[[nodiscard]] RodReading ReadRod(const RodStretches& rows, const AcrossScale& scale,
                                 const ShownRod& rod, const RodLine& start, bool doubtful);

}  // namespace tinesight

#pragma once

#include <Eigen/Core>
#include <opencv2/core/mat.hpp>
#include <optional>

#include "vision/photo_view.hpp"

namespace tinesight {

/// What of a ring square to the carrier frame's z axis shows, in its plane: a circle or, of a disc
/// that stands behind it, the disc's outline. On the side where the back lies in the picture that
/// is the rim of the back.
struct RingOutline {
  double radius_mm = 1.0;
  Eigen::Vector2d back_mm{0.0, 0.0};  ///< from the front's middle to the back's; zero: a circle
};

/// How far the picture's circle is from a predicted ring.
struct RingFit {
  Eigen::Vector2d offset_mm = Eigen::Vector2d::Zero();  ///< found center minus predicted, x and y
  double radius_offset_mm = 0.0;                        ///< found radius minus predicted
  double sigma_mm = 0.0;    ///< standard uncertainty of one coordinate of the center
  double coverage = 0.0;    ///< share of the circle on which its edge was found, 0 to 1
  double scatter_mm = 0.0;  ///< robust standard deviation of single edge points
};

/// Edges along the spokes of a predicted ring: the picture is read once, after which any ring
/// nearby can be scored without looking at it again.
class RingProfiles {
 public:
  /// Reads spokes from `inner_mm` to `outer_mm` about `center_mm` in its plane z = const.
  RingProfiles(const PhotoView& view, const Eigen::Vector3d& center_mm, double inner_mm,
               double outer_mm);

  /// Mean edge strength, 0 to 1, on the outline with this offset from the center.
  [[nodiscard]] double Energy(const Eigen::Vector2d& offset_mm, const RingOutline& outline) const;

  /// Least-squares ring through the edge points near a start, outliers (the tine that crosses the
  /// ring, glare) weighted down. With `free_radius` false the radius stays as given.
  [[nodiscard]] std::optional<RingFit> Fit(const Eigen::Vector2d& start_offset_mm,
                                           const RingOutline& outline, double window_mm,
                                           bool free_radius) const;

 private:
  [[nodiscard]] static double RadiusAt(int spoke, const Eigen::Vector2d& offset_mm,
                                       const RingOutline& outline);

  double inner_mm_;
  double step_mm_;
  cv::Mat strength_;  // CV_32F, spokes x steps, edge strength 0 to 1
};

struct BestOffset {
  Eigen::Vector2d offset_mm = Eigen::Vector2d::Zero();
  double energy = -1.0;
};

/// Offset of greatest energy on a square grid of `step_mm` that reaches `half_mm` from its middle.
[[nodiscard]] BestOffset ScanOffsets(const RingProfiles& profiles, const Eigen::Vector2d& middle_mm,
                                     const RingOutline& outline, double half_mm, double step_mm);

}  // namespace tinesight

#pragma once

#include <array>
#include <cmath>

#include "calibration/angle.hpp"
#include "tests/detector_scene.hpp"

namespace tinesight::testing {

inline constexpr double kSpacing_mm = 13.7;
inline constexpr double kLength_mm = 80.0;
inline constexpr double kGap_mm = 1.4;
inline constexpr double kBarBehind_mm = 9.5;  // the bars' faces behind the tines

/// Five bars; the one in the middle is skewed, as a flattened grommet leaves it.
inline constexpr std::array<double, 5> kYaw_deg = {0.1, -0.2, 1.0, 0.2, -0.1};

inline double BarX(std::size_t i) { return kSpacing_mm * (static_cast<double>(i) - 2.0); }
inline double RootZ() { return -kLength_mm - kGap_mm; }

/// Bars of brightness `gray` over a ground 20 mm behind the tines whose brightness swings by
/// `swing` about 100 along them. `bar_at` says for a place of the bars' faces, x and mm ahead of
/// the roots, whether it is a bar.
template <typename BarAt>
PhotoView ViewOfBars(double gray, double swing, const BarAt& bar_at) {
  PhotoView view = DetectorView(40.0);
  const Eigen::Vector3d eye = view.CameraCenterMm();
  Render(view, 0.8, 3.0, [&](const Eigen::Vector3d& ray) {
    const auto on_plane = [&](double y_mm) {
      return Eigen::Vector3d(eye + ray * ((y_mm - eye.y()) / ray.y()));
    };
    const Eigen::Vector3d p = on_plane(kBarBehind_mm);
    const double ahead = p.z() - RootZ();
    if (ahead > -18.0 && ahead < 45.0 && bar_at(p.x(), ahead)) {
      return gray + 5.0 * std::sin(0.7 * p.z());
    }
    return 100.0 + swing * std::sin(0.11 * on_plane(20.0).z());
  });
  return view;
}

/// The five bars over a ground that is now lighter, now darker than they.
inline PhotoView BarView(double width_mm) {
  return ViewOfBars(105.0, 60.0, [&](double x_mm, double ahead_mm) {
    for (std::size_t i = 0; i < kYaw_deg.size(); ++i) {
      const double middle = BarX(i) + ahead_mm * std::tan(kYaw_deg[i] * kRadPerDeg);
      if (std::abs(x_mm - middle) < 0.5 * width_mm) return true;
    }
    return false;
  });
}

}  // namespace tinesight::testing

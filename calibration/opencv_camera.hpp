#pragma once

#include <opencv2/core.hpp>

#include "calibration/camera.hpp"

namespace tinesight {

/// The camera as OpenCV's functions take it: the pinhole's matrix, px.
inline cv::Matx33d CameraMatrix(const Camera& camera) {
  return {camera.fx_px, 0.0, camera.cx_px, 0.0, camera.fy_px, camera.cy_px, 0.0, 0.0, 1.0};
}

/// Its distortion coefficients k1, k2, p1, p2, k3.
inline cv::Vec<double, 5> DistortionOf(const Camera& camera) {
  return cv::Vec<double, 5>(camera.distortion.data());
}

}  // namespace tinesight

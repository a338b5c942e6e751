#pragma once

#include <gtest/gtest.h>

#include <cstddef>
#include <string>

#include "tests/sample_truth.hpp"
#include "vision/photo.hpp"
#include "vision/photo_view.hpp"

namespace tinesight::testing {

/// A sample photo through its true camera, in the harp frame.
inline PhotoView TrueView(const std::string& name) {
  const nlohmann::json truth = ReadTruth(name);
  const nlohmann::json& camera = truth["camera"];
  PhotoView view;
  const auto photo = ReadPhoto(kSamples / "harp" / (name + ".jpg"));
  EXPECT_TRUE(photo) << name;
  if (!photo) return view;
  view.bgr = photo->bgr;
  view.camera.width_px = camera["width"];
  view.camera.height_px = camera["height"];
  view.camera.fx_px = camera["fx"];
  view.camera.fy_px = camera["fy"];
  view.camera.cx_px = camera["cx"];
  view.camera.cy_px = camera["cy"];
  for (std::size_t i = 0; i < 5; ++i) view.camera.distortion[i] = camera["distortion"][i];
  view.camera_from_world =
      ToTransform(truth["camera_from_rig"]) * ToTransform(truth["harp_from_rig"]).inverse();
  return view;
}

}  // namespace tinesight::testing

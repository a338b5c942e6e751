#pragma once

#include <optional>

#include "calibration/rig.hpp"
#include "calibration/rig_observation.hpp"
#include "vision/photo_view.hpp"

namespace tinesight {

/// How far the edges on the rig's pickup bar are spread in a photo whose world is the rig, mm
/// there: median of its tags' Gaussian sigmas. The bar stands right behind the pickups, so that
/// they and the tips of the tines are about as sharp. nullopt: the blur of none of its tags is
/// known.
[[nodiscard]] std::optional<double> PickupBarBlurMm(const RigObservations& seen, const Rig& rig,
                                                    const PhotoView& view);

/// From there on a photo is out of focus, or was moved: sample photos of three registers have 0.15
/// to 0.21 mm, copies of them blurred by discs of 7 px, which err half as much again, 0.27 to 0.32.
inline constexpr double kBlurredBarMm = 0.25;

}  // namespace tinesight

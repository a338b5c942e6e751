#pragma once

#include <Eigen/Core>
#include <optional>

#include "vision/photo_view.hpp"
#include "vision/rod_stretches.hpp"
#include "vision/straightened.hpp"

namespace tinesight {

// Where tines end before their pickups and where they come out of their blocks, as two small
// networks read the picture, which were trained on rendered tines (vision/training).

/// A place along a line.
struct EndPlace {
  double along_mm = 0.0;
  double sigma_mm = 1.0;  ///< standard uncertainty
};

/// Where a tine ends before its pickup, from the pickup's face toward the mount. `picture` shows
/// `rod` along `line`; `expected_mm` is where the end should be. nullopt: no end stands out within
/// 20 rows of there, some 3 to 5 mm; farther off, a tuning spring's end is likelier taken for it.
[[nodiscard]] std::optional<EndPlace> ReadTip(const Straightened& picture, const ShownRod& rod,
                                              const RodLine& line, double expected_mm);

/// How much farther along the carrier's z than `expected_mm` the upper edge of a tine's block
/// toward its pickup lies, if it lies as high. `expected_mm`: its middle, where it should be,
/// carrier frame. nullopt: no edge stands out within some 6 mm.
[[nodiscard]] std::optional<EndPlace> ReadBlockEdge(const PhotoView& view,
                                                    const Eigen::Vector3d& expected_mm);

}  // namespace tinesight

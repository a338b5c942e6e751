#include "vision/bar_blur.hpp"

#include <cstddef>
#include <vector>

#include "calibration/median.hpp"
#include "calibration/rig_bars.hpp"

namespace tinesight {

std::optional<double> PickupBarBlurMm(const RigObservations& seen, const Rig& rig,
                                      const PhotoView& view) {
  const RigBars bars = FindRigBars(rig);
  std::vector<double> blurs_mm;
  for (const TagObservation& observed : seen.tags) {
    const RigTag* tag = rig.FindTag(observed.id);
    if (tag == nullptr || observed.blur_px <= 0.0) continue;
    const auto index = static_cast<std::size_t>(tag - rig.tags.data());
    if (bars.bar_of_tag[index] + 1 != bars.Count()) continue;
    const double depth_mm = (view.camera_from_world * tag->CenterMm()).z();
    blurs_mm.push_back(observed.blur_px * depth_mm / view.camera.fx_px);
  }
  if (blurs_mm.empty()) return std::nullopt;
  return MedianInPlace(blurs_mm);
}

}  // namespace tinesight

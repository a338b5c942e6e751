#include "vision/pole_in_row.hpp"

#include "vision/ring_registration.hpp"

namespace tinesight {

std::vector<PoleInRow> FindPolesInRow(const PhotoView& view, double tip_radius_mm,
                                      const std::vector<PickupAxis>& axes) {
  constexpr double kProtrusionMm = 2.0;  // usual; what it is off by is common to the row
  constexpr double kOuterRadii = 1.6;    // of the tip: that far a cone or chisel reaches
  const double outer_mm = kOuterRadii * tip_radius_mm;
  std::vector<RingPatch> patches;
  for (const PickupAxis& axis : axes) {
    const Eigen::Vector3d sight = axis.on_axis_mm - view.CameraCenterMm();
    patches.push_back({.place = static_cast<double>(axis.pickup),
                       .center_mm = axis.on_axis_mm - Eigen::Vector3d(0.0, 0.0, kProtrusionMm),
                       // The tine lies nearer than its pole, on the line that leads to its mount.
                       .hidden_toward = sight.head<2>().normalized()});
  }
  const std::vector<std::size_t> alike = LargestAlike(view, 0.0, outer_mm, patches);
  std::vector<RingPatch> poles;
  poles.reserve(alike.size());
  for (const std::size_t k : alike) poles.push_back(patches[k]);
  RegisterRings(view, 0.0, outer_mm, poles);
  std::vector<PoleInRow> found;
  found.reserve(alike.size());
  for (std::size_t j = 0; j < alike.size(); ++j) {
    found.push_back({axes[alike[j]].pickup, poles[j].center_mm});
  }
  return found;
}

}  // namespace tinesight

#include "calibration/rig_bars.hpp"

#include <Eigen/Geometry>
#include <algorithm>
#include <cmath>
#include <limits>
#include <numeric>

namespace tinesight {
namespace {

Eigen::Vector3d MeanNormal(const Rig& rig) {
  Eigen::Vector3d sum = Eigen::Vector3d::Zero();
  for (const RigTag& tag : rig.tags) {
    const TagAxes axes = AxesOfTag(tag);
    sum += axes.right.cross(axes.down);
  }
  return sum.norm() > 1e-9 ? Eigen::Vector3d(sum.normalized()) : Eigen::Vector3d::UnitZ();
}

std::vector<std::string> BarNames(int count) {
  if (count == 1) return {"only bar of the rig"};
  if (count == 2) return {"mount bar", "pickup bar"};
  std::vector<std::string> names;
  names.reserve(static_cast<std::size_t>(count));
  for (int i = 0; i < count; ++i) {
    names.push_back("bar " + std::to_string(i + 1) + " of " + std::to_string(count));
  }
  return names;
}

}  // namespace

double TagSideMm(const RigTag& tag) {
  double sum = 0.0;
  for (std::size_t k = 0; k < 4; ++k) {
    sum += (tag.corners_mm[(k + 1) % 4] - tag.corners_mm[k]).norm();
  }
  return sum / 4.0;
}

TagAxes AxesOfTag(const RigTag& tag) {
  const auto& c = tag.corners_mm;
  TagAxes axes;
  const Eigen::Vector3d right = (c[1] - c[0]) + (c[2] - c[3]);
  const Eigen::Vector3d down = (c[3] - c[0]) + (c[2] - c[1]);
  axes.right = right.normalized();
  axes.down = (down - down.dot(axes.right) * axes.right).normalized();
  return axes;
}

RigBars FindRigBars(const Rig& rig) {
  RigBars bars;
  if (rig.tags.empty()) return bars;
  const Eigen::Vector3d normal = MeanNormal(rig);
  std::vector<double> depth_mm;
  double side_mm = 0.0;
  for (const RigTag& tag : rig.tags) {
    depth_mm.push_back(normal.dot(tag.CenterMm()));
    side_mm += TagSideMm(tag) / static_cast<double>(rig.tags.size());
  }
  std::vector<std::size_t> order(rig.tags.size());
  std::iota(order.begin(), order.end(), std::size_t{0});
  std::sort(order.begin(), order.end(),
            [&](std::size_t a, std::size_t b) { return depth_mm[a] < depth_mm[b]; });

  bars.bar_of_tag.assign(rig.tags.size(), 0);
  int bar = 0;
  for (std::size_t i = 0; i < order.size(); ++i) {
    if (i > 0 && depth_mm[order[i]] - depth_mm[order[i - 1]] > 2.0 * side_mm) ++bar;
    bars.bar_of_tag[order[i]] = bar;
  }
  bars.names = BarNames(bar + 1);

  for (const RigPoint& point : rig.points) {
    const double depth = normal.dot(point.position_mm);
    int nearest = 0;
    double best = std::numeric_limits<double>::infinity();
    for (std::size_t i = 0; i < depth_mm.size(); ++i) {
      if (std::abs(depth_mm[i] - depth) < best) {
        best = std::abs(depth_mm[i] - depth);
        nearest = bars.bar_of_tag[i];
      }
    }
    bars.bar_of_point.push_back(nearest);
  }
  return bars;
}

}  // namespace tinesight

#include "calibration/survey_bundle.hpp"

#include <algorithm>
#include <cmath>
#include <limits>

namespace tinesight {
namespace {

/// A bar's own frame: origin in the middle of its marks, x along the tags' top sides, z away from
/// the viewer.
Eigen::Isometry3d BarFrame(const Rig& rig, const RigBars& bars, int bar) {
  Eigen::Vector3d right = Eigen::Vector3d::Zero();
  Eigen::Vector3d down = Eigen::Vector3d::Zero();
  Eigen::Vector3d middle = Eigen::Vector3d::Zero();
  TagAxes first;
  int count = 0;
  for (std::size_t i = 0; i < rig.tags.size(); ++i) {
    if (bars.bar_of_tag[i] != bar) continue;
    const TagAxes axes = AxesOfTag(rig.tags[i]);
    if (count == 0) first = axes;
    right += axes.right;
    down += axes.down;
    middle += rig.tags[i].CenterMm();
    ++count;
  }
  if (right.norm() < 0.5 * count || down.norm() < 0.5 * count) {  // tags turned to each other
    right = first.right;
    down = first.down;
  }
  right.normalize();
  down = (down - down.dot(right) * right).normalized();
  Eigen::Isometry3d rig_from_bar = Eigen::Isometry3d::Identity();
  rig_from_bar.linear().col(0) = right;
  rig_from_bar.linear().col(1) = down;
  rig_from_bar.linear().col(2) = right.cross(down);
  rig_from_bar.translation() = middle / std::max(count, 1);
  return rig_from_bar;
}

/// What a rig file's u_mm say of a bar: marks lie to each other within `u_mm`, and the whole print
/// may be stretched by `scale`. `strips` lets u_mm grow with the distance from the strip's middle
/// where the print's scale is uncertain; that part is common to all marks, not each mark's own.
struct PrintUncertainty {
  double u_mm = 0.05;
  double scale = 0.001;
};

std::vector<PrintUncertainty> SplitUncertainty(const Rig& rig, const RigBundle& bundle) {
  constexpr double kLeastScale = 0.002;  // paper moves that much with the weather
  constexpr double kMostScale = 0.03;
  std::vector<PrintUncertainty> prints(static_cast<std::size_t>(bundle.bars.Count()));
  for (std::size_t bar = 0; bar < prints.size(); ++bar) {
    double least = std::numeric_limits<double>::infinity();
    for (int pass = 0; pass < 2; ++pass) {
      const auto consider = [&](double u, const Eigen::Vector3d& local) {
        if (pass == 0) {
          least = std::min(least, u);
        } else if (local.norm() > 20.0) {
          const double common = std::sqrt(std::max(u * u - least * least, 0.0)) / local.norm();
          prints[bar].scale = std::max(prints[bar].scale, common);
        }
      };
      for (std::size_t i = 0; i < rig.tags.size(); ++i) {
        if (bundle.bars.bar_of_tag[i] != static_cast<int>(bar)) continue;
        consider(rig.tags[i].u_mm, bundle.problem.points[bundle.corner_point[i]].local_mm);
      }
      for (std::size_t i = 0; i < rig.points.size(); ++i) {
        if (bundle.bars.bar_of_point[i] != static_cast<int>(bar)) continue;
        consider(rig.points[i].u_mm, bundle.problem.points[bundle.point_point[i]].local_mm);
      }
    }
    prints[bar].u_mm = std::clamp(least, 0.01, 2.0);
    prints[bar].scale = std::clamp(prints[bar].scale, kLeastScale, kMostScale);
  }
  return prints;
}

}  // namespace

RigBundle MakeRigBundle(const Rig& rig, const SurveyOptions& options) {
  RigBundle bundle;
  bundle.bars = FindRigBars(rig);
  for (int bar = 0; bar < bundle.bars.Count(); ++bar) {
    BundlePart part;
    part.target_from_part = BarFrame(rig, bundle.bars, bar);
    // Bars are ordered by depth: the last is the pickup bar, whose place is the frame.
    part.free_pose = bar + 1 < bundle.bars.Count();
    bundle.problem.parts.push_back(part);
    bundle.nominal_pose.push_back(part.target_from_part);
  }
  const auto add = [&](const Eigen::Vector3d& rig_mm, int bar) {
    BundlePoint point;
    point.part = bar;
    point.local_mm = bundle.nominal_pose[static_cast<std::size_t>(bar)].inverse() * rig_mm;
    bundle.problem.points.push_back(point);
    return bundle.problem.points.size() - 1;
  };
  for (std::size_t i = 0; i < rig.tags.size(); ++i) {
    bundle.corner_point.push_back(bundle.problem.points.size());
    for (const auto& corner : rig.tags[i].corners_mm) add(corner, bundle.bars.bar_of_tag[i]);
  }
  for (std::size_t i = 0; i < rig.points.size(); ++i) {
    bundle.point_point.push_back(add(rig.points[i].position_mm, bundle.bars.bar_of_point[i]));
  }
  const auto prints = SplitUncertainty(rig, bundle);
  for (BundlePoint& point : bundle.problem.points) {
    const double u = prints[static_cast<std::size_t>(point.part)].u_mm;
    point.u_mm = {u, u, std::hypot(u, options.flatness_u_mm)};
  }
  for (std::size_t bar = 0; bar < prints.size(); ++bar) {
    bundle.problem.parts[bar].scale_sigma = prints[bar].scale;
  }
  bundle.problem.cameras.emplace_back();
  bundle.problem.cameras[0].camera.width_px = options.width_px;
  bundle.problem.cameras[0].camera.height_px = options.height_px;
  return bundle;
}

namespace {

/// Outward along the diagonal of a tag, in its bar's frame, per mm of growth of both edges.
Eigen::Vector3d GrowthDirection(const RigTag& tag, std::size_t corner,
                                const Eigen::Isometry3d& rig_from_bar) {
  const auto& c = tag.corners_mm;
  const Eigen::Vector3d outward = (c[corner] - c[(corner + 1) % 4]).normalized() +
                                  (c[corner] - c[(corner + 3) % 4]).normalized();
  return rig_from_bar.linear().transpose() * outward;
}

std::size_t IndexOf(const Rig& rig, const RigTag* tag) {
  return static_cast<std::size_t>(tag - rig.tags.data());
}
std::size_t IndexOf(const Rig& rig, const RigPoint* point) {
  return static_cast<std::size_t>(point - rig.points.data());
}

}  // namespace

BundlePhoto MakeBundlePhoto(const SurveyPhoto& photo, const Rig& rig, const RigBundle& bundle,
                            SurveyPhotoReport& report, std::vector<bool>& sees_bar) {
  BundlePhoto result;
  result.name = photo.name;
  for (const TagObservation& seen : photo.observations.tags) {
    const RigTag* tag = rig.FindTag(seen.id);
    if (tag == nullptr) continue;  // a register card
    const std::size_t index = IndexOf(rig, tag);
    const auto bar = static_cast<std::size_t>(bundle.bars.bar_of_tag[index]);
    sees_bar[bar] = true;
    ++report.tags;
    for (std::size_t k = 0; k < 4; ++k) {
      BundleObservation o;
      o.point = static_cast<int>(bundle.corner_point[index] + k);
      o.position_px = seen.corners_px[k];
      o.sigma_px = std::max(seen.sigma_px, 0.01);
      o.group = kCornerGroup;
      o.growth_direction = GrowthDirection(*tag, k, bundle.nominal_pose[bar]);
      result.observations.push_back(o);
    }
  }
  for (const PointObservation& seen : photo.observations.points) {
    const RigPoint* point = rig.FindPoint(seen.id);
    if (point == nullptr) continue;
    ++report.points;
    BundleObservation o;
    o.point = static_cast<int>(bundle.point_point[IndexOf(rig, point)]);
    o.position_px = seen.position_px;
    o.sigma_px = std::max(seen.sigma_px, 0.01);
    o.group = kPointGroup;
    result.observations.push_back(o);
  }
  return result;
}

}  // namespace tinesight

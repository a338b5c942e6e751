#include "calibration/rig_pose_seeds.hpp"

#include <Eigen/SVD>
#include <algorithm>
#include <opencv2/calib3d.hpp>

namespace tinesight {
namespace {

/// Positions on the rig with their undistorted directions (x, y at z = 1).
struct Correspondences {
  std::vector<Eigen::Vector3d> rig_mm;
  std::vector<cv::Point2d> directions;
};

Eigen::Isometry3d ToIsometry(const cv::Mat& rotation_vector, const cv::Mat& translation) {
  cv::Matx33d rotation;
  cv::Rodrigues(rotation_vector, rotation);
  Eigen::Isometry3d pose = Eigen::Isometry3d::Identity();
  for (int r = 0; r < 3; ++r) {
    for (int c = 0; c < 3; ++c) pose.linear()(r, c) = rotation(r, c);
    pose.translation()(r) = translation.at<double>(r);
  }
  return pose;
}

/// All solutions of one OpenCV method for points given in the frame `frame_from_rig`.
void AppendSolutions(const Correspondences& points, const Eigen::Isometry3d& frame_from_rig,
                     bool flat, cv::SolvePnPMethod method, std::vector<Eigen::Isometry3d>& seeds) {
  std::vector<cv::Point3d> object;
  for (const Eigen::Vector3d& p : points.rig_mm) {
    const Eigen::Vector3d q = frame_from_rig * p;
    object.emplace_back(q.x(), q.y(), flat ? 0.0 : q.z());
  }
  std::vector<cv::Mat> rotations;
  std::vector<cv::Mat> translations;
  try {
    cv::solvePnPGeneric(object, points.directions, cv::Matx33d::eye(), cv::noArray(), rotations,
                        translations, false, method);
  } catch (const cv::Exception&) {
    return;  // too few or degenerate points for this method; the others have their say
  }
  for (std::size_t i = 0; i < rotations.size(); ++i) {
    const Eigen::Isometry3d pose = ToIsometry(rotations[i], translations[i]) * frame_from_rig;
    if (!pose.matrix().allFinite()) continue;
    const bool in_front =
        std::all_of(points.rig_mm.begin(), points.rig_mm.end(),
                    [&](const Eigen::Vector3d& p) { return (pose * p).z() > 1.0; });
    if (in_front) seeds.push_back(pose);
  }
}

/// Frame with its origin in the points' middle and z across the plane nearest to them.
Eigen::Isometry3d PlaneFrame(const std::vector<Eigen::Vector3d>& points_mm) {
  Eigen::Vector3d middle = Eigen::Vector3d::Zero();
  for (const Eigen::Vector3d& p : points_mm) middle += p / static_cast<double>(points_mm.size());
  Eigen::Matrix3d scatter = Eigen::Matrix3d::Zero();
  for (const Eigen::Vector3d& p : points_mm) scatter += (p - middle) * (p - middle).transpose();
  const Eigen::JacobiSVD<Eigen::Matrix3d> svd(scatter, Eigen::ComputeFullU);
  Eigen::Matrix3d axes = svd.matrixU();
  axes.col(2) = axes.col(0).cross(axes.col(1));
  Eigen::Isometry3d frame_from_rig = Eigen::Isometry3d::Identity();
  frame_from_rig.linear() = axes.transpose();
  frame_from_rig.translation() = -(axes.transpose() * middle);
  return frame_from_rig;
}

}  // namespace

std::vector<Eigen::Isometry3d> PoseSeeds(const std::vector<PoseMeasurement>& measurements,
                                         int bar_count, const Camera& camera) {
  Correspondences all;
  std::vector<Correspondences> of_bar(static_cast<std::size_t>(bar_count));
  for (const PoseMeasurement& m : measurements) {
    const Eigen::Vector2d direction = camera.Undistort(m.observed_px);
    if (!direction.allFinite()) continue;
    for (Correspondences* c : {&all, &of_bar[static_cast<std::size_t>(m.bar)]}) {
      c->rig_mm.push_back(m.position_mm);
      c->directions.emplace_back(direction.x(), direction.y());
    }
  }
  std::vector<Eigen::Isometry3d> seeds;
  const Eigen::Isometry3d as_it_is = Eigen::Isometry3d::Identity();
  if (all.rig_mm.size() >= 6) {
    AppendSolutions(all, as_it_is, false, cv::SOLVEPNP_SQPNP, seeds);
    AppendSolutions(all, as_it_is, false, cv::SOLVEPNP_ITERATIVE, seeds);
    AppendSolutions(all, as_it_is, false, cv::SOLVEPNP_EPNP, seeds);
  }
  for (const Correspondences& bar : of_bar) {
    if (bar.rig_mm.size() < 4) continue;
    AppendSolutions(bar, PlaneFrame(bar.rig_mm), true, cv::SOLVEPNP_IPPE, seeds);
  }
  return seeds;
}

}  // namespace tinesight

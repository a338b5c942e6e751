#include "vision/harp_place.hpp"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <numbers>
#include <opencv2/imgproc.hpp>
#include <vector>

namespace tinesight {
namespace {

constexpr double kDegree = std::numbers::pi / 180.0;
constexpr std::size_t kMostEdges = 20000;
constexpr std::size_t kLeastEdges = 500;
constexpr std::size_t kLeastPickups = 4;

/// An edge element: its ray, and the normal of the plane through it and the camera's center. All in
/// the camera frame.
struct Edge {
  Eigen::Vector3d ray;
  Eigen::Vector3d normal;
  double weight = 0.0;
};

/// Where tines and tone bars are seen: the parallelogram from the row toward the mounts.
cv::Mat TineMask(const PhotoView& view, const PickupRow& row, const HarpPlaceOptions& o) {
  constexpr double kBeforePickupsMm = 4.0;
  constexpr double kBehindTinesMm = 4.0;
  std::vector<cv::Point> corners;
  const auto add = [&](const RowPickup& p, double aside_mm, double toward_mount_mm) {
    const Eigen::Vector3d corner(p.plane_mm.x() + aside_mm, p.plane_mm.y() + kBehindTinesMm,
                                 o.row_z_mm - toward_mount_mm);
    if (!view.InFront(corner)) return;
    const Eigen::Vector2d px = view.Project(corner);
    corners.emplace_back(cvRound(px.x()), cvRound(px.y()));
  };
  const double half = 0.5 * o.note_spacing_mm;
  add(row.pickups.front(), -half, kBeforePickupsMm);
  add(row.pickups.back(), half, kBeforePickupsMm);
  add(row.pickups.back(), half, o.reach_mm);
  add(row.pickups.front(), -half, o.reach_mm);
  cv::Mat mask(view.gray.size(), CV_8U, cv::Scalar(0));
  if (corners.size() == 4) cv::fillConvexPoly(mask, corners, cv::Scalar(255));
  return mask;
}

std::vector<Edge> FindEdges(const PhotoView& view, const cv::Mat& mask) {
  const cv::Rect box = cv::boundingRect(mask);
  if (box.area() == 0) return {};
  cv::Mat smooth;
  cv::Mat gx;
  cv::Mat gy;
  cv::GaussianBlur(view.gray(box), smooth, {}, 2.0);
  cv::Scharr(smooth, gx, CV_32F, 1, 0, 1.0 / 32.0);
  cv::Scharr(smooth, gy, CV_32F, 0, 1, 1.0 / 32.0);
  std::vector<std::pair<float, cv::Point>> strong;
  for (int r = 1; r < box.height - 1; r += 2) {
    for (int c = 1; c < box.width - 1; c += 2) {
      if (mask.at<uchar>(box.y + r, box.x + c) == 0) continue;
      strong.emplace_back(std::hypot(gx.at<float>(r, c), gy.at<float>(r, c)), cv::Point(c, r));
    }
  }
  // The stronger half is edges, the rest grain.
  const std::size_t count = std::min(kMostEdges, strong.size() / 2);
  if (count < kLeastEdges) return {};
  std::nth_element(strong.begin(), strong.begin() + static_cast<std::ptrdiff_t>(count),
                   strong.end(), [](const auto& a, const auto& b) { return a.first > b.first; });
  const float usual = std::max(strong[count].first, 1e-3F);
  std::vector<Edge> edges;
  edges.reserve(count);
  for (std::size_t i = 0; i < count; ++i) {
    const auto& [magnitude, at] = strong[i];
    const Eigen::Vector2d px(box.x + at.x, box.y + at.y);
    const Eigen::Vector2d along(-gy.at<float>(at) / magnitude, gx.at<float>(at) / magnitude);
    const Eigen::Vector3d ray = view.camera.Undistort(px).homogeneous().normalized();
    const Eigen::Vector3d next = view.camera.Undistort(px + 2.0 * along).homogeneous();
    edges.push_back(
        {ray, ray.cross(next).normalized(), static_cast<double>(magnitude / (magnitude + usual))});
  }
  return edges;
}

/// How many edges point to the vanishing point of `direction`, within about `tolerance_rad`.
double Agreement(const std::vector<Edge>& edges, const Eigen::Vector3d& direction,
                 double tolerance_rad) {
  double sum = 0.0;
  for (const Edge& edge : edges) {
    // Sine of the angle in the picture between the edge and the line to the vanishing point.
    const double across = edge.normal.dot(direction);
    const double squared =
        across * across /
        (tolerance_rad * tolerance_rad * std::max(edge.ray.cross(direction).squaredNorm(), 1e-6));
    if (squared < 12.0) sum += edge.weight * std::exp(-0.5 * squared);
  }
  return sum;
}

/// Coarse to fine over the two angles of the direction; camera frame.
Eigen::Vector3d FindDirection(const std::vector<Edge>& edges, const Eigen::Matrix3d& rotation,
                              double search_deg) {
  double yaw = 0.0;
  double pitch = 0.0;
  const auto direction = [&](double yaw_deg, double pitch_deg) {
    const Eigen::Vector3d in_carrier(std::tan(yaw_deg * kDegree), std::tan(pitch_deg * kDegree),
                                     1.0);
    return Eigen::Vector3d(rotation * in_carrier.normalized());
  };
  struct Stage {
    double range_deg, step_deg, tolerance_deg;
  };
  for (const Stage& stage :
       {Stage{search_deg, 0.5, 1.5}, Stage{0.6, 0.15, 1.0}, Stage{0.2, 0.05, 0.7}}) {
    double best = -1.0;
    const double yaw0 = yaw;
    const double pitch0 = pitch;
    for (double dy = -stage.range_deg; dy <= stage.range_deg + 1e-9; dy += stage.step_deg) {
      for (double dp = -stage.range_deg; dp <= stage.range_deg + 1e-9; dp += stage.step_deg) {
        const double agreement =
            Agreement(edges, direction(yaw0 + dy, pitch0 + dp), stage.tolerance_deg * kDegree);
        if (agreement > best) {
          best = agreement;
          yaw = yaw0 + dy;
          pitch = pitch0 + dp;
        }
      }
    }
  }
  return direction(yaw, pitch);
}

/// Normal of the plane through the camera and the row, pickups out of line left out.
Eigen::Vector3d RowPlaneNormal(const std::vector<Eigen::Vector3d>& rays) {
  std::vector<double> weights(rays.size(), 1.0);
  Eigen::Vector3d normal;
  for (int round = 0; round < 10; ++round) {
    Eigen::Matrix3d scatter = Eigen::Matrix3d::Zero();
    for (std::size_t i = 0; i < rays.size(); ++i) {
      scatter += weights[i] * rays[i] * rays[i].transpose();
    }
    normal = Eigen::SelfAdjointEigenSolver<Eigen::Matrix3d>(scatter).eigenvectors().col(0);
    for (std::size_t i = 0; i < rays.size(); ++i) {
      constexpr double kUsual = 0.001;  // 0.4 mm at 400 mm
      weights[i] = 1.0 / (1.0 + std::pow(normal.dot(rays[i]) / kUsual, 2));
    }
  }
  return normal;
}

/// Place of the first pickup from which the others follow at the notes' spacing along `x`; linear
/// least squares of the distances from the rays, camera frame.
Eigen::Vector3d FirstPickup(const std::vector<Eigen::Vector3d>& rays, const PickupRow& row,
                            const Eigen::Vector3d& x, double spacing_mm) {
  Eigen::Matrix3d normal = Eigen::Matrix3d::Zero();
  Eigen::Vector3d right = Eigen::Vector3d::Zero();
  for (std::size_t i = 0; i < rays.size(); ++i) {
    const Eigen::Matrix3d off_ray = Eigen::Matrix3d::Identity() - rays[i] * rays[i].transpose();
    normal += off_ray;
    right -= off_ray * (spacing_mm * row.pickups[i].index * x);
  }
  return normal.ldlt().solve(right);
}

}  // namespace

std::optional<Eigen::Isometry3d> PlaceHarp(const PhotoView& view, const PickupRow& row,
                                           const HarpPlaceOptions& options) {
  if (row.pickups.size() < kLeastPickups) return std::nullopt;
  const std::vector<Edge> edges = FindEdges(view, TineMask(view, row, options));
  if (edges.empty()) return std::nullopt;
  const Eigen::Matrix3d camera_from_carrier = view.camera_from_world.linear();
  std::vector<Eigen::Vector3d> rays;
  for (const RowPickup& p : row.pickups) {
    const Eigen::Vector3d at(p.plane_mm.x(), p.plane_mm.y(), options.row_z_mm);
    rays.push_back((view.camera_from_world * at).normalized());
  }
  const Eigen::Vector3d z = FindDirection(edges, camera_from_carrier, options.search_deg);
  Eigen::Vector3d x = RowPlaneNormal(rays).cross(z).normalized();
  if (x.dot(camera_from_carrier.col(0)) < 0.0) x = -x;
  const Eigen::Vector3d flange = FirstPickup(rays, row, x, options.note_spacing_mm);

  Eigen::Isometry3d camera_from_harp = Eigen::Isometry3d::Identity();
  camera_from_harp.linear() << x, z.cross(x), z;
  camera_from_harp.translation() = flange - options.flange_mm * z;
  const Eigen::Isometry3d carrier_from_first = view.camera_from_world.inverse() * camera_from_harp;
  const double first_x = carrier_from_first.translation().x();
  return carrier_from_first * Eigen::Translation3d(-first_x, 0.0, 0.0);
}

}  // namespace tinesight

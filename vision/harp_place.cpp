#include "vision/harp_place.hpp"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <opencv2/imgproc.hpp>
#include <vector>

#include "calibration/angle.hpp"

namespace tinesight {
namespace {

constexpr std::size_t kLeastEdges = 500;
constexpr std::size_t kLeastPickups = 4;
constexpr double kUsualPickupScatterRad = 0.001;  // about the row: 0.4 mm at 400 mm

// A rig is clamped square to a degree or two. Counts little against edges that agree: the share of
// all edges that has to agree better for a turn by one sigma to be believed.
constexpr double kSquareSigmaDeg = 2.0;
constexpr double kSquareShare = 0.0015;

/// An edge element: its ray, and the normal of the plane through it and the camera's center. All in
/// the camera frame.
struct Edge {
  Eigen::Vector3d ray;
  Eigen::Vector3d normal;
  double weight = 0.0;
};

/// Where tines and tone bars are seen, with room for a rig that is clamped askew: from the row
/// toward the mounts.
cv::Mat TineMask(const PhotoView& view, const PickupRow& row, const HarpPlaceOptions& o) {
  constexpr double kBeforePickupsMm = 4.0;
  constexpr double kToneBarsMm = 10.0;  // behind the tines, lower in the picture
  const double room_mm = 0.05 * o.reach_mm;
  std::vector<cv::Point> corners;
  const auto add = [&](const RowPickup& p, double aside_mm, double behind_mm,
                       double toward_mount_mm) {
    const Eigen::Vector3d corner(p.plane_mm.x() + aside_mm, p.plane_mm.y() + behind_mm,
                                 o.row_z_mm - toward_mount_mm);
    if (!view.InFront(corner)) return;
    const Eigen::Vector2d px = view.Project(corner);
    corners.emplace_back(cvRound(px.x()), cvRound(px.y()));
  };
  const double half = 0.5 * o.note_spacing_mm;
  add(row.pickups.front(), -half, 0.0, kBeforePickupsMm);
  add(row.pickups.back(), half, 0.0, kBeforePickupsMm);
  add(row.pickups.back(), half, kToneBarsMm + room_mm, o.reach_mm);
  add(row.pickups.front(), -half, kToneBarsMm + room_mm, o.reach_mm);
  cv::Mat mask(view.gray.size(), CV_8U, cv::Scalar(0));
  if (corners.size() == 4) cv::fillConvexPoly(mask, corners, cv::Scalar(255));
  return mask;
}

/// Edge elements with the direction that the picture has about them: the structure tensor over a
/// few pixels (J. Bigun and G. H. Granlund, ICCV 1987) tells a straight edge, which is coherent,
/// from grain, which is not.
std::vector<Edge> FindEdges(const PhotoView& view, const cv::Mat& mask) {
  constexpr double kNoiseSigmaPx = 1.5;
  constexpr double kTensorSigmaPx = 5.0;
  constexpr float kLeastCoherence = 0.6F;
  constexpr int kStepPx = 3;
  const cv::Rect box = cv::boundingRect(mask);
  if (box.area() == 0) return {};
  cv::Mat smooth;
  cv::Mat gx;
  cv::Mat gy;
  cv::GaussianBlur(view.gray(box), smooth, {}, kNoiseSigmaPx);
  cv::Scharr(smooth, gx, CV_32F, 1, 0, 1.0 / 32.0);
  cv::Scharr(smooth, gy, CV_32F, 0, 1, 1.0 / 32.0);
  // Strong edges must not drown other edges, nor weak shades turn the direction of edges.
  const double usual2 = std::pow(0.5 * (cv::mean(cv::abs(gx))[0] + cv::mean(cv::abs(gy))[0]), 2);
  cv::Mat gain = gx.mul(gx) + gy.mul(gy) + cv::Scalar(16.0 * usual2 + 1e-6);
  cv::Mat xx;
  cv::Mat xy;
  cv::Mat yy;
  cv::GaussianBlur(gx.mul(gx) / gain, xx, {}, kTensorSigmaPx);
  cv::GaussianBlur(gx.mul(gy) / gain, xy, {}, kTensorSigmaPx);
  cv::GaussianBlur(gy.mul(gy) / gain, yy, {}, kTensorSigmaPx);
  std::vector<Edge> edges;
  for (int r = 1; r < box.height - 1; r += kStepPx) {
    for (int c = 1; c < box.width - 1; c += kStepPx) {
      if (mask.at<uchar>(box.y + r, box.x + c) == 0) continue;
      const float sum = xx.at<float>(r, c) + yy.at<float>(r, c);
      const float difference = xx.at<float>(r, c) - yy.at<float>(r, c);
      const float spread = std::hypot(difference, 2.0F * xy.at<float>(r, c));
      if (!(spread > kLeastCoherence * sum) || sum < 0.1F) continue;
      const float across = 0.5F * std::atan2(2.0F * xy.at<float>(r, c), difference);
      const Eigen::Vector2d px(box.x + c, box.y + r);
      const Eigen::Vector2d along(-std::sin(across), std::cos(across));
      const Eigen::Vector3d ray = view.camera.Undistort(px).homogeneous().normalized();
      const Eigen::Vector3d next = view.camera.Undistort(px + 2.0 * along).homogeneous();
      edges.push_back({ray, ray.cross(next).normalized(), static_cast<double>(spread)});
    }
  }
  if (edges.size() < kLeastEdges) return {};
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
    const Eigen::Vector3d in_carrier(std::tan(yaw_deg * kRadPerDeg),
                                     std::tan(pitch_deg * kRadPerDeg), 1.0);
    return Eigen::Vector3d(rotation * in_carrier.normalized());
  };
  struct Stage {
    double range_deg, step_deg, tolerance_deg;
  };
  for (const Stage& stage :
       {Stage{search_deg, 0.5, 1.5}, Stage{0.6, 0.15, 1.0}, Stage{0.2, 0.05, 0.7}}) {
    double best = -1e9;
    const double yaw0 = yaw;
    const double pitch0 = pitch;
    for (double dy = -stage.range_deg; dy <= stage.range_deg + 1e-9; dy += stage.step_deg) {
      for (double dp = -stage.range_deg; dp <= stage.range_deg + 1e-9; dp += stage.step_deg) {
        const double squared = std::pow((yaw0 + dy) / kSquareSigmaDeg, 2) +
                               std::pow((pitch0 + dp) / kSquareSigmaDeg, 2);
        const double agreement =
            Agreement(edges, direction(yaw0 + dy, pitch0 + dp), stage.tolerance_deg * kRadPerDeg) -
            0.5 * kSquareShare * static_cast<double>(edges.size()) * squared;
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

/// The direction that is nearest to square to all of `lines`, those that do not fit left out.
Eigen::Vector3d CommonNormal(const std::vector<Eigen::Vector3d>& lines, double usual_rad) {
  std::vector<double> weights(lines.size(), 1.0);
  Eigen::Vector3d normal;
  for (int round = 0; round < 10; ++round) {
    Eigen::Matrix3d scatter = Eigen::Matrix3d::Zero();
    for (std::size_t i = 0; i < lines.size(); ++i) {
      scatter += weights[i] * lines[i] * lines[i].transpose();
    }
    normal = Eigen::SelfAdjointEigenSolver<Eigen::Matrix3d>(scatter).eigenvectors().col(0);
    for (std::size_t i = 0; i < lines.size(); ++i) {
      weights[i] = 1.0 / (1.0 + std::pow(normal.dot(lines[i]) / usual_rad, 2));
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

std::optional<Eigen::Vector3d> DirectionOfEdges(const PhotoView& view, const PickupRow& row,
                                                const HarpPlaceOptions& options) {
  if (row.pickups.empty()) return std::nullopt;
  const std::vector<Edge> edges = FindEdges(view, TineMask(view, row, options));
  if (edges.empty()) return std::nullopt;
  const Eigen::Matrix3d camera_from_carrier = view.camera_from_world.linear();
  return camera_from_carrier.transpose() *
         FindDirection(edges, camera_from_carrier, options.search_deg);
}

std::optional<Eigen::Isometry3d> PlaceHarp(const PhotoView& view, const PickupRow& row,
                                           const Eigen::Vector3d& direction,
                                           const HarpPlaceOptions& options) {
  if (row.pickups.size() < kLeastPickups) return std::nullopt;
  const Eigen::Matrix3d camera_from_carrier = view.camera_from_world.linear();
  std::vector<Eigen::Vector3d> rays;
  for (const RowPickup& p : row.pickups) {
    const Eigen::Vector3d at(p.plane_mm.x(), p.plane_mm.y(), options.row_z_mm);
    rays.push_back((view.camera_from_world * at).normalized());
  }
  const Eigen::Vector3d z = camera_from_carrier * direction.normalized();
  Eigen::Vector3d x = CommonNormal(rays, kUsualPickupScatterRad).cross(z).normalized();
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

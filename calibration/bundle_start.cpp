#include <cmath>
#include <limits>
#include <opencv2/calib3d.hpp>

#include "calibration/bundle.hpp"
#include "calibration/opencv_camera.hpp"

namespace tinesight {
namespace {

struct Guess {
  Eigen::Isometry3d camera_from_target = Eigen::Isometry3d::Identity();
  double rms_px = std::numeric_limits<double>::infinity();
};

Eigen::Isometry3d ToIsometry(const cv::Mat& rvec, const cv::Mat& tvec) {
  const Eigen::Vector3d w(rvec.at<double>(0), rvec.at<double>(1), rvec.at<double>(2));
  Eigen::Isometry3d pose = Eigen::Isometry3d::Identity();
  if (w.norm() > 0.0) pose.linear() = Eigen::AngleAxisd(w.norm(), w.normalized()).matrix();
  pose.translation() = Eigen::Vector3d(tvec.at<double>(0), tvec.at<double>(1), tvec.at<double>(2));
  return pose;
}

double RmsPx(const std::vector<cv::Point3d>& object, const std::vector<cv::Point2d>& image,
             const cv::Mat& rvec, const cv::Mat& tvec, const cv::Matx33d& matrix, double cap_px) {
  std::vector<cv::Point2d> projected;
  cv::projectPoints(object, rvec, tvec, matrix, cv::noArray(), projected);
  double sum = 0.0;
  for (std::size_t i = 0; i < image.size(); ++i) {
    const cv::Point2d d = projected[i] - image[i];
    // Capped: one mark taken for another must not decide between two focal lengths.
    sum += std::min(d.dot(d), cap_px * cap_px);
  }
  return std::sqrt(sum / static_cast<double>(image.size()));
}

Guess GuessPose(const std::vector<cv::Point3d>& object, const std::vector<cv::Point2d>& image,
                const Camera& camera) {
  const cv::Matx33d matrix = CameraMatrix(camera);
  Guess best;
  const auto consider = [&](cv::Mat rvec, cv::Mat tvec, bool refine) {
    if (refine) cv::solvePnPRefineLM(object, image, matrix, cv::noArray(), rvec, tvec);
    const Eigen::Isometry3d pose = ToIsometry(rvec, tvec);
    for (const cv::Point3d& p : object) {
      if (!((pose * Eigen::Vector3d(p.x, p.y, p.z)).z() > 0.0)) return;
    }
    const double rms = RmsPx(object, image, rvec, tvec, matrix,
                             0.025 * std::hypot(camera.width_px, camera.height_px));
    if (rms < best.rms_px) best = {pose, rms};
  };
  const double well_px = 0.01 * camera.width_px;
  for (const bool robust : {false, true}) {
    if (robust && best.rms_px < well_px) break;  // no gross outliers to search around
    try {
      cv::Mat rvec, tvec;
      if (robust) {
        cv::Mat inliers;
        if (cv::solvePnPRansac(object, image, matrix, cv::noArray(), rvec, tvec, false, 100,
                               static_cast<float>(well_px), 0.999, inliers, cv::SOLVEPNP_SQPNP)) {
          consider(rvec, tvec, false);
        }
      } else if (cv::solvePnP(object, image, matrix, cv::noArray(), rvec, tvec, false,
                              cv::SOLVEPNP_SQPNP)) {
        consider(rvec, tvec, true);
      }
    } catch (const cv::Exception&) {
      // A degenerate set of points: this way leads to no pose, the other may.
    }
  }
  return best;
}

void PointsOfPhoto(const BundleProblem& problem, const BundlePhoto& photo,
                   std::vector<cv::Point3d>& object, std::vector<cv::Point2d>& image) {
  for (const BundleObservation& o : photo.observations) {
    const BundlePoint& point = problem.points[static_cast<std::size_t>(o.point)];
    const Eigen::Vector3d p =
        problem.parts[static_cast<std::size_t>(point.part)].target_from_part * point.local_mm;
    object.emplace_back(p.x(), p.y(), p.z());
    image.emplace_back(o.position_px.x(), o.position_px.y());
  }
}

}  // namespace

Result<double> StartBundle(BundleProblem& problem, double focal_px) {
  if (problem.cameras.size() != 1) return Fail("start values are found for one camera at a time");
  Camera& camera = problem.cameras[0].camera;
  camera.cx_px = 0.5 * (camera.width_px - 1);
  camera.cy_px = 0.5 * (camera.height_px - 1);
  camera.distortion = {};
  const double diagonal_px = std::hypot(camera.width_px, camera.height_px);
  std::vector<double> focals_px = {focal_px};
  if (!(focal_px > 0.0)) {
    constexpr double kFilmDiagonalMm = 43.27;  // of the 36 × 24 mm frame that equivalents refer to
    focals_px.clear();
    for (double mm = 18.0; mm < 81.0; mm *= 1.16) {
      focals_px.push_back(diagonal_px * mm / kFilmDiagonalMm);
    }
  }
  double best = std::numeric_limits<double>::infinity();
  std::vector<Eigen::Isometry3d> best_poses;
  double best_focal_px = 0.0;
  std::string lost;
  for (const double f : focals_px) {
    camera.fx_px = camera.fy_px = f;
    double sum = 0.0;
    std::vector<Eigen::Isometry3d> poses(problem.photos.size());
    for (std::size_t i = 0; i < problem.photos.size(); ++i) {
      std::vector<cv::Point3d> object;
      std::vector<cv::Point2d> image;
      PointsOfPhoto(problem, problem.photos[i], object, image);
      const Guess guess = object.size() >= 6 ? GuessPose(object, image, camera) : Guess{};
      if (!std::isfinite(guess.rms_px)) lost = problem.photos[i].name;
      poses[i] = guess.camera_from_target;
      sum += guess.rms_px * guess.rms_px;
    }
    if (sum < best) {
      best = sum;
      best_poses = poses;
      best_focal_px = f;
    }
  }
  if (!std::isfinite(best)) {
    return Fail(lost + ": no camera pose fits the marks found in it; leave this photo out");
  }
  camera.fx_px = camera.fy_px = best_focal_px;
  problem.station_from_target.assign(best_poses.size(), Eigen::Isometry3d::Identity());
  for (std::size_t i = 0; i < best_poses.size(); ++i) {
    const auto station = static_cast<std::size_t>(problem.photos[i].station);
    problem.station_from_target[station] = best_poses[i];
  }
  return std::sqrt(best / static_cast<double>(problem.photos.size()));
}

}  // namespace tinesight

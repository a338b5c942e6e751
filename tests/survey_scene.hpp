#pragma once

// Synthetic observations of a rig that is not the one of the drawing: bars displaced by millimetres
// and degrees, print scale off, every mark off, ink spread by photo, autofocus.
#include <Eigen/Dense>
#include <array>
#include <cmath>
#include <random>
#include <string>
#include <vector>

#include "calibration/angle.hpp"
#include "calibration/survey.hpp"
#include "tests/facing_tag.hpp"

namespace tinesight::test {

constexpr int kWidth = 4032;
constexpr int kHeight = 3024;

/// The default strips, as a rig file.
inline Rig NominalRig(bool with_points) {
  Rig rig;
  struct Bar {
    int first_id;
    double y;
    double z;
  };
  for (const Bar bar : {Bar{0, -25.0, 30.0}, Bar{40, 17.0, -205.0}}) {
    for (int i = 0; i < 20; ++i) {
      rig.tags.push_back(FacingTag(bar.first_id + i, {(i - 9.5) * 18.0, bar.y, bar.z}, 0.1));
    }
    for (int j = 0; with_points && j < 21; ++j) {
      rig.points.push_back({bar.first_id + j, {(j - 10) * 18.0, bar.y, bar.z}, 0.1});
    }
  }
  return rig;
}

/// The rig that stands on the bench: both prints are 0.15 % short, every mark is off by up to some
/// hundredths, and the mount bar stands millimetres and a degree off.
inline Rig RealRig(const Rig& nominal, double jitter_mm, double wave_mm, std::mt19937& random) {
  std::normal_distribution<double> normal;
  const auto displaced = [&](const Eigen::Vector3d& p, const Eigen::Vector3d& jitter) {
    Eigen::Vector3d q = p;
    q.x() *= 0.9985;
    q += jitter;
    if (p.z() > 0.0) return q;
    const Eigen::Vector3d middle(0.0, 17.0, -205.0);
    const Eigen::AngleAxisd turn(1.2 * kRadPerDeg, Eigen::Vector3d(0.5, -0.6, 0.62).normalized());
    return Eigen::Vector3d(turn * (q - middle) + middle + Eigen::Vector3d(3.1, -2.2, 4.0));
  };
  const auto jitter = [&] {
    return Eigen::Vector3d(jitter_mm * normal(random), jitter_mm * normal(random),
                           std::hypot(jitter_mm, wave_mm) * normal(random));
  };
  Rig rig = nominal;
  for (RigTag& tag : rig.tags) {
    for (auto& corner : tag.corners_mm) corner = displaced(corner, jitter());
  }
  for (RigPoint& point : rig.points) point.position_mm = displaced(point.position_mm, jitter());
  return rig;
}

struct View {
  double azimuth_deg, elevation_deg, distance_mm, roll_deg;
  Eigen::Vector3d target;
};

inline const std::vector<View> kGoodViews = {
    {0, 22, 470, 1.5, {0, 0, -95}},      {-24, 34, 430, -3, {-10, 0, -90}},
    {26, 30, 420, 4, {20, 5, -90}},      {3, 48, 430, 90, {0, 10, -80}},
    {-14, 42, 400, -88, {0, -5, -95}},   {12, 14, 520, 178, {0, -40, -90}},
    {34, 40, 455, 42, {0, 0, -100}},     {-32, 24, 480, -14, {-35, 20, -70}},
    {-5, 58, 410, 8, {10, 0, -90}},      {18, 52, 400, 93, {60, 30, -90}},
    {-20, 18, 400, 10, {-40, -45, -60}}, {6, 36, 350, -30, {25, 40, -110}}};

inline Eigen::Isometry3d LookAt(const View& view) {
  const double a = view.azimuth_deg * kRadPerDeg;
  const double e = view.elevation_deg * kRadPerDeg;
  const double roll = view.roll_deg * kRadPerDeg;
  // In front of the mounts (−z) and, with the harp swung up, above as the camera sees it (−y).
  const Eigen::Vector3d eye =
      view.target + view.distance_mm * Eigen::Vector3d(std::sin(a) * std::cos(e), -std::sin(e),
                                                       -std::cos(a) * std::cos(e));
  const Eigen::Vector3d z = (view.target - eye).normalized();
  const Eigen::Vector3d x0 = Eigen::Vector3d::UnitY().cross(z).normalized();
  const Eigen::Vector3d y0 = z.cross(x0);
  Eigen::Isometry3d pose = Eigen::Isometry3d::Identity();
  pose.linear().row(0) = (std::cos(roll) * x0 + std::sin(roll) * y0).transpose();
  pose.linear().row(1) = (-std::sin(roll) * x0 + std::cos(roll) * y0).transpose();
  pose.linear().row(2) = z.transpose();
  pose.translation() = -pose.linear() * eye;
  return pose;
}

struct Scene {
  Rig nominal;
  Rig real;
  Camera camera;
  std::vector<SurveyPhoto> photos;
};

constexpr double kCornerNoise_px = 0.15;
constexpr double kPointNoise_px = 0.06;

struct SceneOptions {
  std::vector<View> views = kGoodViews;
  unsigned seed = 1;
  bool with_points = true;
  int wrong_tags = 0;  ///< tags taken for another, in the second photo
  bool pickup_bar_only = false;
  double jitter_mm = 0.03;  ///< of each mark in the strip
  double wave_mm = 0.05;    ///< of each mark out of the strip's plane
  double shift_px = 0.0;    ///< standard deviation of the photos' principal points
  double window = 1.0;      ///< only marks within this middle share of the image are found
};

inline Camera TrueCamera() {
  Camera camera;
  camera.width_px = kWidth;
  camera.height_px = kHeight;
  camera.fx_px = 3081.4;
  camera.fy_px = 3079.0;
  camera.cx_px = 2021.3;
  camera.cy_px = 1506.8;
  camera.distortion = {-0.0603, 0.0297, 0.00031, -0.00042, 0.004};
  return camera;
}

inline RigObservations Observe(const Scene& scene, const SceneOptions& options, const View& view,
                               double focal_scale, const Eigen::Vector2d& shift_px,
                               double growth_mm, std::mt19937& random) {
  std::normal_distribution<double> normal;
  const Eigen::Isometry3d camera_from_rig = LookAt(view);
  const Camera camera = scene.camera.Adjusted(focal_scale, shift_px.x(), shift_px.y());
  const auto see = [&](const Eigen::Vector3d& p, double noise) -> Eigen::Vector2d {
    return camera.Project(camera_from_rig * p) +
           noise * Eigen::Vector2d(normal(random), normal(random));
  };
  const auto visible = [&](const Eigen::Vector2d& p) {
    const double margin = 0.5 * (1.0 - options.window);
    return p.x() > margin * kWidth && p.x() < (1.0 - margin) * kWidth - 1 &&
           p.y() > margin * kHeight && p.y() < (1.0 - margin) * kHeight - 1;
  };
  RigObservations seen;
  for (const RigTag& tag : scene.real.tags) {
    if (options.pickup_bar_only && tag.id >= 40) continue;
    TagObservation o;
    o.id = tag.id;
    o.sigma_px = 0.3;  // as stated; the survey must find that it is half of it
    bool whole = true;
    for (std::size_t k = 0; k < 4; ++k) {
      const auto& c = tag.corners_mm;
      const Eigen::Vector3d outward =
          (c[k] - c[(k + 1) % 4]).normalized() + (c[k] - c[(k + 3) % 4]).normalized();
      o.corners_px[k] = see(c[k] + growth_mm * outward, kCornerNoise_px);
      whole = whole && visible(o.corners_px[k]);
    }
    if (whole) seen.tags.push_back(o);
  }
  for (const RigPoint& point : scene.real.points) {
    if (options.pickup_bar_only && point.id >= 40) continue;
    const PointObservation o{point.id, see(point.position_mm, kPointNoise_px), 0.1};
    if (visible(o.position_px)) seen.points.push_back(o);
  }
  return seen;
}

inline Scene MakeScene(const SceneOptions& options) {
  std::mt19937 random(options.seed);
  std::uniform_real_distribution<double> uniform(-1.0, 1.0);
  Scene scene;
  scene.nominal = NominalRig(options.with_points);
  scene.real = RealRig(scene.nominal, options.jitter_mm, options.wave_mm, random);
  scene.camera = TrueCamera();
  // The camera's focal length and principal point are those of the photos' mean: that is their
  // definition.
  std::normal_distribution<double> normal;
  std::vector<Eigen::Vector3d> adjust;
  Eigen::Vector3d mean = Eigen::Vector3d::Zero();
  for (std::size_t i = 0; i < options.views.size(); ++i) {
    adjust.emplace_back(1.0 + 0.015 * uniform(random), options.shift_px * normal(random),
                        options.shift_px * normal(random));
    mean += adjust.back() / static_cast<double>(options.views.size());
  }
  for (std::size_t i = 0; i < options.views.size(); ++i) {
    const double growth_mm = 0.04 + 0.03 * uniform(random);
    const Eigen::Vector2d shift_px = (adjust[i] - mean).tail<2>();
    scene.photos.push_back({"photo " + std::to_string(i + 1),
                            Observe(scene, options, options.views[i], adjust[i].x() / mean.x(),
                                    shift_px, growth_mm, random)});
  }
  auto& tags = scene.photos.at(1).observations.tags;
  for (int i = 0; i < options.wrong_tags; ++i) {
    tags[static_cast<std::size_t>(i)].id = tags[tags.size() - 1 - static_cast<std::size_t>(i)].id;
  }
  return scene;
}

inline SurveyOptions Options() {
  SurveyOptions options;
  options.width_px = kWidth;
  options.height_px = kHeight;
  return options;
}

inline std::array<double, 9> Numbers(const Camera& c) {
  const auto& d = c.distortion;
  return {c.fx_px, c.fy_px, c.cx_px, c.cy_px, d[0], d[1], d[2], d[3], d[4]};
}

inline std::vector<Eigen::Vector3d> Marks(const Rig& rig) {
  std::vector<Eigen::Vector3d> marks;
  for (const RigTag& tag : rig.tags) {
    marks.insert(marks.end(), tag.corners_mm.begin(), tag.corners_mm.end());
  }
  for (const RigPoint& point : rig.points) marks.push_back(point.position_mm);
  return marks;
}

inline std::vector<double> MarkUncertainties(const Rig& rig) {
  std::vector<double> u;
  for (const RigTag& tag : rig.tags) u.insert(u.end(), 4, tag.u_mm);
  for (const RigPoint& point : rig.points) u.push_back(point.u_mm);
  return u;
}

/// What remains of the surveyed marks' errors after the best similarity (frame and scale are
/// conventions of the survey), mm.
inline std::vector<Eigen::Vector3d> ShapeErrors(const Rig& surveyed, const Rig& real) {
  const auto is = Marks(surveyed);
  const auto should = Marks(real);
  Eigen::Matrix3Xd a(3, is.size()), b(3, is.size());
  for (std::size_t i = 0; i < is.size(); ++i) {
    a.col(static_cast<Eigen::Index>(i)) = is[i];
    b.col(static_cast<Eigen::Index>(i)) = should[i];
  }
  const Eigen::Matrix4d fit = Eigen::umeyama(a, b, true);
  std::vector<Eigen::Vector3d> errors;
  for (std::size_t i = 0; i < is.size(); ++i) {
    errors.emplace_back((fit * is[i].homogeneous()).head<3>() - should[i]);
  }
  return errors;
}

inline double MeanSquare(const std::vector<Eigen::Vector3d>& errors) {
  double sum = 0.0;
  for (const auto& e : errors) sum += e.squaredNorm() / 3.0 / static_cast<double>(errors.size());
  return sum;
}

/// What the photo shows when its middle is cut out and enlarged to the same size, as by a digital
/// zoom: of the lens only the focal length changes.
inline void Zoom(double factor, SurveyPhoto& photo) {
  const Eigen::Vector2d middle_px(0.5 * (kWidth - 1), 0.5 * (kHeight - 1));
  const auto outside = [&](Eigen::Vector2d& mark_px) {
    mark_px = middle_px + factor * (mark_px - middle_px);
    return mark_px.x() < 0 || mark_px.x() > kWidth - 1 || mark_px.y() < 0 ||
           mark_px.y() > kHeight - 1;
  };
  std::erase_if(photo.observations.tags, [&](TagObservation& tag) {
    int lost = 0;
    for (auto& corner : tag.corners_px) lost += outside(corner) ? 1 : 0;
    return lost > 0;
  });
  std::erase_if(photo.observations.points,
                [&](PointObservation& point) { return outside(point.position_px); });
}

}  // namespace tinesight::test

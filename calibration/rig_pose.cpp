#include "calibration/rig_pose.hpp"

#include <Eigen/Eigenvalues>
#include <algorithm>
#include <cmath>
#include <limits>
#include <map>
#include <set>

#include "calibration/angle.hpp"
#include "calibration/formatted.hpp"
#include "calibration/median.hpp"
#include "calibration/rig_bars.hpp"
#include "calibration/rig_pose_seeds.hpp"
#include "calibration/rig_pose_solver.hpp"

namespace tinesight {
namespace {

constexpr int kMinTags = 4;
constexpr double kOutlierScales = 5.0;      // robust standard deviations
constexpr double kMaxTurnRad = M_PI / 3.0;  // of the rig's x axis from "to the right"
constexpr double kAmbiguousCostRatio = 1.5;

/// One photo's observations on the way to a pose.
struct Work {
  const RigObservations& observations;
  const Rig& rig;
  const Camera& camera;
  const RigPoseOptions& options;
  RigBars bars;
  std::vector<PoseMeasurement> measurements;
  PoseState state;
  std::vector<std::string> warnings;
};

int BarOfTag(const Work& work, const RigTag& tag) {
  return work.bars.bar_of_tag[static_cast<std::size_t>(&tag - work.rig.tags.data())];
}

void CollectMeasurements(Work& work) {
  // Outward along the diagonal: each edge moves out by the growth.
  static const double sign_right[4] = {-1, 1, 1, -1};
  static const double sign_down[4] = {-1, -1, 1, 1};
  for (std::size_t i = 0; i < work.observations.tags.size(); ++i) {
    const TagObservation& seen = work.observations.tags[i];
    const RigTag* tag = work.rig.FindTag(seen.id);
    if (tag == nullptr) continue;
    const TagAxes axes = AxesOfTag(*tag);
    for (std::size_t k = 0; k < 4; ++k) {
      PoseMeasurement m;
      m.position_mm = tag->corners_mm[k];
      m.outward = sign_right[k] * axes.right + sign_down[k] * axes.down;
      m.observed_px = seen.corners_px[k];
      m.picture_sigma_px = seen.sigma_px;
      m.rig_u_mm = tag->u_mm;
      m.bar = BarOfTag(work, *tag);
      m.tag = static_cast<int>(i);
      work.measurements.push_back(m);
    }
  }
  for (std::size_t i = 0; i < work.observations.points.size(); ++i) {
    const PointObservation& seen = work.observations.points[i];
    const RigPoint* point = work.rig.FindPoint(seen.id);
    if (point == nullptr) continue;
    PoseMeasurement m;
    m.position_mm = point->position_mm;
    m.observed_px = seen.position_px;
    m.picture_sigma_px = seen.sigma_px;
    m.rig_u_mm = point->u_mm;
    m.bar = work.bars.bar_of_point[static_cast<std::size_t>(point - work.rig.points.data())];
    m.point = static_cast<int>(i);
    work.measurements.push_back(m);
  }
}

/// Tags still in use, by bar.
std::vector<int> TagsByBar(const Work& work) {
  std::vector<std::set<int>> seen(static_cast<std::size_t>(work.bars.Count()));
  for (const PoseMeasurement& m : work.measurements) {
    if (m.IsCorner()) seen[static_cast<std::size_t>(m.bar)].insert(m.tag);
  }
  std::vector<int> counts;
  counts.reserve(seen.size());
  for (const auto& tags : seen) counts.push_back(static_cast<int>(tags.size()));
  return counts;
}

Result<void> CheckEnoughSeen(const Work& work) {
  const std::vector<int> counts = TagsByBar(work);
  int total = 0;
  int bars_seen = 0;
  std::size_t seen_bar = 0;
  for (std::size_t bar = 0; bar < counts.size(); ++bar) {
    total += counts[bar];
    if (counts[bar] > 0) {
      ++bars_seen;
      seen_bar = bar;
    }
  }
  const std::string all = std::to_string(work.rig.tags.size());
  if (total == 0) {
    return Fail(
        "no tag of the rig found; take the photo with both bars of the rig in view and the "
        "pickups in focus");
  }
  const std::string found = "found " + std::to_string(total) + " of " + all + " tags";
  if (bars_seen == 1) {
    if (counts.size() == 1) {
      return Fail(found +
                  ", but all tags of the rig file lie at one depth, which fixes no view "
                  "direction; use a rig with two bars");
    }
    std::string missing = "the other bars";
    if (counts.size() == 2) missing = "the whole " + work.bars.names[1 - seen_bar];
    return Fail(found + ", all on the " + work.bars.names[seen_bar] + "; take the photo with " +
                missing + " in view");
  }
  if (total < kMinTags) {
    return Fail(found + ", too few for a pose; take the photo with both bars of the rig in view");
  }
  return {};
}

/// A tag is only ever read the right way round, so corners that run the other way round say that
/// the positions were mirrored.
Result<void> CheckNotMirrored(const Work& work) {
  int mirrored = 0;
  int tags = 0;
  for (const TagObservation& seen : work.observations.tags) {
    if (work.rig.FindTag(seen.id) == nullptr) continue;
    double area = 0.0;
    for (std::size_t k = 0; k < 4; ++k) {
      const Eigen::Vector2d& a = seen.corners_px[k];
      const Eigen::Vector2d& b = seen.corners_px[(k + 1) % 4];
      area += a.x() * b.y() - a.y() * b.x();
    }
    ++tags;
    if (area < 0.0) ++mirrored;
  }
  if (2 * mirrored > tags) {
    return Fail(
        "the picture is mirrored: the tags' corners run the wrong way round; use the photo "
        "as the camera took it");
  }
  return {};
}

double WhitenedNorm(const PoseMeasurement& m, const Work& work) {
  const auto residual = PoseResidualPx(m, work.state, work.camera);
  return residual ? residual->norm() / m.sigma_px : std::numeric_limits<double>::infinity();
}

double AngleBetween(const Eigen::Isometry3d& a, const Eigen::Isometry3d& b) {
  return Eigen::AngleAxisd(a.linear() * b.linear().transpose()).angle();
}

/// The best minimum over all seeds; says so where another one is nearly as good.
Result<void> SolveFromSeeds(Work& work) {
  struct Minimum {
    double cost;
    PoseState state;
  };
  std::vector<Minimum> minima;
  for (const Eigen::Isometry3d& seed :
       PoseSeeds(work.measurements, work.bars.Count(), work.camera)) {
    PoseState state;
    state.camera_from_rig = seed;
    state.growth_mm.assign(static_cast<std::size_t>(work.bars.Count()), 0.0);
    UpdateSigmas(state, work.camera, {}, work.measurements);
    auto cost =
        MinimizePose(work.measurements, work.camera, work.options, PoseLoss::kCauchy, state);
    if (!cost) continue;
    // Again with the sigmas of this pose, so that the costs of all seeds compare.
    UpdateSigmas(state, work.camera, {}, work.measurements);
    cost = MinimizePose(work.measurements, work.camera, work.options, PoseLoss::kCauchy, state);
    if (cost) minima.push_back({*cost, state});
  }
  if (minima.empty()) {
    return Fail(
        "no pose of the rig fits the tags found; check that the rig file and the camera "
        "file belong to this photo");
  }
  const auto best = std::min_element(minima.begin(), minima.end(),
                                     [](const auto& a, const auto& b) { return a.cost < b.cost; });
  work.state = best->state;
  for (const Minimum& other : minima) {
    const double turn_rad = AngleBetween(other.state.camera_from_rig, best->state.camera_from_rig);
    if (turn_rad < 0.02 || other.cost > kAmbiguousCostRatio * best->cost + 10.0) continue;
    work.warnings.push_back("the pose is ambiguous: another one, turned by " +
                            Formatted("%.1f", turn_rad * kDegPerRad) + "°, fits nearly as well");
    break;
  }
  return {};
}

/// Robust standard deviation of the whitened residuals: the median length of a two-dimensional
/// normal residual is 1.1774 sigma.
double RobustScaleOf(const std::vector<double>& norms) {
  return std::max(MedianOf(norms) / 1.1774, 0.05);
}

/// Drops tags and points that contradict the rest. True if any was dropped.
bool DropOutliers(Work& work) {
  UpdateSigmas(work.state, work.camera, {}, work.measurements);
  std::vector<double> norms;
  for (const PoseMeasurement& m : work.measurements) norms.push_back(WhitenedNorm(m, work));
  const double limit = kOutlierScales * RobustScaleOf(norms);
  std::map<int, double> tag_square;  // mean square of the whitened residuals of a tag's corners
  std::map<int, double> tag_px;
  for (std::size_t i = 0; i < norms.size(); ++i) {
    const PoseMeasurement& m = work.measurements[i];
    if (!m.IsCorner()) continue;
    tag_square[m.tag] += 0.25 * norms[i] * norms[i];
    tag_px[m.tag] = std::max(tag_px[m.tag], norms[i] * m.sigma_px);
  }
  std::set<int> bad_tags;
  for (const auto& [tag, square] : tag_square) {
    if (!(std::sqrt(square) <= limit)) {
      bad_tags.insert(tag);
      work.warnings.push_back(
          "tag " + std::to_string(work.observations.tags[static_cast<std::size_t>(tag)].id) +
          " was not used: it is " + Formatted("%.1f", tag_px[tag]) +
          " px from where the others put it");
    }
  }
  std::vector<PoseMeasurement> kept;
  for (std::size_t i = 0; i < norms.size(); ++i) {
    const PoseMeasurement& m = work.measurements[i];
    const bool bad = m.IsCorner() ? bad_tags.count(m.tag) > 0 : !(norms[i] <= limit);
    if (!bad) kept.push_back(m);
  }
  const bool any = kept.size() < work.measurements.size();
  work.measurements = std::move(kept);
  return any;
}

Result<void> SolveWithoutOutliers(Work& work) {
  const int tags_before = static_cast<int>(work.observations.tags.size());
  for (int round = 0; round < 4 && DropOutliers(work); ++round) {
    if (auto enough = CheckEnoughSeen(work); !enough) {
      return Fail(enough.error().message + " (after leaving out tags that contradict the others)");
    }
    if (!MinimizePose(work.measurements, work.camera, work.options, PoseLoss::kCauchy,
                      work.state)) {
      return Fail("the pose of the rig does not settle; check the rig file and the camera file");
    }
  }
  int used = 0;
  for (const int count : TagsByBar(work)) used += count;
  if (3 * used < tags_before) {
    return Fail("only " + std::to_string(used) + " of " + std::to_string(tags_before) +
                " tags found agree on a pose; check that the rig file belongs to this rig");
  }
  return {};
}

/// Noise of each measurement against its stated sigma, estimated from the residuals of its group:
/// corners and points of each bar apart, because blur differs from bar to bar. Small groups take
/// the scale of all. `degrees` is the number of parameters that the measurements determine.
std::vector<double> NoiseScales(const Work& work, double degrees) {
  const auto group_of = [](const PoseMeasurement& m) { return 2 * m.bar + (m.IsCorner() ? 1 : 0); };
  std::map<int, double> square;
  std::map<int, double> count;
  double total_square = 0.0;
  double total = 0.0;
  for (const PoseMeasurement& m : work.measurements) {
    const double norm = WhitenedNorm(m, work);
    square[group_of(m)] += norm * norm;
    count[group_of(m)] += 2.0;
    total_square += norm * norm;
    total += 2.0;
  }
  // Each group carries its share of the parameters.
  const double freedom = std::max(0.1, 1.0 - degrees / total);
  const double pooled = std::sqrt(total_square / (total * freedom));
  std::vector<double> scales;
  for (const PoseMeasurement& m : work.measurements) {
    const int group = group_of(m);
    double scale = pooled;
    if (count[group] >= 40.0) {
      scale = std::clamp(std::sqrt(square[group] / (count[group] * freedom)), 0.5 * pooled,
                         2.0 * pooled);
    }
    // 1e-3: residuals of exactly zero must leave a solvable problem.
    scales.push_back(std::max(scale, 1e-3));
  }
  return scales;
}

/// How many parameters the measurements, and not the priors, determine.
double DegreesFromMeasurements(const Work& work, const Eigen::MatrixXd& covariance) {
  double degrees = static_cast<double>(covariance.rows());
  const auto take = [&](int row, double prior_sigma) {
    degrees -= std::min(1.0, covariance(row, row) / (prior_sigma * prior_sigma));
  };
  take(6, work.options.focal_scale_sigma);
  take(7, work.options.principal_point_sigma_px);
  take(8, work.options.principal_point_sigma_px);
  for (int row = 9; row < covariance.rows(); ++row) take(row, kGrowthSigmaMm);
  return degrees;
}

/// The final solve: least squares (Huber far out) with the noise that the residuals show, the
/// priors as stated. Returns the covariance.
Result<Eigen::MatrixXd> SolveWithObservedNoise(Work& work) {
  const std::string unsettled =
      "the pose of the rig is not determined by the tags found; take the photo with more of both "
      "bars in view";
  std::vector<double> scales;
  Eigen::MatrixXd covariance;
  for (int round = 0; round < 4; ++round) {
    UpdateSigmas(work.state, work.camera, scales, work.measurements);
    if (!MinimizePose(work.measurements, work.camera, work.options, PoseLoss::kHuber, work.state)) {
      return Fail(unsettled);
    }
    const auto now = PoseCovariance(work.measurements, work.camera, work.options, work.state);
    if (!now) return Fail(unsettled);
    covariance = *now;
    UpdateSigmas(work.state, work.camera, {}, work.measurements);
    if (round < 3) scales = NoiseScales(work, DegreesFromMeasurements(work, covariance));
  }
  return covariance;
}

Result<void> CheckUpright(const Work& work) {
  // Taken in the middle of what was seen, where the picture of the x axis is well defined.
  Eigen::Vector3d middle = Eigen::Vector3d::Zero();
  for (const PoseMeasurement& m : work.measurements) {
    middle += m.position_mm / static_cast<double>(work.measurements.size());
  }
  const Eigen::Vector3d a = work.state.camera_from_rig * middle;
  const Eigen::Vector3d b = work.state.camera_from_rig * (middle + Eigen::Vector3d::UnitX());
  const Eigen::Vector2d right = b.head<2>() / b.z() - a.head<2>() / a.z();
  const double turn_rad = std::atan2(right.y(), right.x());
  if (std::abs(turn_rad) <= kMaxTurnRad) return {};
  const char* where = "left";
  if (std::abs(turn_rad) < M_PI * 0.75) where = turn_rad > 0.0 ? "down" : "up";
  return Fail(std::string("the picture is turned: treble points ") + where +
              " in it and not to the right (by " + Formatted("%.0f", turn_rad * kDegPerRad) +
              "° clockwise); turn the photo upright or take it with the phone level");
}

void AddWarnings(const Work& work, RigPose& pose) {
  pose.warnings = work.warnings;
  const std::vector<int> counts = TagsByBar(work);
  for (std::size_t bar = 0; bar < counts.size(); ++bar) {
    if (counts[bar] >= 3) continue;
    pose.warnings.push_back("only " + std::to_string(counts[bar]) +
                            (counts[bar] == 1 ? " tag" : " tags") + " of the " +
                            work.bars.names[bar] + " used: depth and view direction are less sure");
  }
  if (std::abs(pose.focal_scale - 1.0) > 3.0 * work.options.focal_scale_sigma) {
    pose.warnings.push_back("the focal length is " +
                            Formatted("%+.1f", 100.0 * (pose.focal_scale - 1.0)) +
                            " % off the calibration: check that the camera file belongs to this "
                            "photo");
  }
}

RigPose Summarize(const Work& work, const Eigen::MatrixXd& covariance) {
  RigPose pose;
  pose.camera_from_rig = work.state.camera_from_rig;
  pose.focal_scale = work.state.focal_scale;
  pose.principal_point_shift_px = work.state.shift_px;
  pose.edge_growth_mm = work.state.growth_mm;
  pose.covariance = covariance.topLeftCorner<9, 9>();
  double square_px = 0.0;
  for (const PoseMeasurement& m : work.measurements) {
    const double norm_px = WhitenedNorm(m, work) * m.sigma_px;
    square_px += norm_px * norm_px;
    if (!m.IsCorner()) ++pose.points_used;
  }
  pose.rms_px = std::sqrt(square_px / static_cast<double>(work.measurements.size()));
  int bars_used = 0;
  for (const int count : TagsByBar(work)) {
    pose.tags_used += count;
    if (count > 0) ++bars_used;
  }
  pose.both_bars = bars_used >= 2;
  AddWarnings(work, pose);
  return pose;
}

}  // namespace

Result<void> RigPoseOptions::Validate() const {
  const auto positive = [](const char* name, double value) -> Result<void> {
    if (value > 0.0 && std::isfinite(value)) return {};
    return Fail(std::string(name) + " is " + std::to_string(value) + "; it must be above 0");
  };
  if (auto ok = positive("focal_scale_sigma", focal_scale_sigma); !ok) return ok;
  if (auto ok = positive("principal_point_sigma_px", principal_point_sigma_px); !ok) return ok;
  return positive("max_rms_px", max_rms_px);
}

Result<RigPose> SolveRigPose(const RigObservations& observations, const Rig& rig,
                             const Camera& camera, const RigPoseOptions& options) {
  if (auto valid = options.Validate(); !valid) return Fail(valid.error().message);
  Work work{observations, rig, camera, options, FindRigBars(rig), {}, {}, {}};
  CollectMeasurements(work);
  if (auto enough = CheckEnoughSeen(work); !enough) return Fail(enough.error().message);
  if (auto straight = CheckNotMirrored(work); !straight) return Fail(straight.error().message);
  if (auto solved = SolveFromSeeds(work); !solved) return Fail(solved.error().message);
  if (auto kept = SolveWithoutOutliers(work); !kept) return Fail(kept.error().message);
  const auto covariance = SolveWithObservedNoise(work);
  if (!covariance) return Fail(covariance.error().message);
  if (auto upright = CheckUpright(work); !upright) return Fail(upright.error().message);
  RigPose pose = Summarize(work, *covariance);
  if (!(pose.rms_px <= options.max_rms_px)) {
    return Fail("the rig's tags fit to " + Formatted("%.1f", pose.rms_px) + " px only (limit " +
                Formatted("%.1f", options.max_rms_px) +
                " px); check that the rig file and the camera file belong to this photo");
  }
  return pose;
}

}  // namespace tinesight

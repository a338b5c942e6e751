#include "calibration/survey.hpp"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <iomanip>
#include <limits>
#include <map>
#include <sstream>

#include "calibration/bundle.hpp"
#include "calibration/rig_bars.hpp"

namespace tinesight {
namespace {

constexpr int kCornerGroup = 0;
constexpr int kPointGroup = 1;
constexpr int kLeastTags = 6;          // of a usable photo: 24 corners for 6 + 3 unknowns
constexpr int kLeastPhotos = 5;
constexpr int kLeastLinkingPhotos = 3;  // that show both bars
constexpr double kLeastCoverage = 0.40;
constexpr double kLeastTilt_rad = 10.0 * M_PI / 180.0;
constexpr double kMostFocalUncertainty = 0.01;
constexpr double kMostRmsShare = 1.0 / 1000.0;  // of the image's diagonal

std::string Round(double value, int digits) {
  std::ostringstream text;
  text << std::fixed << std::setprecision(digits) << value;
  return text.str();
}

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

/// The bundle of a rig, and where each mark of the rig is among its points.
struct RigBundle {
  BundleProblem problem;
  RigBars bars;
  std::vector<std::size_t> corner_point;  ///< by tag: index of its first corner
  std::vector<std::size_t> point_point;   ///< by point
  std::vector<Eigen::Isometry3d> nominal_pose;
};

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

/// The photos that can be used, into the bundle; refuses where there are too few.
Result<void> AddPhotos(const std::vector<SurveyPhoto>& photos, const Rig& rig,
                       const SurveyOptions& options, RigBundle& bundle, Survey& survey) {
  int usable = 0;
  int linking = 0;
  std::vector<bool> seen(static_cast<std::size_t>(bundle.bars.Count()), false);
  for (const SurveyPhoto& photo : photos) {
    SurveyPhotoReport report;
    report.name = photo.name;
    std::vector<bool> sees_bar(seen.size(), false);
    BundlePhoto added = MakeBundlePhoto(photo, rig, bundle, report, sees_bar);
    report.used = report.tags >= kLeastTags;
    if (report.used) {
      for (std::size_t bar = 0; bar < seen.size(); ++bar) seen[bar] = seen[bar] || sees_bar[bar];
      report.pose.both_bars = std::count(sees_bar.begin(), sees_bar.end(), true) > 1;
      linking += report.pose.both_bars ? 1 : 0;
      added.station = usable++;
      for (const auto& o : added.observations) {
        report.coverage.Add(o.position_px, options.width_px, options.height_px);
      }
      survey.coverage.Add(report.coverage);
      bundle.problem.photos.push_back(std::move(added));
    } else {
      report.reason = "shows " + std::to_string(report.tags) + " tags of the rig, at least " +
                      std::to_string(kLeastTags) + " are needed";
    }
    survey.photos.push_back(std::move(report));
  }
  if (usable < kLeastPhotos) {
    return Fail("only " + std::to_string(usable) + " of " + std::to_string(photos.size()) +
                " photos show at least " + std::to_string(kLeastTags) +
                " tags of the rig, a calibration needs " + std::to_string(kLeastPhotos) +
                " (better 12); take more photos with both bars sharp and in view");
  }
  if (seen.size() == 1) {
    return Fail("the rig file has one bar only; the focal length needs marks in two depths: name "
                "a rig file with a pickup bar and a mount bar");
  }
  for (std::size_t bar = 0; bar < seen.size(); ++bar) {
    if (seen[bar]) continue;
    return Fail("no photo shows the " + bundle.bars.names[bar] +
                ", and the rig cannot be surveyed from one bar only; take photos with both bars "
                "in view");
  }
  if (linking < kLeastLinkingPhotos) {
    return Fail("only " + std::to_string(linking) + " photos show both bars, at least " +
                std::to_string(kLeastLinkingPhotos) +
                " must, to tell how the bars stand to each other; take photos with both in view");
  }
  if (options.refuse_poor_sets && survey.coverage.Share() < kLeastCoverage) {
    const auto empty = EmptyRegions(survey.coverage);
    return Fail("the rig covers only " + Round(100.0 * survey.coverage.Share(), 0) +
                " % of the image in all photos together, at least " +
                Round(100.0 * kLeastCoverage, 0) + " % is needed; take photos with the rig in the " +
                (empty.empty() ? std::string("rest of the image") : empty.front()));
  }
  return {};
}

/// Uncertainty of each point's coordinate (mean over the axes) when the points themselves carry
/// the frame: the covariance projected across shifts, turns and the common scale.
std::vector<double> ShapeUncertainty(const std::vector<Eigen::Vector3d>& points,
                                     const Eigen::MatrixXd& covariance) {
  const auto n = static_cast<Eigen::Index>(points.size());
  Eigen::Vector3d middle = Eigen::Vector3d::Zero();
  for (const auto& p : points) middle += p / static_cast<double>(n);
  Eigen::MatrixXd basis = Eigen::MatrixXd::Zero(3 * n, 7);
  for (Eigen::Index i = 0; i < n; ++i) {
    const Eigen::Vector3d d = points[static_cast<std::size_t>(i)] - middle;
    basis.block<3, 3>(3 * i, 0).setIdentity();
    for (int axis = 0; axis < 3; ++axis) {
      basis.block<3, 1>(3 * i, 3 + axis) = Eigen::Vector3d::Unit(axis).cross(d);
    }
    basis.block<3, 1>(3 * i, 6) = d;
  }
  const Eigen::MatrixXd q =
      Eigen::HouseholderQR<Eigen::MatrixXd>(basis).householderQ() *
      Eigen::MatrixXd::Identity(3 * n, 7);
  // P C P with P = I − q qᵀ; of it only the diagonal is wanted.
  const Eigen::MatrixXd cq = covariance * q;
  const Eigen::MatrixXd qqcq = q * (q.transpose() * cq);
  std::vector<double> u;
  for (Eigen::Index i = 0; i < n; ++i) {
    double variance = 0.0;
    for (Eigen::Index row = 3 * i; row < 3 * i + 3; ++row) {
      variance += covariance(row, row) - 2.0 * cq.row(row).dot(q.row(row)) +
                  qqcq.row(row).dot(q.row(row));
    }
    u.push_back(std::sqrt(std::max(variance / 3.0, 0.0)));
  }
  return u;
}

Rig SurveyedRig(const Rig& nominal, const RigBundle& bundle, const BundleResult& result) {
  constexpr double kLeastU_mm = 0.002;
  const auto u = ShapeUncertainty(result.points_mm, result.point_covariance);
  Rig rig = nominal;
  for (std::size_t i = 0; i < rig.tags.size(); ++i) {
    double sum = 0.0;
    for (std::size_t k = 0; k < 4; ++k) {
      const std::size_t point = bundle.corner_point[i] + k;
      rig.tags[i].corners_mm[k] = result.points_mm[point];
      sum += u[point] * u[point];
    }
    rig.tags[i].u_mm = std::max(std::sqrt(sum / 4.0), kLeastU_mm);
  }
  for (std::size_t i = 0; i < rig.points.size(); ++i) {
    rig.points[i].position_mm = result.points_mm[bundle.point_point[i]];
    rig.points[i].u_mm = std::max(u[bundle.point_point[i]], kLeastU_mm);
  }
  return rig;
}

void ReportPhotos(const BundleResult& result, const Rig& rig, Survey& survey) {
  Eigen::Vector3d middle = Eigen::Vector3d::Zero();
  for (const RigTag& tag : rig.tags) {
    middle += tag.CenterMm() / static_cast<double>(rig.tags.size());
  }
  std::vector<double> rms;
  std::vector<std::size_t> report_of;
  std::vector<Eigen::Vector3d> directions;
  std::size_t next = 0;
  for (std::size_t i = 0; i < survey.photos.size(); ++i) {
    SurveyPhotoReport& report = survey.photos[i];
    if (!report.used) continue;
    const BundlePhotoResult& photo = result.photos[next++];
    report.rms_px = photo.rms_px;
    report.rejected = photo.rejected_count;
    report.focal_scale_u = photo.focal_scale_u;
    report.pose.camera_from_rig = photo.camera_from_target;
    report.pose.focal_scale = photo.focal_scale;
    report.pose.principal_point_shift_px = photo.principal_shift_px;
    report.pose.edge_growth_mm = photo.growth_mm;
    report.pose.rms_px = photo.rms_px;
    report.pose.tags_used = report.tags;
    report.pose.points_used = report.points;
    report.distance_mm = (photo.camera_from_target * middle).norm();
    rms.push_back(photo.rms_px);
    report_of.push_back(i);
    directions.push_back(photo.camera_from_target.linear().row(2).transpose());
  }
  for (const std::size_t view : FlagViews(rms)) {
    survey.photos[report_of[view]].residual_flagged = true;
  }
  for (std::size_t a = 0; a < directions.size(); ++a) {
    for (std::size_t b = a + 1; b < directions.size(); ++b) {
      const double cosine = std::clamp(directions[a].dot(directions[b]), -1.0, 1.0);
      survey.tilt_rad = std::max(survey.tilt_rad, std::acos(cosine));
    }
  }
}

void ReportPlacement(const RigBundle& bundle, const BundleResult& result, Survey& survey) {
  survey.bars = bundle.bars.names;
  for (std::size_t bar = 0; bar < bundle.nominal_pose.size(); ++bar) {
    Survey::Placement placement;
    const Eigen::Isometry3d& is = result.target_from_part[bar];
    const Eigen::Isometry3d& was = bundle.nominal_pose[bar];
    placement.shift_mm = is.translation() - was.translation();
    placement.turn_rad =
        Eigen::AngleAxisd(was.linear().transpose() * is.linear()).angle();
    placement.scale = result.part_scale[bar];
    survey.placement.push_back(placement);
  }
}

Result<void> RefusePoorSolution(const Survey& survey, const SurveyOptions& options) {
  const double diagonal_px = std::hypot(options.width_px, options.height_px);
  if (!(survey.rms_px <= kMostRmsShare * diagonal_px)) {
    return Fail("the photos do not fit the rig file (" + Round(survey.rms_px, 1) +
                " px rms residual, at most " + Round(kMostRmsShare * diagonal_px, 1) +
                " are allowed); check that it is the file of this rig's strips and that no strip "
                "is bent or upside down");
  }
  if (!(survey.tilt_rad >= kLeastTilt_rad)) {
    return Fail("all photos look at the rig from the same direction, within " +
                Round(survey.tilt_rad * 180.0 / M_PI, 1) +
                "°; tilt the phone: take photos from the left, the right, above and below, 20° "
                "to 40° off");
  }
  const double relative = (*survey.camera.standard_uncertainty)[0] / survey.camera.fx_px;
  if (!(relative <= kMostFocalUncertainty)) {
    return Fail("the photos leave the focal length uncertain by " + Round(100.0 * relative, 1) +
                " %, at most 1 % is allowed; add photos with more tilt, from other distances and "
                "with the phone turned upright");
  }
  return {};
}

void AddWarnings(const std::vector<SurveyPhoto>& photos, const Rig& rig, Survey& survey) {
  int unseen = 0;
  for (const RigTag& tag : rig.tags) {
    const bool seen = std::any_of(photos.begin(), photos.end(), [&](const SurveyPhoto& photo) {
      const auto& tags = photo.observations.tags;
      return std::any_of(tags.begin(), tags.end(), [&](const auto& t) { return t.id == tag.id; });
    });
    unseen += seen ? 0 : 1;
  }
  if (unseen > 0) {
    survey.warnings.push_back(std::to_string(unseen) + " of " + std::to_string(rig.tags.size()) +
                              " tags were seen in no photo; they keep the place of the drawing, "
                              "with its uncertainty");
  }
  for (const SurveyPhotoReport& photo : survey.photos) {
    if (!photo.used) survey.warnings.push_back(photo.name + ": not used, it " + photo.reason);
    if (photo.residual_flagged) {
      survey.warnings.push_back(photo.name + ": its residual of " + Round(photo.rms_px, 2) +
                                " px stands out; leave it out or take it again, steadier");
    }
  }
}

}  // namespace

Result<void> SurveyOptions::Validate() const {
  if (width_px < 100 || height_px < 100) {
    return Fail("width_px and height_px must be at least 100, are " + std::to_string(width_px) +
                " and " + std::to_string(height_px));
  }
  if (!(focal_px >= 0.0)) return Fail("focal_px must be 0 or more, is " + std::to_string(focal_px));
  if (!(focal_scale_sigma >= 0.0 && focal_scale_sigma <= 0.1)) {
    return Fail("focal_scale_sigma must lie in 0 … 0.1, is " + std::to_string(focal_scale_sigma));
  }
  if (!(principal_shift_sigma_px >= 0.0 && principal_shift_sigma_px <= 100.0)) {
    return Fail("principal_shift_sigma_px must lie in 0 … 100, is " +
                std::to_string(principal_shift_sigma_px));
  }
  if (!(flatness_u_mm >= 0.0 && flatness_u_mm <= 10.0)) {
    return Fail("flatness_u_mm must lie in 0 … 10, is " + std::to_string(flatness_u_mm));
  }
  return {};
}

Result<Survey> SurveyRig(const std::vector<SurveyPhoto>& photos, const Rig& nominal,
                         const SurveyOptions& options) {
  if (auto valid = options.Validate(); !valid) return tl::unexpected(valid.error());
  if (nominal.tags.empty()) return Fail("the rig file lists no tags");
  Survey survey;
  RigBundle bundle = MakeRigBundle(nominal, options);
  if (auto added = AddPhotos(photos, nominal, options, bundle, survey); !added) {
    return tl::unexpected(added.error());
  }
  if (auto started = StartBundle(bundle.problem, options.focal_px); !started) {
    return tl::unexpected(started.error());
  }
  BundleOptions solve;
  solve.focal_scale_sigma = options.focal_scale_sigma;
  solve.principal_shift_sigma_px = options.principal_shift_sigma_px;
  // Wide: how much the edges grew is for the photos to say, and what this prior took from it would
  // go into the tags' size.
  solve.growth_sigma_mm = 0.5;
  // A phone's lens or its own correction stays far within these; they only keep what the photos
  // do not show from running away.
  solve.distortion_sigma = {0.5, 1.0, 0.02, 0.02, 2.0};
  solve.outlier_sigmas = options.outlier_sigmas;
  solve.threads = options.threads;
  solve.point_covariance = true;
  const auto result = SolveBundle(bundle.problem, solve);
  if (!result) return tl::unexpected(result.error());

  survey.camera = result->cameras[0];
  survey.rms_px = result->rms_px;
  survey.corner_noise = result->noise_factor[kCornerGroup];
  if (result->noise_factor.size() > 1) survey.point_noise = result->noise_factor[kPointGroup];
  survey.rig = SurveyedRig(nominal, bundle, *result);
  ReportPhotos(*result, survey.rig, survey);
  ReportPlacement(bundle, *result, survey);
  AddWarnings(photos, nominal, survey);
  if (options.refuse_poor_sets) {
    if (auto good = RefusePoorSolution(survey, options); !good) {
      return tl::unexpected(good.error());
    }
  }
  survey.suggestions = SuggestPhotos(survey);
  return survey;
}

}  // namespace tinesight

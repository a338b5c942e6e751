#include "calibration/survey.hpp"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <iomanip>
#include <limits>
#include <map>
#include <sstream>

#include "calibration/angle.hpp"
#include "calibration/bundle.hpp"
#include "calibration/median.hpp"
#include "calibration/survey_bundle.hpp"

namespace tinesight {
namespace {

constexpr int kLeastTags = 6;           // of a usable photo: 24 corners for 6 + 3 unknowns
constexpr int kLeastLinkingPhotos = 3;  // that show both bars
constexpr double kLeastCoverage = 0.40;
constexpr double kLeastTilt_rad = 10.0 * M_PI / 180.0;
// Of a photo's marks: a few tags taken for others are a few percent. Where a whole photo is shaken,
// the worst half is left out, and the rms of what is used looks harmless.
constexpr double kMostRejectedShare = 0.2;
constexpr double kMostFocalUncertainty = 0.01;
// Of a photo's focal scale off the median. Autofocus changes it by 1 % to 2 %.
constexpr double kMostFocalOffset = 0.05;
constexpr double kMostRmsShare = 1.0 / 1000.0;  // of the image's diagonal

std::string Round(double value, int digits) {
  std::ostringstream text;
  text << std::fixed << std::setprecision(digits) << value;
  return text.str();
}

/// By photo, why it is left out; empty where it is not.
using LeftOut = std::vector<std::string>;

tl::unexpected<Error> TooFewPhotos(int usable, const Survey& survey, const LeftOut& left_out) {
  const std::string count =
      "only " + std::to_string(usable) + " of " + std::to_string(survey.photos.size());
  const std::string needed =
      "a calibration needs " + std::to_string(kLeastSurveyPhotos) + " (better 12); ";
  for (std::size_t i = 0; i < left_out.size(); ++i) {
    if (left_out[i].empty()) continue;
    return Fail(count + " photos can be used, " + needed + survey.photos[i].name + " " +
                left_out[i] + "; take more photos, all with one lens and zoom");
  }
  return Fail(count + " photos show at least " + std::to_string(kLeastTags) + " tags of the rig, " +
              needed + "take more photos with both bars sharp and in view");
}

/// The photos that can be used, into the bundle; refuses where there are too few.
Result<void> AddPhotos(const std::vector<SurveyPhoto>& photos, const LeftOut& left_out,
                       const Rig& rig, const SurveyOptions& options, RigBundle& bundle,
                       Survey& survey) {
  int usable = 0;
  int linking = 0;
  std::vector<bool> seen(static_cast<std::size_t>(bundle.bars.Count()), false);
  for (const SurveyPhoto& photo : photos) {
    SurveyPhotoReport report;
    report.name = photo.name;
    std::vector<bool> sees_bar(seen.size(), false);
    BundlePhoto added = MakeBundlePhoto(photo, rig, bundle, report, sees_bar);
    report.reason = left_out[survey.photos.size()];
    if (report.reason.empty() && report.tags < kLeastTags) {
      report.reason = "shows " + std::to_string(report.tags) + " tags of the rig, at least " +
                      std::to_string(kLeastTags) + " are needed";
    }
    report.used = report.reason.empty();
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
    }
    survey.photos.push_back(std::move(report));
  }
  if (usable < kLeastSurveyPhotos) return TooFewPhotos(usable, survey, left_out);
  if (seen.size() == 1) {
    return Fail(
        "the rig file has one bar only; the focal length needs marks in two depths: name "
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
                Round(100.0 * kLeastCoverage, 0) +
                " % is needed; take photos with the rig in the " +
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
  const Eigen::MatrixXd q = Eigen::HouseholderQR<Eigen::MatrixXd>(basis).householderQ() *
                            Eigen::MatrixXd::Identity(3 * n, 7);
  // P C P with P = I − q qᵀ; of it only the diagonal is wanted.
  const Eigen::MatrixXd cq = covariance * q;
  const Eigen::MatrixXd qqcq = q * (q.transpose() * cq);
  std::vector<double> u;
  for (Eigen::Index i = 0; i < n; ++i) {
    double variance = 0.0;
    for (Eigen::Index row = 3 * i; row < 3 * i + 3; ++row) {
      variance +=
          covariance(row, row) - 2.0 * cq.row(row).dot(q.row(row)) + qqcq.row(row).dot(q.row(row));
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
    report.rejected_flagged =
        photo.rejected_count > kMostRejectedShare * (photo.used + photo.rejected_count);
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
    directions.emplace_back(photo.camera_from_target.linear().row(2).transpose());
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

std::vector<double> FocalScales(const Survey& survey) {
  std::vector<double> scales;
  for (const SurveyPhotoReport& photo : survey.photos) {
    if (photo.used) scales.push_back(photo.pose.focal_scale);
  }
  return scales;
}

void ReportFocalScatter(Survey& survey) {
  const std::vector<double> scales = FocalScales(survey);
  double squares = 0.0;
  for (const double scale : scales) squares += (scale - 1.0) * (scale - 1.0);  // their mean is 1
  survey.focal_scale_scatter = std::sqrt(squares / static_cast<double>(scales.size() - 1));
}

/// Says in `left_out` which photos no autofocus explains; false where there are none. They would
/// fit well: the bundle gives each its own focal scale, and only their mean, fx, is spoiled.
bool LeaveOutOddFocalLengths(const Survey& survey, LeftOut& left_out) {
  const double median = MedianOf(FocalScales(survey));
  bool any = false;
  for (std::size_t i = 0; i < survey.photos.size(); ++i) {
    const SurveyPhotoReport& photo = survey.photos[i];
    if (!photo.used) continue;
    const double offset = photo.pose.focal_scale / median - 1.0;
    if (std::abs(offset) <= kMostFocalOffset) continue;
    left_out[i] = "has a focal length " + Round(100.0 * std::abs(offset), 0) + " % " +
                  (offset > 0.0 ? "longer" : "shorter") +
                  " than the others: zoomed, cropped or another lens";
    any = true;
  }
  return any;
}

void ReportPlacement(const RigBundle& bundle, const BundleResult& result, Survey& survey) {
  survey.bars = bundle.bars.names;
  for (std::size_t bar = 0; bar < bundle.nominal_pose.size(); ++bar) {
    Survey::Placement placement;
    const Eigen::Isometry3d& is = result.target_from_part[bar];
    const Eigen::Isometry3d& was = bundle.nominal_pose[bar];
    placement.shift_mm = is.translation() - was.translation();
    placement.turn_rad = Eigen::AngleAxisd(was.linear().transpose() * is.linear()).angle();
    placement.scale = result.part_scale[bar];
    survey.placement.push_back(placement);
  }
}

tl::unexpected<Error> MisfitFailure(double rms_px) {
  return Fail("the photos do not fit the rig file, residual " + Round(rms_px, 1) +
              " px rms; check that it is the file of this rig's strips and that no strip is bent "
              "or upside down");
}

bool Fits(const Survey& survey, const SurveyOptions& options) {
  return survey.rms_px <= kMostRmsShare * std::hypot(options.width_px, options.height_px);
}

Result<void> RefusePoorSolution(const Survey& survey, const SurveyOptions& options) {
  if (!Fits(survey, options)) return MisfitFailure(survey.rms_px);
  if (!(survey.tilt_rad >= kLeastTilt_rad)) {
    return Fail("all photos look at the rig from the same direction, within " +
                Round(survey.tilt_rad * kDegPerRad, 1) +
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
    if (photo.rejected_flagged) {
      survey.warnings.push_back(photo.name + ": " + std::to_string(photo.rejected) + " of its " +
                                std::to_string(4 * photo.tags + photo.points) +
                                " marks don't fit the other photos; leave it out or take it "
                                "again, steadier");
    } else if (photo.residual_flagged) {
      survey.warnings.push_back(photo.name + ": its residual of " + Round(photo.rms_px, 2) +
                                " px stands out; leave it out or take it again, steadier");
    }
  }
}

/// One bundle adjustment of all photos that are not left out.
Result<Survey> SolveSurvey(const std::vector<SurveyPhoto>& photos, const LeftOut& left_out,
                           const Rig& nominal, const SurveyOptions& options) {
  Survey survey;
  RigBundle bundle = MakeRigBundle(nominal, options);
  if (auto added = AddPhotos(photos, left_out, nominal, options, bundle, survey); !added) {
    return tl::unexpected(added.error());
  }
  const auto start_rms_px = StartBundle(bundle.problem, options.focal_px);
  if (!start_rms_px) return tl::unexpected(start_rms_px.error());
  BundleOptions solve;
  solve.focal_scale_sigma = options.focal_scale_sigma;
  solve.principal_shift_sigma_px = options.principal_shift_sigma_px;
  solve.estimate_principal_shift = true;
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
  if (!result) {
    // Bars that stand some millimetres off are far from the start's cap; a wrong file runs into it.
    const bool misfit = *start_rms_px > 0.0125 * std::hypot(options.width_px, options.height_px);
    if (misfit) return MisfitFailure(*start_rms_px);
    return tl::unexpected(result.error());
  }

  survey.camera = result->cameras[0];
  survey.rms_px = result->rms_px;
  survey.principal_shift_sigma_px = result->principal_shift_sigma_px;
  survey.corner_noise = result->noise_factor[kCornerGroup];
  if (result->noise_factor.size() > 1) survey.point_noise = result->noise_factor[kPointGroup];
  survey.rig = SurveyedRig(nominal, bundle, *result);
  ReportPhotos(*result, survey.rig, survey);
  ReportPlacement(bundle, *result, survey);
  ReportFocalScatter(survey);
  AddWarnings(photos, nominal, survey);
  return survey;
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
  LeftOut left_out(photos.size());
  Result<Survey> survey = SolveSurvey(photos, left_out, nominal, options);
  // With a wrong rig file the focal scales say nothing.
  while (survey && Fits(*survey, options) && LeaveOutOddFocalLengths(*survey, left_out)) {
    survey = SolveSurvey(photos, left_out, nominal, options);
  }
  if (!survey) return survey;
  if (options.refuse_poor_sets) {
    if (auto good = RefusePoorSolution(*survey, options); !good) {
      return tl::unexpected(good.error());
    }
  }
  survey->suggestions = SuggestPhotos(*survey);
  return survey;
}

}  // namespace tinesight

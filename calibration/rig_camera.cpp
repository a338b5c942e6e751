#include "calibration/rig_camera.hpp"

#include <algorithm>
#include <cmath>

#include "calibration/bundle.hpp"
#include "calibration/formatted.hpp"
#include "calibration/survey_bundle.hpp"

namespace tinesight {
namespace {

/// The rig as a bundle's target that stands as the rig file says.
RigBundle MakeKnownRig(const Rig& rig, const SurveyOptions& options) {
  RigBundle bundle = MakeRigBundle(rig, options);
  for (BundlePoint& point : bundle.problem.points) point.u_mm.setZero();
  for (BundlePart& part : bundle.problem.parts) {
    part.free_pose = false;
    part.scale_sigma = 0.0;
  }
  return bundle;
}

/// Adds the photos that show both bars; gives how many.
int AddPhotos(const std::vector<SurveyPhoto>& photos, const Rig& rig, RigBundle& bundle) {
  int added = 0;
  for (const SurveyPhoto& photo : photos) {
    SurveyPhotoReport report;
    std::vector<bool> sees_bar(static_cast<std::size_t>(bundle.bars.Count()), false);
    BundlePhoto seen = MakeBundlePhoto(photo, rig, bundle, report, sees_bar);
    if (std::count(sees_bar.begin(), sees_bar.end(), true) < 2) continue;
    seen.station = added++;
    bundle.problem.photos.push_back(std::move(seen));
  }
  return added;
}

}  // namespace

Result<Camera> CameraFromRig(const std::vector<SurveyPhoto>& photos, const Rig& rig,
                             const SurveyOptions& options) {
  constexpr double kMostFocalUncertainty = 0.03;
  if (auto valid = options.Validate(); !valid) return tl::unexpected(valid.error());
  RigBundle bundle = MakeKnownRig(rig, options);
  const int count = AddPhotos(photos, rig, bundle);
  if (count == 0) {
    return Fail("no photo shows both bars of the rig, which the camera could be found from");
  }
  if (auto start = StartBundle(bundle.problem, options.focal_px); !start) {
    return tl::unexpected(start.error());
  }
  BundleOptions solve;
  solve.one_focal_length = true;
  if (count > 1) {  // of a single photo, its own are the camera's
    solve.focal_scale_sigma = options.focal_scale_sigma;
    solve.principal_shift_sigma_px = options.principal_shift_sigma_px;
  }
  solve.growth_sigma_mm = 0.5;
  solve.distortion_sigma = {0.1, 0.1, 0.002, 0.002, 0.02};
  solve.outlier_sigmas = options.outlier_sigmas;
  solve.threads = options.threads;
  const auto result = SolveBundle(bundle.problem, solve);
  if (!result) return tl::unexpected(result.error());
  const Camera& camera = result->cameras[0];
  const double relative = (*camera.standard_uncertainty)[0] / camera.fx_px;
  if (!(relative <= kMostFocalUncertainty)) {
    return Fail("the photos leave the focal length uncertain by " +
                Formatted("%.1f", 100.0 * relative) +
                " %; take more of them, closer and from other sides, or calibrate the phone");
  }
  return camera;
}

}  // namespace tinesight

#include "calibration/bundle.hpp"

#include <algorithm>
#include <cmath>
#include <cstddef>

#include "calibration/bundle_round.hpp"
#include "calibration/median.hpp"

namespace tinesight {
namespace {

/// What a round leaves to the next.
struct BundleState {
  BundleBlocks blocks;
  BundleResiduals residuals;
  std::vector<double> noise;  ///< of each group, over its stated sigma
  BundleRound::Rejected rejected;
};

std::size_t GroupsOf(const BundleProblem& problem) {
  std::size_t groups = 1;
  for (const BundlePhoto& photo : problem.photos) {
    for (const BundleObservation& o : photo.observations) {
      groups = std::max(groups, static_cast<std::size_t>(o.group) + 1);
    }
  }
  return groups;
}

/// Robust standard deviation of the whitened coordinates of each group.
std::vector<double> RobustNoise(const BundleProblem& bundle, const BundleResiduals& residuals,
                                std::size_t groups) {
  std::vector<std::vector<double>> sizes(groups);
  for (std::size_t p = 0; p < bundle.photos.size(); ++p) {
    for (std::size_t i = 0; i < residuals[p].size(); ++i) {
      const BundleObservation& o = bundle.photos[p].observations[i];
      auto& of_group = sizes[static_cast<std::size_t>(o.group)];
      for (int k = 0; k < 2; ++k) of_group.push_back(std::abs(residuals[p][i][k]) / o.sigma_px);
    }
  }
  std::vector<double> noise(groups, 1.0);
  for (std::size_t g = 0; g < groups; ++g) {
    if (sizes[g].empty()) continue;
    noise[g] = std::max(RobustDeviation(sizes[g]), 1e-6);
  }
  return noise;
}

BundleRound::Rejected Reject(const BundleProblem& bundle, const BundleResiduals& residuals,
                             const std::vector<double>& noise, double sigmas) {
  BundleRound::Rejected rejected(bundle.photos.size());
  for (std::size_t p = 0; p < bundle.photos.size(); ++p) {
    for (std::size_t i = 0; i < residuals[p].size(); ++i) {
      const BundleObservation& o = bundle.photos[p].observations[i];
      const double limit_px = sigmas * noise[static_cast<std::size_t>(o.group)] * o.sigma_px;
      rejected[p].push_back(sigmas > 0.0 && !(residuals[p][i].cwiseAbs().maxCoeff() <= limit_px));
    }
  }
  return rejected;
}

BundleState StartState(const BundleProblem& problem, const BundleOptions& options) {
  BundleState start;
  start.blocks = StartBlocks(problem);
  start.residuals = ResidualsPx(problem, options, start.blocks);
  start.noise.assign(GroupsOf(problem), 1.0);
  start.rejected = Reject(problem, start.residuals, start.noise, 0.0);
  return start;
}

/// Rejects what stays off under a loss that follows the residuals down: at first the start values
/// are what is off, by many px, and a loss at the noise's own width would take every point for an
/// outlier. False: a round did not converge.
bool FindOutliers(const BundleProblem& problem, const BundleOptions& options, BundleState& now) {
  constexpr int kGraduatedRounds = 5;
  for (int i = 0; i < kGraduatedRounds; ++i) {
    now.noise = RobustNoise(problem, now.residuals, now.noise.size());
    BundleRound round(problem, options, now.blocks, now.rejected, now.noise, 2.0);
    if (!round.Solve(options.threads, true)) return false;
    now.residuals = ResidualsPx(problem, options, now.blocks);
  }
  now.noise = RobustNoise(problem, now.residuals, now.noise.size());
  now.rejected = Reject(problem, now.residuals, now.noise, options.outlier_sigmas);
  return true;
}

/// As a share of what was before.
double LargestChange(const std::vector<double>& before, const std::vector<double>& after) {
  double change = 0.0;
  for (std::size_t i = 0; i < before.size(); ++i) {
    change = std::max(change, std::abs(after[i] / before[i] - 1.0));
  }
  return change;
}

/// vᵀv / redundancy of each group, as a factor on its stated sigma.
std::vector<double> EstimatedNoise(const BundleProblem& bundle, const BundleResiduals& residuals,
                                   const BundleRound::Rejected& rejected, const BundleRound& round,
                                   std::size_t groups) {
  std::vector<double> sum(groups, 0.0);
  std::vector<double> noise(groups, 1.0);
  for (std::size_t p = 0; p < bundle.photos.size(); ++p) {
    for (std::size_t i = 0; i < residuals[p].size(); ++i) {
      if (rejected[p][i]) continue;
      const BundleObservation& o = bundle.photos[p].observations[i];
      sum[static_cast<std::size_t>(o.group)] +=
          residuals[p][i].squaredNorm() / (o.sigma_px * o.sigma_px);
    }
  }
  for (std::size_t g = 0; g < groups; ++g) {
    const double redundancy =
        2.0 * static_cast<double>(round.ObservationsOf(g)) - round.ParametersOf(g);
    if (redundancy > 1.0) noise[g] = std::max(std::sqrt(sum[g] / redundancy), 1e-6);
  }
  return noise;
}

/// How far the photos' principal points scatter: Σ shift² over the redundancy that the prior of
/// the shifts has, as for the groups of observations.
double EstimatedShiftSigma(const BundleBlocks& blocks, const BundleRound& round, double now_px,
                           double most_px) {
  constexpr double kLeast_px = 0.5;
  double sum = 0.0;
  double redundancy = 0.0;
  for (const auto& adjust : blocks.adjust) {
    for (int k = 1; k <= 2; ++k) {
      const double shift_px = adjust[static_cast<std::size_t>(k)];
      sum += shift_px * shift_px;
      redundancy += 1.0 - round.Variance(adjust.data(), k) / (now_px * now_px);
    }
  }
  // Too little seen of it to tell: keep the freedom.
  if (!(redundancy > 0.1 * static_cast<double>(blocks.adjust.size()))) return now_px;
  return std::clamp(std::sqrt(sum / redundancy), std::min(kLeast_px, most_px), most_px);
}

BundlePhotoResult PhotoResult(const BundleProblem& bundle, const BundleState& state,
                              std::size_t p) {
  const BundleBlocks& blocks = state.blocks;
  const std::vector<Eigen::Vector2d>& residuals = state.residuals[p];
  const std::vector<bool>& rejected = state.rejected[p];
  BundlePhotoResult photo;
  const auto camera = static_cast<std::size_t>(bundle.photos[p].camera);
  const auto station = static_cast<std::size_t>(bundle.photos[p].station);
  photo.camera_from_target = FromBlock(blocks.mounts[camera]) * FromBlock(blocks.stations[station]);
  photo.focal_scale = blocks.adjust[p][0];
  photo.principal_shift_px = {blocks.adjust[p][1], blocks.adjust[p][2]};
  photo.growth_mm.assign(bundle.parts.size(), 0.0);
  for (const auto& [key, growth] : blocks.growth) {
    if (key.first == p) photo.growth_mm[static_cast<std::size_t>(key.second)] = growth[0];
  }
  double sum = 0.0;
  for (std::size_t i = 0; i < residuals.size(); ++i) {
    if (rejected[i]) {
      ++photo.rejected_count;
    } else {
      ++photo.used;
      sum += residuals[i].squaredNorm();
    }
  }
  photo.rms_px = photo.used > 0 ? std::sqrt(sum / photo.used) : 0.0;
  photo.rejected = rejected;
  photo.residual_px = residuals;
  return photo;
}

BundleResult Collect(const BundleProblem& bundle, const BundleOptions& options,
                     const BundleState& state, const BundleRound& round) {
  const BundleBlocks& blocks = state.blocks;
  BundleResult result;
  for (std::size_t c = 0; c < bundle.cameras.size(); ++c) {
    const auto& b = blocks.cameras[c];
    Camera camera = bundle.cameras[c].camera;
    camera.fx_px = b[0];
    camera.fy_px = options.one_focal_length ? b[0] : b[1];
    camera.cx_px = b[2];
    camera.cy_px = b[3];
    std::copy(b.begin() + 4, b.end(), camera.distortion.begin());
    if (!bundle.cameras[c].fixed_intrinsics) {
      camera.standard_uncertainty = round.IntrinsicsUncertainty(c);
    }
    result.cameras.push_back(camera);
    result.camera_from_station.push_back(FromBlock(blocks.mounts[c]));
  }
  for (const Block6& block : blocks.stations) {
    result.station_from_target.push_back(FromBlock(block));
  }
  for (std::size_t i = 0; i < blocks.parts.size(); ++i) {
    result.target_from_part.push_back(FromBlock(blocks.parts[i]));
    result.part_scale.emplace_back(blocks.scales[i][0], blocks.scales[i][1]);
  }
  for (std::size_t i = 0; i < bundle.points.size(); ++i) {
    result.points_mm.push_back(PointInTargetMm(bundle, blocks, i));
  }
  double sum = 0.0;
  int used = 0;
  for (std::size_t p = 0; p < bundle.photos.size(); ++p) {
    BundlePhotoResult photo = PhotoResult(bundle, state, p);
    if (options.focal_scale_sigma > 0.0) {
      photo.focal_scale_u = std::sqrt(round.Variance(blocks.adjust[p].data(), 0));
    }
    sum += photo.rms_px * photo.rms_px * photo.used;
    used += photo.used;
    result.photos.push_back(std::move(photo));
  }
  result.rms_px = used > 0 ? std::sqrt(sum / used) : 0.0;
  return result;
}

Result<void> CheckProblem(const BundleProblem& problem) {
  if (problem.photos.empty()) return Fail("no photos to calibrate from");
  std::size_t observations = 0;
  for (const BundlePhoto& photo : problem.photos) observations += photo.observations.size();
  if (observations < 20) {
    return Fail("only " + std::to_string(observations) +
                " points seen in all photos together; a calibration needs hundreds");
  }
  return {};
}

}  // namespace

Result<void> BundleOptions::Validate() const {
  const auto bad = [](double value) { return !(value >= 0.0) || !std::isfinite(value); };
  if (bad(focal_scale_sigma) || focal_scale_sigma > 0.5) {
    return Fail("focal_scale_sigma must lie in 0 … 0.5, is " + std::to_string(focal_scale_sigma));
  }
  if (bad(principal_shift_sigma_px)) {
    return Fail("principal_shift_sigma_px must be 0 or more, is " +
                std::to_string(principal_shift_sigma_px));
  }
  if (bad(growth_sigma_mm) || growth_sigma_mm == 0.0) {
    return Fail("growth_sigma_mm must be above 0, is " + std::to_string(growth_sigma_mm));
  }
  if (bad(outlier_sigmas) || (outlier_sigmas > 0.0 && outlier_sigmas < 2.5)) {
    return Fail("outlier_sigmas must be 0 or at least 2.5, is " + std::to_string(outlier_sigmas));
  }
  if (threads < 1) return Fail("threads must be 1 or more, is " + std::to_string(threads));
  return {};
}

Result<BundleResult> SolveBundle(const BundleProblem& problem, const BundleOptions& given) {
  BundleOptions options = given;
  if (auto valid = options.Validate(); !valid) return tl::unexpected(valid.error());
  if (auto valid = CheckProblem(problem); !valid) return tl::unexpected(valid.error());
  BundleState now = StartState(problem, options);
  const Error unsolved{
      "the calibration did not converge; the photos may show too little of the target, or too "
      "many of its marks were found wrongly"};
  if (options.outlier_sigmas > 0.0 && !FindOutliers(problem, options, now)) {
    return tl::unexpected(unsolved);
  }
  constexpr int kMostRounds = 15;
  for (int i = 0; i < kMostRounds; ++i) {
    BundleRound round(problem, options, now.blocks, now.rejected, now.noise, 0.0);
    if (!round.Solve(options.threads, false)) return tl::unexpected(unsolved);
    if (!round.Covariance()) {
      return Fail(
          "the photos do not determine the calibration: too few of them, or all from the "
          "same direction; add photos with the phone tilted and turned");
    }
    now.residuals = ResidualsPx(problem, options, now.blocks);
    const auto estimated =
        EstimatedNoise(problem, now.residuals, now.rejected, round, now.noise.size());
    const auto rejected = Reject(problem, now.residuals, estimated, options.outlier_sigmas);
    double change = LargestChange(now.noise, estimated);
    const double shift_before = options.principal_shift_sigma_px;
    double shift_sigma = shift_before;
    if (options.estimate_principal_shift && shift_before > 0.0 && options.focal_scale_sigma > 0.0) {
      shift_sigma =
          EstimatedShiftSigma(now.blocks, round, shift_before, given.principal_shift_sigma_px);
      change = std::max(change, 0.05 * std::abs(shift_sigma / shift_before - 1.0));
    }
    if ((change < 1e-3 && rejected == now.rejected) || i + 1 == kMostRounds) {
      BundleResult result = Collect(problem, options, now, round);
      result.noise_factor = estimated;
      result.principal_shift_sigma_px = shift_before;
      if (options.point_covariance) {
        result.point_covariance = round.PointCovariance();
      }
      return result;
    }
    now.noise = estimated;
    now.rejected = rejected;
    options.principal_shift_sigma_px = shift_sigma;
  }
  return tl::unexpected(unsolved);
}

std::vector<std::size_t> FlagViews(const std::vector<double>& rms_px, double factor) {
  std::vector<double> sorted = rms_px;
  std::sort(sorted.begin(), sorted.end());
  std::vector<std::size_t> flagged;
  if (sorted.empty()) return flagged;
  const double median = 0.5 * (sorted[(sorted.size() - 1) / 2] + sorted[sorted.size() / 2]);
  for (std::size_t i = 0; i < rms_px.size(); ++i) {
    if (!(rms_px[i] <= factor * median)) flagged.push_back(i);
  }
  return flagged;
}

}  // namespace tinesight

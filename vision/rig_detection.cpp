#include "vision/rig_detection.hpp"

#include <algorithm>
#include <cmath>
#include <limits>
#include <opencv2/core/utility.hpp>
#include <opencv2/imgproc.hpp>
#include <optional>
#include <vector>

#include "calibration/rig_bars.hpp"
#include "vision/saddle_fit.hpp"
#include "vision/tag_fit.hpp"
#include "vision/tag_search.hpp"
#include "vision/tag_template.hpp"

namespace tinesight {
namespace {

// Share of the picture's variance that the pattern must explain. A wrong id differs in at least
// six of the 36 cells and explains well under half.
constexpr double kMinExplained = 0.75;
constexpr double kMinExplainedPredicted = 0.85;  // a tag that no search had found

constexpr double kMinSaddleContrast = 12.0;    // gray values
constexpr double kMinExplainedSaddle = 0.35;   // of the window's variance
constexpr double kMaxSaddleBlurWindows = 0.8;  // sigma over the window: the squares are gone
constexpr double kMaxSaddleSigmaPx = 0.5;

/// The checkerboard squares near a tag, in its cells. A saddle point stands in the middle of its
/// squares, which end two thirds of the way to the tag's edge (2 mm of 3 on the default strip).
std::vector<TagExclusion> SquaresBeside(const RigTag& tag, const Rig& rig) {
  const TagAxes axes = AxesOfTag(tag);
  const double cell_mm = TagSideMm(tag) / kTagCells;
  std::vector<TagExclusion> squares;
  for (const RigPoint& point : rig.points) {
    const Eigen::Vector3d d = point.position_mm - tag.corners_mm[0];
    const Eigen::Vector2d uv(axes.right.dot(d) / cell_mm, axes.down.dot(d) / cell_mm);
    const Eigen::Vector2d outside = (uv.array() - 0.5 * kTagCells).abs() - 0.5 * kTagCells;
    const double gap = outside.maxCoeff();
    if (gap <= 0.0 || gap > 4.0 || outside.minCoeff() > 2.0) continue;
    // Half a cell more for the blur that carries the black over its edge.
    squares.push_back({uv, gap * 2.0 / 3.0 + 0.6});
  }
  return squares;
}

/// Where and how large a saddle point should look. Its edges run along the axes of the nearest tag
/// of the rig, and its squares end two thirds of the way to that tag.
std::optional<SaddleStart> ExpectSaddle(const RigPoint& point, const Rig& rig, const Camera& camera,
                                        const Eigen::Isometry3d& camera_from_rig) {
  const RigTag* nearest = nullptr;
  double distance_mm = std::numeric_limits<double>::infinity();
  for (const RigTag& tag : rig.tags) {
    const double d = (tag.CenterMm() - point.position_mm).norm();
    if (d < distance_mm) {
      distance_mm = d;
      nearest = &tag;
    }
  }
  if (nearest == nullptr) return std::nullopt;
  const TagAxes axes = AxesOfTag(*nearest);
  const Eigen::Vector3d d = point.position_mm - nearest->CenterMm();
  const double gap_mm =
      std::max(std::abs(axes.right.dot(d)), std::abs(axes.down.dot(d))) - 0.5 * TagSideMm(*nearest);
  if (gap_mm <= 0.0) return std::nullopt;
  const Eigen::Vector3d in_camera = camera_from_rig * point.position_mm;
  if (in_camera.z() < 1.0) return std::nullopt;
  const auto moved = [&](const Eigen::Vector3d& direction) -> Eigen::Vector2d {
    return 0.5 * (camera.Project(in_camera + camera_from_rig.linear() * direction) -
                  camera.Project(in_camera - camera_from_rig.linear() * direction));
  };
  SaddleStart start;
  start.position_px = camera.Project(in_camera);
  start.right_px = moved(axes.right);
  start.down_px = moved(axes.down);
  start.window_mm = std::min(0.3 * gap_mm, 0.075 * TagSideMm(*nearest));
  return start;
}

struct Fitted {
  TagCandidate candidate;
  TagFit fit;
};

std::optional<Fitted> FitCandidate(const cv::Mat& gray, const TagCandidate& candidate,
                                   const Rig& rig, double min_explained) {
  const RigTag* tag = rig.FindTag(candidate.id);
  const auto squares = tag != nullptr ? SquaresBeside(*tag, rig) : std::vector<TagExclusion>{};
  const auto fit = FitTag(gray, candidate.id, candidate.corners_px, squares);
  if (!fit || !(fit->explained > min_explained)) return std::nullopt;
  Fitted fitted{candidate, *fit};
  fitted.candidate.corners_px = fit->corners_px;
  return fitted;
}

/// Fits all candidates, on all cores; in the candidates' order, so that the result is the same on
/// every machine.
std::vector<Fitted> FitCandidates(const cv::Mat& gray, const std::vector<TagCandidate>& candidates,
                                  const Rig& rig, double min_explained) {
  std::vector<std::optional<Fitted>> fits(candidates.size());
  cv::parallel_for_(cv::Range(0, static_cast<int>(candidates.size())), [&](const cv::Range& range) {
    for (int i = range.start; i < range.end; ++i) {
      const auto index = static_cast<std::size_t>(i);
      fits[index] = FitCandidate(gray, candidates[index], rig, min_explained);
    }
  });
  std::vector<Fitted> good;
  for (const std::optional<Fitted>& fit : fits) {
    if (fit) good.push_back(*fit);
  }
  return good;
}

}  // namespace

RigObservations DetectTags(const cv::Mat& gray, const Rig& rig) {
  CV_Assert(gray.type() == CV_8UC1);
  RigObservations observations;
  std::vector<TagCandidate> found;
  const auto add = [&](const std::vector<Fitted>& fits) {
    for (const Fitted& fitted : fits) {
      found.push_back(fitted.candidate);
      observations.tags.push_back(
          {fitted.candidate.id, fitted.fit.corners_px, fitted.fit.sigma_px, fitted.fit.blur_px});
    }
    return !fits.empty();
  };
  add(FitCandidates(gray, KeepConsistent(SearchTags(gray, rig), rig), rig, kMinExplained));
  // Tags that the search missed, from their neighbours outward, as far as it goes.
  for (int round = 0; round < 4; ++round) {
    if (!add(FitCandidates(gray, PredictMissing(found, rig), rig, kMinExplainedPredicted))) break;
  }
  std::sort(observations.tags.begin(), observations.tags.end(),
            [](const TagObservation& a, const TagObservation& b) { return a.id < b.id; });
  return observations;
}

void RefineRigPoints(const cv::Mat& gray, const Rig& rig, const Camera& camera, const RigPose& pose,
                     RigObservations& observations) {
  CV_Assert(gray.type() == CV_8UC1);
  observations.points.clear();
  const Camera photo_camera = pose.PhotoCamera(camera);
  for (const RigPoint& point : rig.points) {
    const auto start = ExpectSaddle(point, rig, photo_camera, pose.camera_from_rig);
    if (!start) continue;
    const auto fit = FitSaddle(gray, *start);
    if (!fit || fit->contrast < kMinSaddleContrast || fit->explained < kMinExplainedSaddle ||
        fit->blur_px > kMaxSaddleBlurWindows * start->WindowPx() ||
        fit->sigma_px > kMaxSaddleSigmaPx) {
      continue;
    }
    observations.points.push_back({point.id, fit->position_px, fit->sigma_px});
  }
}

bool LooksMirrored(const cv::Mat& gray, const Rig& rig) {
  const auto count = [&](const cv::Mat& picture) {
    std::vector<TagCandidate> candidates;
    for (const int reduction : {2, 4}) {
      if (std::max(picture.cols, picture.rows) / reduction < 480 && reduction > 2) continue;
      for (const TagCandidate& candidate : SearchTagsAtScale(picture, reduction)) {
        if (rig.FindTag(candidate.id) != nullptr) candidates.push_back(candidate);
      }
    }
    return KeepConsistent(candidates, rig).size();
  };
  cv::Mat flipped;
  cv::flip(gray, flipped, 1);
  const std::size_t mirrored = count(flipped);
  return mirrored >= 3 && mirrored > 2 * count(gray);
}

}  // namespace tinesight

#pragma once

#include <opencv2/core/mat.hpp>
#include <vector>

#include "calibration/rig.hpp"
#include "vision/tag_fit.hpp"

namespace tinesight {

/// A square that reads as a tag, corners as good as the search gives them (to a few px).
struct TagCandidate {
  int id = 0;
  TagCorners corners_px;

  [[nodiscard]] Eigen::Vector2d CenterPx() const {
    return 0.25 * (corners_px[0] + corners_px[1] + corners_px[2] + corners_px[3]);
  }
  [[nodiscard]] double SidePx() const;
};

/// Whether `id` can be on a photo of this rig: one of its tags or a register card (MIDI 21–108).
[[nodiscard]] bool IsRigOrCardId(int id, const Rig& rig);

/// Tags of the picture at 1/`reduction` of its size, in px of the full picture.
[[nodiscard]] std::vector<TagCandidate> SearchTagsAtScale(const cv::Mat& gray, int reduction);

/// Tags over several scales, ids of the rig and cards only, each found square once: where scales
/// agree the finest stands. One id at two places of the picture stays two candidates.
[[nodiscard]] std::vector<TagCandidate> SearchTags(const cv::Mat& gray, const Rig& rig);

/// Drops candidates that stand where the other tags of their bar do not allow them (a homography
/// per bar, to half a tag's side, which leaves room for lens distortion), doubles of an id, and
/// register cards that are far from the rig's tags, of another size, or turned.
[[nodiscard]] std::vector<TagCandidate> KeepConsistent(const std::vector<TagCandidate>& candidates,
                                                       const Rig& rig);

/// Where the rig's tags that are not among `found` should be, by the homography of the nearest
/// found tags of their bar. Needs three found tags on the bar; others are not predicted.
[[nodiscard]] std::vector<TagCandidate> PredictMissing(const std::vector<TagCandidate>& found,
                                                       const Rig& rig);

}  // namespace tinesight

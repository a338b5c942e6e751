#include "vision/tag_search.hpp"

#include <Eigen/Geometry>
#include <algorithm>
#include <cmath>
#include <cstddef>
#include <map>
#include <opencv2/aruco.hpp>
#include <opencv2/calib3d.hpp>
#include <opencv2/imgproc.hpp>
#include <optional>

#include "calibration/rig_bars.hpp"
#include "vision/tag_template.hpp"

namespace tinesight {
namespace {

constexpr int kLowestCardMidi = 21;
constexpr int kHighestCardMidi = 108;
constexpr double kBarToleranceSides = 0.5;  // of a tag's side

/// Measured on trial pictures: with these all tags of a bar blurred over 8 px are found; with the
/// stock values 2 to 4 of 18.
cv::Ptr<cv::aruco::DetectorParameters> RobustParameters() {
  cv::Ptr<cv::aruco::DetectorParameters> p = cv::aruco::DetectorParameters::create();
  p->adaptiveThreshWinSizeMin = 11;
  p->adaptiveThreshWinSizeMax = 101;
  p->adaptiveThreshWinSizeStep = 30;
  p->perspectiveRemovePixelPerCell = 8;
  p->perspectiveRemoveIgnoredMarginPerCell = 0.3;
  p->errorCorrectionRate = 1.0;
  p->minMarkerPerimeterRate = 0.012;
  p->maxMarkerPerimeterRate = 2.0;
  p->minOtsuStdDev = 3.0;
  p->cornerRefinementMethod = cv::aruco::CORNER_REFINE_NONE;
  return p;
}

/// A tag's corners in a plane: its rig corners along the bar's axes.
struct BarPlane {
  Eigen::Vector3d origin = Eigen::Vector3d::Zero();
  TagAxes axes;

  [[nodiscard]] cv::Point2d At(const Eigen::Vector3d& point_mm) const {
    const Eigen::Vector3d d = point_mm - origin;
    return {axes.right.dot(d), axes.down.dot(d)};
  }
};

BarPlane PlaneOfBar(const Rig& rig, const RigBars& bars, int bar) {
  BarPlane plane;
  Eigen::Vector3d right = Eigen::Vector3d::Zero();
  Eigen::Vector3d down = Eigen::Vector3d::Zero();
  double count = 0.0;
  for (std::size_t i = 0; i < rig.tags.size(); ++i) {
    if (bars.bar_of_tag[i] != bar) continue;
    const TagAxes axes = AxesOfTag(rig.tags[i]);
    right += axes.right;
    down += axes.down;
    plane.origin += rig.tags[i].CenterMm();
    count += 1.0;
  }
  plane.origin /= std::max(count, 1.0);
  plane.axes.right = right.normalized();
  plane.axes.down = (down - down.dot(plane.axes.right) * plane.axes.right).normalized();
  return plane;
}

void AppendCorners(const TagCandidate& candidate, const RigTag& tag, const BarPlane& plane,
                   std::vector<cv::Point2d>& plane_mm, std::vector<cv::Point2d>& picture_px) {
  for (std::size_t k = 0; k < 4; ++k) {
    plane_mm.push_back(plane.At(tag.corners_mm[k]));
    picture_px.emplace_back(candidate.corners_px[k].x(), candidate.corners_px[k].y());
  }
}

/// Largest distance of a candidate's corners from where the homography puts them.
double MaxMissPx(const TagCandidate& candidate, const RigTag& tag, const BarPlane& plane,
                 const cv::Mat& px_from_mm) {
  std::vector<cv::Point2d> plane_mm;
  std::vector<cv::Point2d> picture_px;
  AppendCorners(candidate, tag, plane, plane_mm, picture_px);
  std::vector<cv::Point2d> predicted;
  cv::perspectiveTransform(plane_mm, predicted, px_from_mm);
  double worst = 0.0;
  for (std::size_t k = 0; k < 4; ++k)
    worst = std::max(worst, cv::norm(predicted[k] - picture_px[k]));
  return worst;
}

double MedianSidePx(const std::vector<TagCandidate>& candidates) {
  std::vector<double> sides;
  sides.reserve(candidates.size());
  for (const TagCandidate& candidate : candidates) sides.push_back(candidate.SidePx());
  std::sort(sides.begin(), sides.end());
  return sides.empty() ? 0.0 : sides[sides.size() / 2];
}

/// Of one bar's candidates those that fit together, at most one an id.
std::vector<TagCandidate> KeepConsistentOfBar(const std::vector<TagCandidate>& candidates,
                                              const Rig& rig, const BarPlane& plane) {
  if (candidates.size() < 2) return candidates;
  std::vector<cv::Point2d> plane_mm;
  std::vector<cv::Point2d> picture_px;
  for (const TagCandidate& candidate : candidates) {
    AppendCorners(candidate, *rig.FindTag(candidate.id), plane, plane_mm, picture_px);
  }
  const double tolerance_px = kBarToleranceSides * MedianSidePx(candidates);
  const cv::Mat px_from_mm = cv::findHomography(plane_mm, picture_px, cv::RANSAC, tolerance_px,
                                                cv::noArray(), 2000, 0.999);
  if (px_from_mm.empty()) return candidates;
  std::map<int, std::pair<double, TagCandidate>> best;
  for (const TagCandidate& candidate : candidates) {
    const double miss = MaxMissPx(candidate, *rig.FindTag(candidate.id), plane, px_from_mm);
    if (miss > 2.0 * kBarToleranceSides * candidate.SidePx()) continue;
    const auto known = best.find(candidate.id);
    if (known == best.end() || miss < known->second.first) best[candidate.id] = {miss, candidate};
  }
  std::vector<TagCandidate> kept;
  kept.reserve(best.size());
  for (const auto& entry : best) kept.push_back(entry.second.second);
  return kept;
}

/// How far a card is from the nearest tag of the rig, in that tag's sides; nothing if it cannot
/// hang there: it must be near, of like size, and upright as the tag is.
std::optional<double> CardDistance(const TagCandidate& card,
                                   const std::vector<TagCandidate>& tags) {
  constexpr double kMaxSides = 4.0;
  constexpr double kMaxSizeRatio = 3.0;
  constexpr double kMinCosine = 0.7;
  const TagCandidate* nearest = nullptr;
  double distance = 0.0;
  for (const TagCandidate& tag : tags) {
    const double d = (tag.CenterPx() - card.CenterPx()).norm() / tag.SidePx();
    if (nearest == nullptr || d < distance) {
      nearest = &tag;
      distance = d;
    }
  }
  if (nearest == nullptr || distance > kMaxSides) return std::nullopt;
  const double ratio = card.SidePx() / nearest->SidePx();
  const Eigen::Vector2d card_right = (card.corners_px[1] - card.corners_px[0]).normalized();
  const Eigen::Vector2d tag_right = (nearest->corners_px[1] - nearest->corners_px[0]).normalized();
  const bool fits = ratio > 1.0 / kMaxSizeRatio && ratio < kMaxSizeRatio &&
                    card_right.dot(tag_right) > kMinCosine;
  return fits ? std::optional<double>(distance) : std::nullopt;
}

/// Where to search at full scale: everywhere if a bar is short of tags or the tags are small; about
/// the rig if no register card was found; nowhere otherwise.
cv::Rect FullScaleRegion(const std::vector<TagCandidate>& found, const Rig& rig,
                         const cv::Size& picture) {
  constexpr std::size_t kEnoughOfBar = 4;
  constexpr double kSmallPx = 48.0;
  const RigBars bars = FindRigBars(rig);
  std::vector<std::size_t> of_bar(static_cast<std::size_t>(bars.Count()), 0);
  bool card = false;
  double smallest_px = 1e9;
  cv::Rect2d extent;
  for (const TagCandidate& candidate : found) {
    const RigTag* tag = rig.FindTag(candidate.id);
    if (tag == nullptr) {
      card = true;
      continue;
    }
    const auto index = static_cast<std::size_t>(tag - rig.tags.data());
    ++of_bar[static_cast<std::size_t>(bars.bar_of_tag[index])];
    const double side = candidate.SidePx();
    smallest_px = std::min(smallest_px, side);
    const Eigen::Vector2d center = candidate.CenterPx();
    const cv::Rect2d around(center.x() - 4.0 * side, center.y() - 4.0 * side, 8.0 * side,
                            8.0 * side);
    extent = extent.area() > 0.0 ? (extent | around) : around;
  }
  const cv::Rect whole(cv::Point(0, 0), picture);
  const bool short_of_tags =
      std::any_of(of_bar.begin(), of_bar.end(), [](std::size_t n) { return n < kEnoughOfBar; });
  if (short_of_tags || smallest_px < kSmallPx) return whole;
  return card ? cv::Rect() : (cv::Rect(extent) & whole);
}

}  // namespace

double TagCandidate::SidePx() const {
  double sum = 0.0;
  for (std::size_t k = 0; k < 4; ++k) sum += (corners_px[(k + 1) % 4] - corners_px[k]).norm();
  return sum / 4.0;
}

bool IsRigOrCardId(int id, const Rig& rig) {
  if (rig.FindTag(id) != nullptr) return TagTemplate::HasTag(id);
  const int midi = id - kRegisterCardBaseId;
  return midi >= kLowestCardMidi && midi <= kHighestCardMidi;
}

std::vector<TagCandidate> SearchTagsAtScale(const cv::Mat& gray, int reduction) {
  static const auto family = cv::aruco::getPredefinedDictionary(cv::aruco::DICT_APRILTAG_36h11);
  cv::Mat reduced = gray;
  if (reduction > 1) {
    cv::resize(gray, reduced, cv::Size(gray.cols / reduction, gray.rows / reduction), 0, 0,
               cv::INTER_AREA);
  }
  std::vector<std::vector<cv::Point2f>> corners;
  std::vector<int> ids;
  cv::aruco::detectMarkers(reduced, family, corners, ids, RobustParameters());
  // Centers of px: (x + 0.5) scales, x does not.
  const double sx = static_cast<double>(gray.cols) / reduced.cols;
  const double sy = static_cast<double>(gray.rows) / reduced.rows;
  std::vector<TagCandidate> found;
  for (std::size_t i = 0; i < ids.size(); ++i) {
    TagCandidate candidate;
    candidate.id = ids[i];
    for (std::size_t k = 0; k < 4; ++k) {
      candidate.corners_px[k] = {(corners[i][k].x + 0.5) * sx - 0.5,
                                 (corners[i][k].y + 0.5) * sy - 0.5};
    }
    found.push_back(candidate);
  }
  return found;
}

std::vector<TagCandidate> SearchTags(const cv::Mat& gray, const Rig& rig) {
  std::vector<TagCandidate> merged;
  const auto merge = [&](const cv::Mat& part, int reduction, const cv::Point& origin) {
    for (TagCandidate candidate : SearchTagsAtScale(part, reduction)) {
      if (!IsRigOrCardId(candidate.id, rig)) continue;
      for (Eigen::Vector2d& corner : candidate.corners_px) {
        corner += Eigen::Vector2d(origin.x, origin.y);
      }
      const bool known = std::any_of(merged.begin(), merged.end(), [&](const TagCandidate& other) {
        return other.id == candidate.id &&
               (other.CenterPx() - candidate.CenterPx()).norm() < 0.5 * candidate.SidePx();
      });
      if (!known) merged.push_back(candidate);
    }
  };
  const int longer = std::max(gray.cols, gray.rows);
  for (const int reduction : {2, 4, 8}) {
    if (longer / reduction >= 480) merge(gray, reduction, {0, 0});
  }
  // The full scale takes five times as long as all the others together: only where it may add a
  // tag too small for half scale, and only about the rig where that is known.
  const cv::Rect rest = FullScaleRegion(merged, rig, gray.size());
  if (rest.area() > 0) merge(gray(rest), 1, rest.tl());
  return merged;
}

std::vector<TagCandidate> KeepConsistent(const std::vector<TagCandidate>& candidates,
                                         const Rig& rig) {
  const RigBars bars = FindRigBars(rig);
  std::vector<std::vector<TagCandidate>> of_bar(static_cast<std::size_t>(bars.Count()));
  std::vector<TagCandidate> cards;
  for (const TagCandidate& candidate : candidates) {
    const RigTag* tag = rig.FindTag(candidate.id);
    if (tag == nullptr) {
      cards.push_back(candidate);
      continue;
    }
    const auto index = static_cast<std::size_t>(tag - rig.tags.data());
    of_bar[static_cast<std::size_t>(bars.bar_of_tag[index])].push_back(candidate);
  }
  std::vector<TagCandidate> kept;
  for (int bar = 0; bar < bars.Count(); ++bar) {
    const auto good =
        KeepConsistentOfBar(of_bar[static_cast<std::size_t>(bar)], rig, PlaneOfBar(rig, bars, bar));
    kept.insert(kept.end(), good.begin(), good.end());
  }
  std::map<int, std::pair<double, TagCandidate>>
      nearest;  // of each card the one nearest to the rig
  for (const TagCandidate& card : cards) {
    const auto distance = CardDistance(card, kept);
    if (!distance) continue;
    const auto known = nearest.find(card.id);
    if (known == nearest.end() || *distance < known->second.first) {
      nearest[card.id] = {*distance, card};
    }
  }
  std::vector<TagCandidate> result = kept;
  for (const auto& entry : nearest) result.push_back(entry.second.second);
  return result;
}

std::vector<TagCandidate> PredictMissing(const std::vector<TagCandidate>& found, const Rig& rig) {
  constexpr std::size_t kNeighbours = 4;
  const RigBars bars = FindRigBars(rig);
  std::vector<TagCandidate> predicted;
  for (std::size_t i = 0; i < rig.tags.size(); ++i) {
    const RigTag& tag = rig.tags[i];
    if (!TagTemplate::HasTag(tag.id)) continue;
    std::vector<std::pair<double, const TagCandidate*>> near;
    bool is_found = false;
    for (const TagCandidate& candidate : found) {
      const RigTag* other = rig.FindTag(candidate.id);
      if (other == nullptr) continue;
      is_found = is_found || other == &tag;
      const auto index = static_cast<std::size_t>(other - rig.tags.data());
      if (bars.bar_of_tag[index] != bars.bar_of_tag[i]) continue;
      near.emplace_back((other->CenterMm() - tag.CenterMm()).norm(), &candidate);
    }
    if (is_found || near.size() < 3) continue;
    std::sort(near.begin(), near.end(),
              [](const auto& a, const auto& b) { return a.first < b.first; });
    near.resize(std::min(near.size(), kNeighbours));
    const BarPlane plane = PlaneOfBar(rig, bars, bars.bar_of_tag[i]);
    std::vector<cv::Point2d> plane_mm;
    std::vector<cv::Point2d> picture_px;
    for (const auto& entry : near) {
      AppendCorners(*entry.second, *rig.FindTag(entry.second->id), plane, plane_mm, picture_px);
    }
    const cv::Mat px_from_mm = cv::findHomography(plane_mm, picture_px, 0);
    if (px_from_mm.empty()) continue;
    std::vector<cv::Point2d> corners_mm;
    for (const Eigen::Vector3d& corner : tag.corners_mm) corners_mm.push_back(plane.At(corner));
    std::vector<cv::Point2d> corners_px;
    cv::perspectiveTransform(corners_mm, corners_px, px_from_mm);
    TagCandidate candidate;
    candidate.id = tag.id;
    for (std::size_t k = 0; k < 4; ++k)
      candidate.corners_px[k] = {corners_px[k].x, corners_px[k].y};
    predicted.push_back(candidate);
  }
  return predicted;
}

}  // namespace tinesight

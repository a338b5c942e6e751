#include "vision/note_detection.hpp"

#include <algorithm>
#include <cmath>
#include <opencv2/imgcodecs.hpp>

#include "calibration/median.hpp"
#include "vision/neighbor_pattern.hpp"
#include "vision/row_trend.hpp"
#include "vision/tine_detection.hpp"
#include "vision/tone_bar_detection.hpp"

namespace tinesight {
namespace {

TinePrediction Predict(const DetectedPickup& pickup, const NoteGeometry& note,
                       const NoteDetectionOptions& options) {
  TinePrediction p;
  p.pickup_mm = {pickup.plane_mm.x(), pickup.plane_mm.y(), options.row_z_mm};
  p.height_mm = note.height_mm;
  p.gap_mm = note.gap_mm;
  p.length_mm = note.tine_length_mm;
  p.diameter_mm = note.tine_diameter_mm;
  // A degree and a quarter at the mount, beside what depth and height take away in the picture.
  p.search_tip_mm = 2.4 + 0.022 * note.tine_length_mm;
  // The rig may be clamped a little askew: the longer the tine, the further off its root may be.
  p.search_root_mm = 1.2 + 0.006 * note.tine_length_mm;
  p.seen_elsewhere = note.seen_elsewhere;
  if (note.expected) {
    p.pickup_mm = note.expected->at_pickup_mm - Eigen::Vector3d(0.0, note.height_mm, 0.0);
    p.direction = note.expected->direction;
    p.root_sigma_mm = 0.4;
    p.search_root_mm = std::min(p.search_root_mm, 3.0 * p.root_sigma_mm);
  }
  return p;
}

void HandOverDebug(const NoteDetectionOptions& options, int midi, const cv::Mat& picture) {
  if (!options.debug || picture.empty()) return;
  std::vector<unsigned char> png;
  cv::imencode(".png", picture, png);
  options.debug(midi, {reinterpret_cast<const char*>(png.data()), png.size()});
}

bool RowInView(const PhotoView& view, const TinePrediction& p) {
  const Eigen::Vector3d tip = p.pickup_mm + Eigen::Vector3d(0.0, p.height_mm, -p.gap_mm);
  return view.Shows(p.pickup_mm, 20.0) &&
         view.Shows(tip - std::min(5.0, p.length_mm) * p.direction, 10.0);
}

/// Where nothing else tells, a first look at every tine tells where the roots stand in line: the
/// rig may sit a little askew, while the blocks stand straight beside each other.
void ExpectRootsInLine(const PhotoView& view, const std::vector<NoteGeometry>& notes,
                       std::vector<TinePrediction>& predictions) {
  std::vector<double> x;
  std::vector<double> root;
  for (std::size_t i = 0; i < predictions.size(); ++i) {
    if (notes[i].expected || !RowInView(view, predictions[i])) continue;
    const TineScan scan(view, predictions[i]);
    if (!scan.Usable()) continue;
    x.push_back(predictions[i].pickup_mm.x());
    root.push_back(scan.RootOffsetMm());
  }
  const RowTrend trend = FitRowTrend(x, root);
  if (!trend.usable) return;
  for (std::size_t i = 0; i < predictions.size(); ++i) {
    if (notes[i].expected) continue;
    TinePrediction& p = predictions[i];
    p.expected_root_mm = trend.At(p.pickup_mm.x());
    p.root_sigma_mm = std::clamp(trend.scatter, 0.2, 0.8);
    p.search_root_mm = std::min(p.search_root_mm, 3.0 * p.root_sigma_mm);
  }
}

// What the share of a rod's outlines that was found says of the axis: on rendered photos of two
// makers, by an early build, the error grew from 0.3 px at 0.6 and more to about 1 px at 0.3. A
// tine below kFaintShare is looked for again; a figure is still given down to kLeastShare, if it
// looks like its neighbors.
constexpr double kFaintShare = 0.25;
constexpr double kLeastShare = 0.2;

// Rods of one photo look alike: on photos of two makers a tine's correlation with its neighbors'
// look was 0.8 to 0.99 and never below 0.69, that of something else 0.33. A tine that looks odd is
// looked for again; what looks like none of its neighbors is not taken for one.
constexpr double kOddLikeness = 0.75;
constexpr double kOddTimes = 3.0;  // or so many times as unlike as is usual in the photo
constexpr double kLeastLikeness = 0.5;

// Below the usual likeness the errors of axis points grow beyond what the picture about them says:
// RMS of 2500 axes on rendered photos, some altered as phones do, 1.6 times what they are above
// 0.95 at 0.85 to 0.9, 3 times at 0.8 to 0.85, 5 times at 0.75 to 0.8, over the sigma that an
// earlier build stated by scatter and outlines; some of those are lines beside the tine.
double TimesAsDoubtful(double likeness) {
  return std::max(1.0, std::pow((1.0 - likeness) / (1.0 - TineDetection::kUsualLikeness), 1.5));
}

// What the reading states is right where the two first lines agree. Where they don't, the rod is
// hard to make out, and a line errs by more: on the ten sample photos, of fifths by disagreement
// (0.03 to 0.3 mm) that state the same, by 0.19, 0.24, 0.27, 0.28 and 0.39 px. Likeliest there with
// 0.33 mm; the scatter of outline points and the share of them that was found tell nothing more.
double TimesAsOpen(double disagreement_mm) {
  constexpr double kTwiceAtMm = 0.33;
  return 1.0 + disagreement_mm / kTwiceAtMm;
}

/// What was seen of a tine. One whose lines disagree, or that looks unlike its neighbors, is told
/// with less confidence.
void ObserveTine(const TineDetection& tine, NoteObservation& seen) {
  if (tine.score < kLeastShare) {
    seen.problem = "the outlines of its tine are too faint to tell from what lies behind it";
    return;
  }
  if (tine.likeness < kLeastLikeness) {
    seen.problem = "what stands in front of its pickup does not look like its neighbors' tines";
    return;
  }
  seen.axis = tine.axis;
  seen.tip = tine.tip;
  seen.block_edge = tine.block_edge;
  seen.block_beside_mm = tine.block_beside_mm;
  seen.axis_score = tine.score;
  seen.axis_likeness = tine.likeness;
  for (AxisPoint& p : seen.axis) {
    p.sigma_px *= TimesAsOpen(tine.disagreement_mm) * TimesAsDoubtful(tine.likeness);
  }
}

std::vector<RodProfile> ProfilesOf(const std::vector<std::optional<TineScan>>& scans) {
  std::vector<RodProfile> profiles;
  profiles.reserve(scans.size());
  for (const auto& scan : scans) profiles.push_back(scan ? scan->Profile() : RodProfile{});
  return profiles;
}

/// Two rounds in which every tine looks again with the pattern of its neighbors.
void LearnFromNeighbors(std::vector<std::optional<TineScan>>& scans) {
  for (int round = 0; round < 2; ++round) {
    const std::vector<RodProfile> profiles = ProfilesOf(scans);
    for (std::size_t i = 0; i < scans.size(); ++i) {
      if (!scans[i]) continue;
      const RodProfile pattern = NeighborPattern(profiles, i);
      if (pattern.size() == profiles[i].size()) scans[i]->LookAgain(pattern);
    }
  }
}

/// Lets every tine look where other photos show it.
void HearOtherPhotos(std::vector<std::optional<TineScan>>& scans) {
  const std::vector<RodProfile> profiles = ProfilesOf(scans);
  for (std::size_t i = 0; i < scans.size(); ++i) {
    if (!scans[i]) continue;
    const RodProfile pattern = NeighborPattern(profiles, i);
    if (pattern.size() == profiles[i].size()) scans[i]->HearOtherPhotos(pattern);
  }
}

/// What a tine's likeness must reach in this photo not to be odd.
double UsualLikeness(const std::vector<std::optional<TineScan>>& scans) {
  std::vector<double> unlikeness;
  for (const auto& scan : scans) {
    if (scan) unlikeness.push_back(1.0 - scan->Likeness());
  }
  if (unlikeness.empty()) return kOddLikeness;
  return std::max(kOddLikeness, 1.0 - kOddTimes * MedianOf(unlikeness));
}

/// A tine too faint to be given, or unlike its neighbors, may have been missed: it is looked for
/// once more, everywhere, by what its neighbors look like.
void LookForMissedTines(std::vector<std::optional<TineScan>>& scans) {
  const std::vector<RodProfile> profiles = ProfilesOf(scans);
  const double usual = UsualLikeness(scans);
  for (std::size_t i = 0; i < scans.size(); ++i) {
    if (!scans[i]) continue;
    const bool plain = scans[i]->FitOutlines() && scans[i]->OutlineShare() >= kFaintShare;
    if (plain && scans[i]->Likeness() >= usual) continue;
    const RodProfile pattern = NeighborPattern(profiles, i);
    if (pattern.size() == profiles[i].size()) scans[i]->LookEverywhere(pattern);
  }
}

/// Fits the outlines of every tine and holds the lines against their neighbors'. The two err in
/// different ways: what comes of it is their mean.
void FitLines(std::vector<std::optional<TineScan>>& scans) {
  std::vector<std::size_t> indices;
  std::vector<RodStrip> strips;
  for (std::size_t i = 0; i < scans.size(); ++i) {
    if (!scans[i] || !scans[i]->FitOutlines()) continue;
    indices.push_back(i);
    strips.push_back(scans[i]->Strip());
    strips.back().place = static_cast<int>(i);
  }
  RegisterRods(strips);
  for (std::size_t k = 0; k < indices.size(); ++k) {
    scans[indices[k]]->MoveToward(strips[k]);
  }
}

/// Where a tine's root and its line at the pickup are, mm to the right of what was predicted.
struct TineSides {
  double root_mm = 0.0;
  double tip_mm = 0.0;
};

/// Fills in the tone bars. They are looked for behind their tines, along the direction that the
/// tines have on the whole.
void AddToneBars(const PhotoView& view, const std::vector<TinePrediction>& predictions,
                 const std::vector<std::optional<TineSides>>& sides,
                 const NoteDetectionOptions& options, std::vector<NoteObservation>& notes) {
  std::vector<std::size_t> indices;
  std::vector<ToneBarPrediction> bars;
  std::vector<double> slopes;
  for (std::size_t i = 0; i < predictions.size(); ++i) {
    if (!sides[i]) continue;
    const TinePrediction& p = predictions[i];
    const double root_along_mm = p.gap_mm + p.length_mm;
    const Eigen::Vector3d above(sides[i]->root_mm, p.height_mm, 0.0);
    indices.push_back(i);
    bars.push_back({p.pickup_mm + above - root_along_mm * p.direction, p.length_mm, root_along_mm});
    slopes.push_back(p.direction.x() / p.direction.z() +
                     (sides[i]->tip_mm - sides[i]->root_mm) / root_along_mm);
  }
  if (bars.empty()) return;
  ToneBarOptions bar_options;
  bar_options.note_spacing_mm = options.note_spacing_mm;
  bar_options.width_mm = options.tone_bar_width_mm;
  bar_options.direction = Eigen::Vector3d(MedianOf(slopes), 0.0, 1.0);
  std::vector<std::vector<AxisPoint>> found = DetectToneBars(view, bars, bar_options);
  for (std::size_t k = 0; k < indices.size(); ++k) {
    notes[indices[k]].tone_bar = std::move(found[k]);
  }
}

/// Where a note's block seems to stand: its place in the row, and how far beside a usual one's.
struct BlockPlace {
  std::size_t note = 0;
  double x_mm = 0.0;
  double beside_mm = 0.0;
};

/// Blocks stand in line but for a mm or so in height, which looks like 3 mm along; what stands out
/// of their line is another edge.
void DropOddBlocks(const std::vector<BlockPlace>& blocks, std::vector<NoteObservation>& notes) {
  constexpr double kOddMm = 3.5;
  std::vector<double> x;
  std::vector<double> beside;
  for (const BlockPlace& block : blocks) {
    x.push_back(block.x_mm);
    beside.push_back(block.beside_mm);
  }
  const std::vector<bool> odd = OutOfRow(x, beside, kOddMm);
  for (std::size_t i = 0; i < blocks.size(); ++i) {
    if (odd[i]) notes[blocks[i].note].block_edge.reset();
  }
}

std::vector<std::optional<TineScan>> StartScans(const PhotoView& view,
                                                const std::vector<TinePrediction>& predictions) {
  std::vector<std::optional<TineScan>> scans;
  for (const TinePrediction& prediction : predictions) {
    std::optional<TineScan>& scan = scans.emplace_back();
    if (RowInView(view, prediction)) scan.emplace(view, prediction);
    if (scan && !scan->Usable()) scan.reset();
  }
  return scans;
}

/// What was seen of a note but for its tone bar, with the reason where no tine was.
std::optional<TineDetection> ObserveNote(const DetectedPickup& pickup,
                                         std::optional<TineScan>& scan,
                                         const NoteDetectionOptions& options,
                                         NoteObservation& seen) {
  seen.flange = pickup.flange;
  seen.pole = pickup.pole;
  if (!pickup.flange) {
    seen.problem = "its pickup could not be made out";
    return std::nullopt;
  }
  if (!scan) {
    seen.problem = "too little of its tine is in view";
    return std::nullopt;
  }
  cv::Mat debug;
  auto tine = scan->Finish(options.debug ? &debug : nullptr);
  if (tine) {
    ObserveTine(*tine, seen);
  } else {
    seen.problem = "no rod of the tine's diameter stands out in front of its pickup";
  }
  HandOverDebug(options, seen.midi, debug);
  return tine;
}

}  // namespace

std::vector<NoteObservation> DetectNotes(const PhotoView& view,
                                         const std::vector<DetectedPickup>& pickups,
                                         const std::vector<NoteGeometry>& notes,
                                         const NoteDetectionOptions& options) {
  std::vector<TinePrediction> predictions;
  for (std::size_t i = 0; i < pickups.size() && i < notes.size(); ++i) {
    predictions.push_back(Predict(pickups[i], notes[i], options));
  }
  ExpectRootsInLine(view, notes, predictions);
  std::vector<std::optional<TineScan>> scans = StartScans(view, predictions);
  LearnFromNeighbors(scans);
  HearOtherPhotos(scans);
  LookForMissedTines(scans);
  FitLines(scans);
  std::vector<NoteObservation> result;
  std::vector<std::optional<TineSides>> sides(predictions.size());
  std::vector<BlockPlace> blocks;
  for (std::size_t i = 0; i < predictions.size(); ++i) {
    NoteObservation& seen = result.emplace_back();
    seen.midi = notes[i].midi;
    const auto tine = ObserveNote(pickups[i], scans[i], options, seen);
    if (!tine) continue;
    sides[i] = {tine->offset_root_mm, tine->offset_tip_mm};
    if (tine->block_edge) {
      blocks.push_back({i, predictions[i].pickup_mm.x(), tine->block_beside_mm});
    }
  }
  DropOddBlocks(blocks, result);
  if (options.tone_bars) AddToneBars(view, predictions, sides, options, result);
  return result;
}

}  // namespace tinesight

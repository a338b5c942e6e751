#pragma once

#include <Eigen/Core>
#include <memory>
#include <opencv2/core/mat.hpp>
#include <optional>
#include <string>
#include <vector>

#include "vision/note_observation.hpp"
#include "vision/photo_view.hpp"
#include "vision/rod_reading.hpp"
#include "vision/rod_registration.hpp"
#include "vision/rod_search.hpp"
#include "vision/tine_prediction.hpp"

namespace tinesight {

/// What a photo shows of one tine.
struct TineDetection {
  std::vector<AxisPoint> axis;
  std::optional<EndObservation> tip;
  std::optional<EdgeObservation> block_edge;
  double block_beside_mm = 0.0;  ///< how much farther along z than a usual block's that edge seems
  double score = 0.0;            ///< share of the looked-at length whose two outlines were found
  double likeness = 1.0;         ///< correlation of the rod's profile with its neighbors', -1 to 1;
                                 ///< 1 without a neighbor
  static constexpr double kUsualLikeness = 0.9;  ///< below it a line may lie beside its rod
  double disagreement_mm = 0.0;  ///< between the steadiest line and the outlines' line
  double width_ratio = 1.0;      ///< found width over predicted
  double offset_tip_mm = 0.0;    ///< chosen line at the pickup's face, across the view
  double offset_root_mm = 0.0;   ///< and at the root
};

/// Finds a tine as a whole rod: an inside that stays the same along its length while what lies
/// behind it changes, and two outlines at the distance that the known diameter and the solved
/// camera predict, among all lines within the search range. The tines of a photo mirror the same
/// surroundings: once all had a first look, each may look again with its neighbors' profile.
class TineScan {
 public:
  /// Straightens the picture along the prediction and takes the first look. `view` must outlive
  /// the scan.
  TineScan(const PhotoView& view, const TinePrediction& prediction);
  ~TineScan();
  TineScan(TineScan&&) noexcept;
  TineScan& operator=(TineScan&&) noexcept;

  /// Whether enough of the tine is in view to look at. The other functions need it true.
  [[nodiscard]] bool Usable() const { return usable_; }
  /// Chosen line at the root, mm across the view from the prediction.
  [[nodiscard]] double RootOffsetMm() const;
  /// The rod's profile along the chosen line.
  [[nodiscard]] RodProfile Profile() const;
  /// Chooses again, near the first choice, with the pattern that the rod should show.
  void LookAgain(const RodProfile& pattern);
  /// Chooses again in the whole range with that pattern: for a rod too faint to be found alone,
  /// or one that looks unlike its neighbors. Stays where it is if nothing looks clearly more alike.
  void LookEverywhere(const RodProfile& pattern);
  /// Looks where other photos show the tine (TinePrediction::seen_elsewhere), if that is elsewhere,
  /// and moves there if this picture, too, speaks more for it.
  void HearOtherPhotos(const RodProfile& pattern);
  /// Correlation of the chosen line's profile with the last pattern, -1 to 1; 1 without one.
  [[nodiscard]] double Likeness() const;
  /// Share of the looked-at length whose outlines were found, where it shows the rod itself. Needs
  /// FitOutlines() true.
  [[nodiscard]] double OutlineShare() const;
  /// Fits the outlines along the chosen line. False: no such pair of outlines stands out.
  [[nodiscard]] bool FitOutlines();
  /// The rod with its fitted line, to be held against its neighbors; `picture` lives as long as
  /// the scan. Needs FitOutlines() true.
  [[nodiscard]] RodStrip Strip() const;
  /// Goes toward a line that RegisterRods() moved, half the way or more (OwnShare).
  void MoveToward(const RodStrip& strip);
  /// Settles the line on the rod by what it hides (SettleByOcclusion) and as a network reads it
  /// (ReadRod), and tells what was found. nullopt: FitOutlines() was false, or too little of the
  /// rod carries the line. `debug` (may be null) receives the straightened picture with the chosen
  /// outlines. Called once: each call settles the line again.
  [[nodiscard]] std::optional<TineDetection> Finish(cv::Mat* debug = nullptr);

 private:
  void Choose(const RodLine& line, const RodProfile& pattern);
  [[nodiscard]] RodReading Settle();
  [[nodiscard]] double OutlinedMm() const;

  struct Impl;
  std::unique_ptr<Impl> impl_;
  bool usable_ = false;
};

}  // namespace tinesight

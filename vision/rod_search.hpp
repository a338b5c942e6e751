#pragma once

#include <opencv2/core/mat.hpp>
#include <vector>

#include "vision/rod_stretches.hpp"
#include "vision/straightened.hpp"
#include "vision/tine_prediction.hpp"

namespace tinesight {

/// The profile across a rod, color channels in a row, mean removed and normalized.
using RodProfile = std::vector<float>;

/// Finds the rod by what glare cannot fake: a straight round rod of one steel mirrors the same
/// surroundings along its whole length, so that its picture, straightened, has the same profile in
/// every stretch, while what lies behind it changes. It is tempting to look for the strongest
/// pair of edges instead; on steel these are the highlight's.
class RodSearch {
 public:
  /// Looks at the stretches between the tine's end and `visible_to_mm` from the pickup's face.
  /// What it is given must outlive it.
  RodSearch(const Straightened& picture, const RodStretches& stretches, const TinePrediction& p,
            double visible_to_mm);

  [[nodiscard]] bool Usable() const { return used_.size() >= 4; }

  struct Found {
    RodLine line;
    double score = -1e9;
  };

  /// The best line of the whole search range: coarsely, then finely about the best ones, as a rod
  /// many columns wide is not missed by a step of a tenth of its width.
  [[nodiscard]] Found Best() const;

  /// The rod's own profile along a line: per column inside it the median over the stretches, all
  /// color channels in a row, mean removed and normalized.
  [[nodiscard]] RodProfile Profile(const RodLine& line) const;

  /// Correlation of each used stretch's profile along a line with a pattern.
  [[nodiscard]] std::vector<double> CorrelationsAlong(const RodLine& line,
                                                      const RodProfile& pattern) const;

  /// The mean of the better 70 % of the stretches' correlations.
  [[nodiscard]] static double Likeness(std::vector<double> correlations);

  /// How much each stretch shows of the rod itself, 0 to 1, by its correlation with what the rod
  /// looks like: little where a tuning spring hides it, whose sides are easily taken for the rod's.
  [[nodiscard]] static std::vector<double> RodShares(const std::vector<double>& correlations);

  /// The best line near `middle` when the rod is also to look like its neighbors do.
  [[nodiscard]] RodLine BestWithPattern(const RodLine& middle, const RodProfile& pattern) const;

  /// The best line near `expected`, where the rod is expected for a reason of its own: what a line
  /// costs counts from there.
  [[nodiscard]] RodLine BestAbout(const RodLine& expected, const RodProfile& pattern) const;

  /// What speaks for a line in the picture alone: steadiness, outlines and likeness to the pattern,
  /// whatever is expected.
  [[nodiscard]] double PictureValue(const RodLine& line, const RodProfile& pattern) const;

  /// The best line of the whole search range when the rod is also to look like its neighbors do.
  [[nodiscard]] RodLine BestAnywhereWithPattern(const RodProfile& pattern) const;

  /// The stretches that are looked at.
  [[nodiscard]] const std::vector<int>& Used() const { return used_; }

 private:
  struct Column {
    double offset_mm;
    int zone;  // 0 inside, 1 left of the rod, 2 right of it
  };

  /// Adds the lines of a grid with their scores.
  void Scan(const RodLine& middle, const RodLine& half, double step_mm,
            std::vector<Found>& found) const;
  /// What a line's place at the root costs.
  [[nodiscard]] double RootPenalty(const RodLine& line) const;
  /// What its turn on the way from the root to the pickup costs: tines leave their blocks nearly
  /// straight. A short tine has little to show, and a flange beside it is as steady.
  [[nodiscard]] double TurnPenalty(const RodLine& line) const;
  /// What a line costs about one that is taken for the rod's.
  [[nodiscard]] double NearPenalty(const RodLine& line) const;
  /// What a line costs among all that are looked at. Its turn counts in full only where little of
  /// the tine shows: a long one that is crooked speaks for itself.
  [[nodiscard]] double FarPenalty(const RodLine& line) const;
  /// Near the best line, lets the outlines have their say: steadiness finds the rod, edges at
  /// both sides at the known width tell where exactly it is. The stretches that count as steady
  /// stay fixed, so that the score is smooth.
  void Sharpen(Found& best) const;
  /// Mean strength of the edges at both outlines, 0 to 2.
  [[nodiscard]] double Outlines(const RodLine& line) const;
  /// How much steadier the profile is along the line inside the rod than outside, the edges at its
  /// outlines, and the logarithm of the prior.
  [[nodiscard]] double Score(const RodLine& line) const;
  [[nodiscard]] double Steadiness(const std::vector<cv::Vec3f>& values,
                                  const std::vector<int>& kept) const;
  [[nodiscard]] double NoiseVariance() const;
  [[nodiscard]] std::vector<double> Correlations(const std::vector<cv::Vec3f>& values,
                                                 const RodProfile& pattern) const;
  /// Profile values, used stretches x columns, read along the line.
  [[nodiscard]] std::vector<cv::Vec3f> Read(const RodLine& line) const;
  [[nodiscard]] const cv::Vec3f& At(const std::vector<cv::Vec3f>& values, int k,
                                    std::size_t column) const;
  /// The 65 % of stretches whose inside is nearest to the median profile: leaves out the tuning
  /// spring, the block, and a neighbor that crosses.
  [[nodiscard]] std::vector<int> SteadiestStretches(const std::vector<cv::Vec3f>& values) const;
  /// Variance of a column over the kept stretches about a straight line in `along`: a highlight
  /// may wander slowly as the view of the rod changes along it.
  [[nodiscard]] double ResidualVariance(const std::vector<cv::Vec3f>& values,
                                        const std::vector<int>& kept, std::size_t column) const;

  const Straightened& picture_;
  const RodStretches& stretches_;
  const TinePrediction& prediction_;
  double span_mm_;
  std::vector<int> used_;
  std::vector<Column> columns_;
  double noise2_ = 1.0;
  cv::Mat strength_;  // edge strength 0 to 1, stretches x columns
};

}  // namespace tinesight

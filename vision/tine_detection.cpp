#include "vision/tine_detection.hpp"

#include <algorithm>
#include <cmath>
#include <numeric>
#include <opencv2/imgproc.hpp>

#include "vision/block_screen.hpp"
#include "vision/end_reading.hpp"
#include "vision/local_line.hpp"
#include "vision/rod_occlusion.hpp"
#include "vision/rod_outlines.hpp"
#include "vision/rod_reading.hpp"
#include "vision/rod_search.hpp"
#include "vision/rod_stretches.hpp"
#include "vision/straightened.hpp"

namespace tinesight {
namespace {

/// `ends`: where the tine was found to end, and to come out of its block.
void DrawDebug(const Straightened& picture, const OutlineFit& fit,
               const std::vector<EndPlace>& ends, double span_mm, cv::Mat& debug) {
  picture.Bgr().convertTo(debug, CV_8UC3);
  cv::resize(debug, debug, {}, 2.0, 4.0, cv::INTER_NEAREST);
  const auto mark = [&](double along, double across, const cv::Scalar& color) {
    cv::circle(debug, {cvRound(2.0 * picture.Column(across)), cvRound(4.0 * picture.Row(along))}, 1,
               color, cv::FILLED);
  };
  for (const OutlinePoint& p : fit.points) {
    mark(p.along_mm, p.across_mm, p.weight > 0.0 ? cv::Scalar(0, 220, 0) : cv::Scalar(0, 0, 255));
  }
  for (double along = 0.0; along < span_mm; along += 2.0) {
    mark(along, fit.line.At(along, span_mm), {255, 200, 0});
  }
  for (const EndPlace& end : ends) {
    // A bar across the rod where it ends, as wide as it is sure along.
    for (double across = -fit.half_width_mm; across <= fit.half_width_mm; across += 0.05) {
      for (const double off : {-end.sigma_mm, 0.0, end.sigma_mm}) {
        const double along = end.along_mm + off;
        mark(along, fit.line.At(along, span_mm) + across, {255, 0, 255});
      }
    }
  }
}

/// How far toward the root the tine can be seen before its block hides it, mm from the pickup
/// face: the line of sight clears a block of usual size over its top or past its side.
double VisibleToMm(const PhotoView& view, const TinePrediction& p) {
  const double span_mm = p.gap_mm + p.length_mm;
  const Eigen::Vector3d root = p.pickup_mm - span_mm * p.direction;
  const Eigen::Vector3d sight = root - view.CameraCenterMm();
  const double over_top =
      UsualBlock::kHalfHeightMm * sight.z() / std::max(1.0, std::abs(sight.y()));
  const double past_side =
      UsualBlock::kHalfWidthMm * sight.z() / std::max(1.0, std::abs(sight.x()));
  return span_mm - std::min({over_top, past_side, 0.5 * span_mm});
}

/// How far two lines are apart where the tine is likely to show.
double Apart(const RodLine& a, const RodLine& b, double span_mm) {
  const double middle_mm = 0.5 * span_mm;
  return std::max(std::abs(a.tip_mm - b.tip_mm),
                  std::abs(a.At(middle_mm, span_mm) - b.At(middle_mm, span_mm)));
}

/// Which line was taken for the rod's, and why.
struct Choice {
  RodSearch::Found found;
  std::optional<double> likeness;  // once a pattern was known
  std::vector<double> rod_shares;  // of the used stretches; 1 without a pattern
};

/// The middle of a block's upper edge toward the pickup, and how much farther along z than a usual
/// block's it lies.
struct BlockEdge {
  Eigen::Vector3d at_mm = Eigen::Vector3d::Zero();
  EndPlace beside;
};

}  // namespace

struct TineScan::Impl {
  Impl(const PhotoView& photo, const TinePrediction& p)
      : view(photo),
        prediction(p),
        picture(photo, AxisOf(p), -1.0, p.gap_mm + p.length_mm, HalfWidthMm(p)),
        stretches(GatherStretches(picture)),
        search(picture, stretches, prediction, VisibleToMm(photo, p)),
        choice{{}, std::nullopt, std::vector<double>(search.Used().size(), 1.0)} {}

  static Straightened::Axis AxisOf(const TinePrediction& p) {
    return {p.pickup_mm + Eigen::Vector3d(0.0, p.height_mm, 0.0), -p.direction.normalized()};
  }
  static double HalfWidthMm(const TinePrediction& p) {
    return std::max(p.search_tip_mm, std::abs(p.expected_root_mm) + p.search_root_mm) +
           p.diameter_mm;
  }

  [[nodiscard]] double SpanMm() const { return prediction.gap_mm + prediction.length_mm; }
  [[nodiscard]] ShownRod Rod() const { return {prediction.diameter_mm, SpanMm()}; }
  /// A place of the fitted line in the photo.
  [[nodiscard]] Eigen::Vector2d LinePx(double along_mm) const {
    return picture.PhotoPx(along_mm, fit->line.At(along_mm, SpanMm()));
  }
  [[nodiscard]] EndObservation Observed(const EndPlace& end) const {
    const double px_per_mm = (LinePx(end.along_mm + 0.5) - LinePx(end.along_mm - 0.5)).norm();
    return {LinePx(end.along_mm), px_per_mm * end.sigma_mm};
  }
  /// The middle of the upper edge of a block of usual size, toward the pickup, over the fitted
  /// line's root.
  [[nodiscard]] Eigen::Vector3d UsualBlockEdge() const {
    const double span_mm = SpanMm();
    const Eigen::Vector3d root = AxisOf(prediction).start_mm - span_mm * prediction.direction;
    const Eigen::Vector3d x = Eigen::Vector3d::UnitX();
    const double across_per_mm = picture.AcrossOf(root + x, span_mm);
    return root + fit->line.root_mm / across_per_mm * x -
           Eigen::Vector3d(0.0, UsualBlock::kHalfHeightMm, 0.0);
  }
  [[nodiscard]] std::optional<BlockEdge> FindBlockEdge() const {
    const Eigen::Vector3d usual = UsualBlockEdge();
    const auto read = ReadBlockEdge(view, usual);
    if (!read) return std::nullopt;
    return BlockEdge{usual + read->along_mm * Eigen::Vector3d::UnitZ(), *read};
  }
  [[nodiscard]] EdgeObservation Observed(const BlockEdge& edge) const {
    const Eigen::Vector2d px = view.Project(edge.at_mm);
    const Eigen::Vector2d along =
        (view.Project(edge.at_mm + Eigen::Vector3d::UnitX()) - px).normalized();
    const Eigen::Vector2d per_mm = view.Project(edge.at_mm + Eigen::Vector3d::UnitZ()) - px;
    const double px_per_mm = std::abs(along.x() * per_mm.y() - along.y() * per_mm.x());
    return {px, px_per_mm * edge.beside.sigma_mm};
  }
  /// Where a block's edge seems to cross the tine: where the plane through eye and edge does.
  [[nodiscard]] EndPlace Crossing(const BlockEdge& edge) const {
    const Eigen::Vector3d plane =
        Eigen::Vector3d::UnitX().cross(edge.at_mm - view.CameraCenterMm());
    const Straightened::Axis axis = AxisOf(prediction);
    return {plane.dot(edge.at_mm - axis.start_mm) / plane.dot(axis.toward_mount),
            edge.beside.sigma_mm};
  }

  const PhotoView& view;
  TinePrediction prediction;
  Straightened picture;
  RodStretches stretches;
  RodSearch search;
  Choice choice;
  std::optional<OutlineFit> fit;
  double disagreement_mm = 0.0;  // between the steadiest line and the outlines' line
};

TineScan::TineScan(const PhotoView& view, const TinePrediction& prediction)
    : impl_(std::make_unique<Impl>(view, prediction)) {
  usable_ = impl_->search.Usable();
  if (usable_) impl_->choice.found = impl_->search.Best();
}
TineScan::~TineScan() = default;
TineScan::TineScan(TineScan&&) noexcept = default;
TineScan& TineScan::operator=(TineScan&&) noexcept = default;

double TineScan::RootOffsetMm() const { return impl_->choice.found.line.root_mm; }

RodProfile TineScan::Profile() const { return impl_->search.Profile(impl_->choice.found.line); }

double TineScan::Likeness() const { return impl_->choice.likeness.value_or(1.0); }

void TineScan::LookAgain(const RodProfile& pattern) {
  Choose(impl_->search.BestWithPattern(impl_->choice.found.line, pattern), pattern);
}

void TineScan::Choose(const RodLine& line, const RodProfile& pattern) {
  impl_->choice.found.line = line;
  const std::vector<double> correlations = impl_->search.CorrelationsAlong(line, pattern);
  impl_->choice.likeness = RodSearch::Likeness(correlations);
  impl_->choice.rod_shares = RodSearch::RodShares(correlations);
}

void TineScan::LookEverywhere(const RodProfile& pattern) {
  constexpr double kClearly = 0.03;
  const Choice before = impl_->choice;
  impl_->choice.found.line = impl_->search.BestAnywhereWithPattern(pattern);
  LookAgain(pattern);
  if (before.likeness && Likeness() < *before.likeness + kClearly) impl_->choice = before;
}

void TineScan::HearOtherPhotos(const RodProfile& pattern) {
  constexpr double kElsewhereMm = 0.25;
  const TinePrediction& p = impl_->prediction;
  if (!p.seen_elsewhere) return;
  const double span_mm = p.gap_mm + p.length_mm;
  const auto across = [&](double along_mm) {
    const TineLine& there = *p.seen_elsewhere;
    const Eigen::Vector3d at =
        there.at_pickup_mm - along_mm / there.direction.z() * there.direction;
    return impl_->picture.AcrossOf(at, along_mm);
  };
  const RodLine there{across(0.0), across(span_mm)};
  const RodLine here = impl_->choice.found.line;
  if (Apart(there, here, span_mm) < kElsewhereMm) return;
  const RodLine other = impl_->search.BestAbout(there, pattern);
  if (Apart(other, here, span_mm) < kElsewhereMm) return;
  if (impl_->search.PictureValue(other, pattern) > impl_->search.PictureValue(here, pattern)) {
    Choose(other, pattern);
  }
}

bool TineScan::FitOutlines() {
  if (!usable_) return false;
  const RodLine& start = impl_->choice.found.line;
  OutlineFit fit = RefineRod(impl_->picture, impl_->stretches, impl_->prediction, start,
                             impl_->search.Used(), impl_->choice.rod_shares);
  if (fit.points.empty()) return false;
  // Steadiness and outlines err in different ways: their mean is better than either, and how far
  // they disagree tells how much to trust what comes of it.
  impl_->disagreement_mm =
      std::hypot(fit.line.tip_mm - start.tip_mm, fit.line.root_mm - start.root_mm);
  constexpr double kOutlineShare = 0.6;
  fit.line.tip_mm += (1.0 - kOutlineShare) * (start.tip_mm - fit.line.tip_mm);
  fit.line.root_mm += (1.0 - kOutlineShare) * (start.root_mm - fit.line.root_mm);
  impl_->fit = std::move(fit);
  return true;
}

double TineScan::OutlinedMm() const {
  double sum = 0.0;
  for (const OutlinePoint& p : impl_->fit->points) sum += p.weight;
  return 0.5 * impl_->stretches.length_mm * sum;
}

double TineScan::OutlineShare() const {
  const std::vector<double>& shares = impl_->choice.rod_shares;
  return OutlinedMm() /
         (std::accumulate(shares.begin(), shares.end(), 0.0) * impl_->stretches.length_mm);
}

RodStrip TineScan::Strip() const {
  const TinePrediction& p = impl_->prediction;
  const std::vector<int>& used = impl_->search.Used();
  const std::vector<double>& along = impl_->stretches.along_mm;
  RodStrip strip;
  strip.picture = &impl_->picture;
  strip.from_mm = along[static_cast<std::size_t>(used.front())];
  strip.to_mm = along[static_cast<std::size_t>(used.back())];
  strip.span_mm = p.gap_mm + p.length_mm;
  strip.radius_mm = 0.5 * p.diameter_mm;
  strip.tip_mm = impl_->fit->line.tip_mm;
  strip.root_mm = impl_->fit->line.root_mm;
  const double share = OutlineShare();
  strip.weight = std::max(1e-3, share * share);
  return strip;
}

void TineScan::MoveToward(const RodStrip& strip) {
  constexpr double kUsualMm = 0.15;
  RodLine& line = impl_->fit->line;
  const RodLine beside{line.tip_mm - strip.tip_mm, line.root_mm - strip.root_mm};
  const double apart_mm =
      std::hypot(beside.At(strip.from_mm, strip.span_mm), beside.At(strip.to_mm, strip.span_mm));
  const double share = OwnShare(apart_mm, kUsualMm);
  line = {strip.tip_mm + share * beside.tip_mm, strip.root_mm + share * beside.root_mm};
}

RodReading TineScan::Settle() {
  const RodStrip strip = Strip();
  const Straightened& picture = impl_->picture;
  RodLine& line = impl_->fit->line;
  const double half_stretch_mm = 0.5 * impl_->stretches.length_mm;
  const RodStretches rows =
      GatherRows(picture, strip.from_mm - half_stretch_mm, strip.to_mm + half_stretch_mm);
  const AcrossScale scale{1.0 / Straightened::kAcrossStepMm, picture.Column(0.0)};
  const double rows_px = (impl_->LinePx(strip.to_mm) - impl_->LinePx(strip.from_mm)).norm();
  line = SettleByOcclusion(rows, scale, impl_->Rod(), rows_px, line);
  const bool doubtful = Likeness() < TineDetection::kUsualLikeness;
  RodReading reading = ReadRod(rows, scale, impl_->Rod(), line, doubtful);
  line = reading.line;
  return reading;
}

std::optional<TineDetection> TineScan::Finish(cv::Mat* debug) {
  if (!usable_ || !impl_->fit) return std::nullopt;
  const RodReading reading = Settle();
  const TinePrediction& prediction = impl_->prediction;
  const Straightened& picture = impl_->picture;
  const double span_mm = impl_->SpanMm();
  const OutlineFit& fit = *impl_->fit;
  TineDetection found;
  found.likeness = Likeness();
  found.disagreement_mm = impl_->disagreement_mm;
  const auto tip = ReadTip(picture, impl_->Rod(), fit.line, prediction.gap_mm);
  if (tip) found.tip = impl_->Observed(*tip);
  const auto block_edge = impl_->FindBlockEdge();
  if (block_edge) {
    found.block_edge = impl_->Observed(*block_edge);
    found.block_beside_mm = block_edge->beside.along_mm;
  }
  if (debug != nullptr) {
    std::vector<EndPlace> ends;
    if (tip) ends.push_back(*tip);
    if (block_edge) ends.push_back(impl_->Crossing(*block_edge));
    DrawDebug(picture, fit, ends, span_mm, *debug);
  }
  found.score = OutlineShare();
  found.width_ratio = 2.0 * fit.half_width_mm / prediction.diameter_mm;
  found.offset_tip_mm = fit.line.tip_mm;
  found.offset_root_mm = fit.line.root_mm;
  found.axis = GatherAxis(picture, fit, reading, span_mm);
  if (found.axis.size() < 2) return std::nullopt;
  return found;
}

}  // namespace tinesight

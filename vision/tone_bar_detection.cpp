#include "vision/tone_bar_detection.hpp"

#include <algorithm>
#include <cmath>
#include <opencv2/imgproc.hpp>

#include "calibration/angle.hpp"
#include "calibration/median.hpp"
#include "vision/block_screen.hpp"
#include "vision/outline_fit.hpp"
#include "vision/straightened.hpp"

namespace tinesight {
namespace {

constexpr double kPlaneMm = 6.0;  // of the straightened picture, above the tine as played
constexpr double kPxPerMm = 10.0;
constexpr double kRowMm = 0.5;
// The stretch of the bar that is looked at: behind the block its face lies open to the camera.
constexpr double kBehindRootMm = 45.0;
constexpr double kReachOfLength = 0.62;
constexpr int kScreenColumns = 5;     // looked at together for what the blocks hide
constexpr double kLeastShown = 0.25;  // of the stretch; a line that shows less counts as if it did

constexpr double kLargestYawDeg = 2.0;
constexpr double kYawStepDeg = 0.1;
constexpr int kCoarse = 4;  // yaw steps between the looks of the vote
constexpr double kYawSigmaDeg = 0.6;
constexpr double kSideSigmaMm = 0.5;  // of a bar's middle about its tine's root
constexpr double kPriorWeight = 0.1;  // of those two against the edges' strength, without unit

// A bar's distance behind its tine, and its width as a share of the notes' spacing.
constexpr double kNearestMm = 2.0;
constexpr double kFarthestMm = 14.0;
constexpr double kDistanceStepMm = 0.5;
constexpr double kNarrowest = 0.42;
constexpr double kWidest = 0.80;
constexpr double kWidthStepMm = 0.1;

// Strength of a pair of edges, in the unit of Strength below, under which it may be anything.
constexpr double kLeastStrength = 0.3;

// How the edges are then fitted: within these of where they are expected, one after the other; all
// bars of one width. The standard uncertainty of an end of the middle line is mostly that what is
// followed may be the lower edge of a bar's side in place of the upper one. Both from rendered
// photos of four harps: 0.22° of scatter in a photo, one bar in ten 0.6° or more beside.
constexpr double kWindowsMm[] = {0.6, 0.4, 0.3, 0.3};
constexpr double kNarrowestWindowMm = 0.12;
constexpr double kWidthShare = 0.01;
constexpr double kEndSigmaMm = 0.14;
constexpr double kShortestMm = 3.0;  // deviation of the places that carry the edges
constexpr double kLeastWeight = 8.0;

double AheadMm(double row) { return kRowMm * row - kBehindRootMm; }

/// What is seen about one note, straightened: row i at AheadMm(i) ahead of the root, the columns by
/// the distance toward treble of it.
struct Strip {
  cv::Mat strength;  // CV_32FC1, of edges along the bar
  cv::Mat shown;     // CV_32FC1: 1, or 0 where a block hides it or the photo ends
  AcrossScale scale;
  [[nodiscard]] double SpanMm() const { return kRowMm * (strength.rows - 1); }
  [[nodiscard]] double MiddleMm() const { return AheadMm(0.5 * (strength.rows - 1)); }
};

/// A plane parallel to the faces of the bars, `below_mm` behind the tine.
struct BarPlane {
  const ToneBarPrediction& note;
  const Eigen::Vector3d& direction;
  double below_mm;
  [[nodiscard]] Eigen::Vector3d Point(double side_mm, double ahead_mm) const {
    return note.root_mm + Eigen::Vector3d(side_mm, below_mm, 0.0) + ahead_mm * direction;
  }
};

AcrossScale ScaleOf(const ToneBarOptions& options) {
  return {kPxPerMm, std::floor(0.95 * options.note_spacing_mm * kPxPerMm)};
}

cv::Mat Straighten(const PhotoView& view, const BarPlane& plane, const AcrossScale& scale) {
  const double length = kBehindRootMm + kReachOfLength * plane.note.length_mm;
  const int columns = 2 * static_cast<int>(scale.zero_column) + 1;
  return LookedAt(view, {columns, static_cast<int>(length / kRowMm)},
                  [&](int row, int column) { return plane.Point(scale.Mm(column), AheadMm(row)); });
}

/// log(1 + (g / 2g₀)²) of the color gradient g across, g₀ being what is usual in the row: how much
/// a strong edge counts hardly depends on how strong it is.
cv::Mat Strength(const cv::Mat& picture) {
  constexpr int kArm = 2;  // columns
  cv::Mat smooth;
  cv::GaussianBlur(picture, smooth, {0, 0}, 1.2, 2.5, cv::BORDER_REPLICATE);
  cv::Mat strength(picture.size(), CV_32F, cv::Scalar(0));
  std::vector<float> row(static_cast<std::size_t>(picture.cols - 2 * kArm));
  for (int r = 0; r < picture.rows; ++r) {
    for (int c = kArm; c < picture.cols - kArm; ++c) {
      const cv::Vec3f g = smooth.at<cv::Vec3f>(r, c + kArm) - smooth.at<cv::Vec3f>(r, c - kArm);
      row[static_cast<std::size_t>(c - kArm)] = std::sqrt(g.dot(g));
    }
    const float usual = MedianOf(row) + 1.0F;
    for (std::size_t c = 0; c < row.size(); ++c) {
      const float ratio = row[c] / (2.0F * usual);
      strength.at<float>(r, kArm + static_cast<int>(c)) = std::log1p(ratio * ratio);
    }
  }
  return strength;
}

/// Which part of a plane the photo shows, 1 or 0.
cv::Mat Shown(const PhotoView& view, const BarPlane& plane, const AcrossScale& scale,
              const BlockScreen& blocks, const cv::Size& size) {
  cv::Mat shown(size, CV_32F, cv::Scalar(0));
  for (int r = 0; r < size.height; ++r) {
    if (!view.Shows(plane.Point(0.0, AheadMm(r)))) continue;
    for (int c = 0; c < size.width; c += kScreenColumns) {
      const int end = std::min(c + kScreenColumns, size.width);
      if (blocks.Hides(plane.Point(scale.Mm(0.5 * (c + end - 1)), AheadMm(r)))) continue;
      shown(cv::Range(r, r + 1), cv::Range(c, end)) = 1.0;
    }
  }
  return shown;
}

Strip LookAt(const PhotoView& view, const ToneBarPrediction& note, const ToneBarOptions& options,
             const BlockScreen& blocks) {
  const BarPlane plane{note, options.direction, kPlaneMm};
  const AcrossScale scale = ScaleOf(options);
  Strip strip{Strength(Straighten(view, plane, scale)), {}, scale};
  strip.shown = Shown(view, plane, scale, blocks, strip.strength.size());
  return strip;
}

/// Mean strength along the lines of one yaw where they show, by where they cross the strip's middle
/// row, a value every 1 / `per_column` columns; less its median, so that 0 is no edge.
std::vector<float> LineStrength(const Strip& strip, double yaw_rad, int per_column) {
  const cv::Mat& s = strip.strength;
  std::vector<float> sum(static_cast<std::size_t>(s.cols * per_column), 0.0F);
  std::vector<float> count(sum.size(), 0.0F);
  const double columns_a_row = std::tan(yaw_rad) * kRowMm * kPxPerMm;
  for (int r = 0; r < s.rows; ++r) {
    const auto* row = s.ptr<float>(r);
    const auto* shown = strip.shown.ptr<float>(r);
    const double moved = columns_a_row * (r - 0.5 * (s.rows - 1));
    for (std::size_t k = 0; k < sum.size(); ++k) {
      const double at = static_cast<double>(k) / per_column + moved;
      const int left = static_cast<int>(std::floor(at));
      if (left < 0 || left + 1 >= s.cols || shown[left] == 0.0F) continue;
      const auto share = static_cast<float>(at - left);
      sum[k] += row[left] + share * (row[left + 1] - row[left]);
      count[k] += 1.0F;
    }
  }
  const float least = static_cast<float>(kLeastShown) * static_cast<float>(s.rows);
  for (std::size_t k = 0; k < sum.size(); ++k) sum[k] /= std::max(count[k], least);
  const float usual = MedianOf(sum);
  for (float& value : sum) value -= usual;
  return sum;
}

/// The weaker edge counts in full: a pair is as good as that one.
float PairStrength(float left, float right) {
  return std::min(left, right) + 0.5F * std::max(left, right);
}

double YawPenalty(double yaw_deg) {
  return kPriorWeight * 0.5 * std::pow(yaw_deg / kYawSigmaDeg, 2);
}

/// What all tone bars of a photo have in common.
struct CommonBar {
  double width_mm = 0.0;
  double distance_mm = 0.0;  // of their faces behind the tines
  double votes = -1.0;
};

/// Where a bar's middle line shows in the straightened plane, mm toward treble of the root, if it
/// runs straight behind its tine: seen from the camera, what lies behind the plane moves toward the
/// foot of the camera.
double ExpectedSideMm(const PhotoView& view, const ToneBarPrediction& note, double distance_mm) {
  const Eigen::Vector3d from_camera = note.root_mm - view.CameraCenterMm();
  const double stretch = (from_camera.y() + kPlaneMm) / (from_camera.y() + distance_mm);
  return from_camera.x() * (stretch - 1.0);
}

using Looks = std::vector<std::vector<float>>;  // LineStrength by yaw

/// The best pair of each place, `width` columns apart, over all yaws, spread to the neighboring
/// places: a bar need not run exactly behind its tine.
std::vector<float> BestPairs(const Looks& looks, std::size_t width) {
  constexpr int kSpread = 3;
  const auto count = static_cast<int>(looks.front().size() - width);
  cv::Mat best(1, count, CV_32F, cv::Scalar(-1));
  for (std::size_t i = 0; i < looks.size(); ++i) {
    const auto penalty = static_cast<float>(
        YawPenalty(-kLargestYawDeg + static_cast<double>(i) * kCoarse * kYawStepDeg));
    for (int c = 0; c < count; ++c) {
      const auto k = static_cast<std::size_t>(c);
      best.at<float>(c) =
          std::max(best.at<float>(c), PairStrength(looks[i][k], looks[i][k + width]) - penalty);
    }
  }
  cv::dilate(best, best, cv::Mat::ones(1, 2 * kSpread + 1, CV_8U));
  cv::GaussianBlur(best, best, {0, 1}, 3.0, 0.0, cv::BORDER_REPLICATE);
  return {best.begin<float>(), best.end<float>()};
}

/// Every note votes for each width and distance with the pair of edges that stands where these say.
CommonBar VoteForCommon(const PhotoView& view, const std::vector<ToneBarPrediction>& notes,
                        const std::vector<Strip>& strips, const ToneBarOptions& options) {
  std::vector<Looks> looks(notes.size());
  for (std::size_t i = 0; i < notes.size(); ++i) {
    for (double yaw = -kLargestYawDeg; yaw <= kLargestYawDeg; yaw += kCoarse * kYawStepDeg) {
      looks[i].push_back(LineStrength(strips[i], yaw * kRadPerDeg, 1));
    }
  }
  const bool known = options.width_mm > 0.0;
  const double narrowest = known ? options.width_mm : kNarrowest * options.note_spacing_mm;
  const double widest = known ? options.width_mm : kWidest * options.note_spacing_mm;
  CommonBar best;
  for (double width = narrowest; width <= widest + 1e-9; width += kWidthStepMm) {
    const auto columns = static_cast<std::size_t>(std::lround(width * kPxPerMm));
    std::vector<std::vector<float>> pairs;
    pairs.reserve(looks.size());
    for (const Looks& look : looks) pairs.push_back(BestPairs(look, columns));
    for (double distance = kNearestMm; distance <= kFarthestMm; distance += kDistanceStepMm) {
      double votes = 0.0;
      for (std::size_t i = 0; i < notes.size(); ++i) {
        const double left_mm = ExpectedSideMm(view, notes[i], distance) - 0.5 * width;
        const auto at = std::clamp<long>(std::lround(strips[i].scale.Column(left_mm)), 0L,
                                         static_cast<long>(pairs[i].size()) - 1);
        votes += pairs[i][static_cast<std::size_t>(at)];
      }
      if (votes > best.votes) best = {width, distance, votes};
    }
  }
  return best;
}

/// A bar's middle line in its strip.
struct MiddleLine {
  double side_mm = 0.0;  // toward treble of the root, at the strip's middle row
  double yaw_rad = 0.0;
  double strength = -1.0;  // of its edges, less what its place and yaw are unlikely
};

MiddleLine FindMiddleLine(const Strip& strip, double expected_side_mm, double width_mm) {
  constexpr int kPerColumn = 4;
  const auto width = static_cast<std::size_t>(std::lround(width_mm * kPxPerMm * kPerColumn));
  MiddleLine best;
  for (double yaw = -kLargestYawDeg; yaw <= kLargestYawDeg + 1e-9; yaw += kYawStepDeg) {
    const std::vector<float> line = LineStrength(strip, yaw * kRadPerDeg, kPerColumn);
    for (std::size_t k = 0; k + width < line.size(); ++k) {
      const double side = strip.scale.Mm(static_cast<double>(k) / kPerColumn) + 0.5 * width_mm;
      const double off = (side - expected_side_mm) / kSideSigmaMm;
      const double strength =
          PairStrength(line[k], line[k + width]) - YawPenalty(yaw) - kPriorWeight * 0.5 * off * off;
      if (strength > best.strength) best = {side, yaw * kRadPerDeg, strength};
    }
  }
  return best;
}

/// The edges of a bar's face, followed from a line that is nearly its middle line; without points
/// where too few show. Along is counted from the strip's first row.
OutlineFit FollowEdges(const PhotoView& view, const BarPlane& plane, const ToneBarOptions& options,
                       const BlockScreen& blocks, const RodLine& start, double width_mm) {
  constexpr std::size_t kFewest = 12;
  const AcrossScale scale = ScaleOf(options);
  cv::Mat picture = Straighten(view, plane, scale);
  cv::GaussianBlur(picture, picture, {0, 0}, 1.2, 1.5, cv::BORDER_REPLICATE);
  const cv::Mat gradient = GradientNorm(picture);
  const auto usual = static_cast<double>(
      MedianOf(std::vector<float>(gradient.begin<float>(), gradient.end<float>())));
  const double span_mm = kRowMm * (gradient.rows - 1);
  OutlineFitOptions fit_options;
  fit_options.width_share = kWidthShare;
  fit_options.turn_sigma_mm = span_mm * std::tan(kYawSigmaDeg * kRadPerDeg);
  fit_options.narrowest_window_mm = kNarrowestWindowMm;
  OutlineFit fit;
  fit.line = start;
  fit.half_width_mm = 0.5 * width_mm;
  for (const double window_mm : kWindowsMm) {
    std::vector<OutlinePoint> points;
    for (int r = 0; r < gradient.rows; ++r) {
      const double along_mm = kRowMm * r;
      for (const double side : {-1.0, 1.0}) {
        const double expected_mm = fit.line.At(along_mm, span_mm) + side * fit.half_width_mm;
        const Eigen::Vector3d place = plane.Point(expected_mm, AheadMm(r));
        if (!view.Shows(place) || blocks.Hides(place)) continue;
        auto point = FindOutline(gradient, r, scale, usual, expected_mm, window_mm);
        if (!point) continue;
        point->along_mm = along_mm;
        point->side = side;
        points.push_back(*point);
      }
    }
    if (points.size() < kFewest) return {};
    fit.points = std::move(points);
    fit_options.widest_window_mm = window_mm;
    FitOutlinePoints(fit, span_mm, 0.5 * width_mm, fit_options);
  }
  return fit;
}

/// The fitted middle line as two points in the photo.
std::vector<AxisPoint> Observe(const PhotoView& view, const BarPlane& plane, const OutlineFit& fit,
                               double span_mm) {
  const OutlineExtent extent = ExtentOf(fit);
  if (extent.weight < kLeastWeight || extent.deviation_mm < kShortestMm) return {};
  std::vector<AxisPoint> points;
  for (const double end : {-1.0, 1.0}) {
    const double along_mm = extent.middle_mm + end * extent.deviation_mm;
    const double ahead_mm = along_mm - kBehindRootMm;
    const double side_mm = fit.line.At(along_mm, span_mm);
    const auto at = [&](double mm) { return view.Project(plane.Point(mm, ahead_mm)); };
    const double px_per_mm = (at(side_mm + 0.5) - at(side_mm - 0.5)).norm();
    // Two edges tell the middle, and four rows, smoothed together, as much as one.
    const double scatter_mm = fit.scatter_mm * std::sqrt(2.0 * 4.0 / extent.weight);
    points.push_back({plane.note.root_along_mm - ahead_mm, at(side_mm),
                      std::hypot(scatter_mm, kEndSigmaMm) * px_per_mm});
  }
  return points;
}

bool InView(const PhotoView& view, const ToneBarPrediction& note, const ToneBarOptions& options) {
  const BarPlane plane{note, options.direction, kPlaneMm};
  return view.Shows(plane.Point(0.0, 0.0)) &&
         view.Shows(plane.Point(0.0, kReachOfLength * note.length_mm));
}

}  // namespace

std::vector<std::vector<AxisPoint>> DetectToneBars(const PhotoView& view,
                                                   const std::vector<ToneBarPrediction>& notes,
                                                   const ToneBarOptions& options) {
  std::vector<std::vector<AxisPoint>> found(notes.size());
  std::vector<Eigen::Vector3d> roots_mm;
  roots_mm.reserve(notes.size());
  for (const ToneBarPrediction& note : notes) roots_mm.push_back(note.root_mm);
  const BlockScreen blocks(view.CameraCenterMm(), roots_mm);
  std::vector<std::size_t> seen;
  std::vector<ToneBarPrediction> in_view;
  std::vector<Strip> strips;
  for (std::size_t i = 0; i < notes.size(); ++i) {
    if (!InView(view, notes[i], options)) continue;
    seen.push_back(i);
    in_view.push_back(notes[i]);
    strips.push_back(LookAt(view, notes[i], options, blocks));
  }
  constexpr std::size_t kLeastNotes = 3;  // to vote for what they have in common
  if (in_view.size() < kLeastNotes) return found;
  const CommonBar common = VoteForCommon(view, in_view, strips, options);
  for (std::size_t k = 0; k < in_view.size(); ++k) {
    const double expected_mm = ExpectedSideMm(view, in_view[k], common.distance_mm);
    const MiddleLine line = FindMiddleLine(strips[k], expected_mm, common.width_mm);
    if (line.strength < kLeastStrength) continue;
    // In the plane of the faces themselves a bar stands behind its tine.
    const BarPlane plane{in_view[k], options.direction, common.distance_mm};
    const double span_mm = strips[k].SpanMm();
    const double half_turn_mm = 0.5 * span_mm * std::tan(line.yaw_rad);
    const double side_mm = line.side_mm - expected_mm;
    const OutlineFit fit =
        FollowEdges(view, plane, options, blocks, {side_mm - half_turn_mm, side_mm + half_turn_mm},
                    common.width_mm);
    found[seen[k]] = Observe(view, plane, fit, span_mm);
  }
  return found;
}

}  // namespace tinesight

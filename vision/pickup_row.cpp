#include "vision/pickup_row.hpp"

#include <algorithm>
#include <cmath>
#include <numeric>
#include <opencv2/imgproc.hpp>

namespace tinesight {
namespace {

constexpr double kPlanePxPerMm = 6.0;

/// The picture rectified to a plane z = const of the carrier frame, and its scale.
struct PlanePicture {
  cv::Mat gray;  // CV_32F
  double min_x_mm = 0.0;
  double min_y_mm = 0.0;

  [[nodiscard]] Eigen::Vector2d PlaneMm(double column, double row) const {
    return {min_x_mm + column / kPlanePxPerMm, min_y_mm + row / kPlanePxPerMm};
  }
  [[nodiscard]] Eigen::Vector2d Px(const Eigen::Vector2d& plane_mm) const {
    return {(plane_mm.x() - min_x_mm) * kPlanePxPerMm, (plane_mm.y() - min_y_mm) * kPlanePxPerMm};
  }
};

PlanePicture Rectify(const PhotoView& view, const PickupRowOptions& o) {
  const double margin_mm = o.bobbin_diameter_mm;
  PlanePicture plane;
  plane.min_x_mm = o.min_x_mm - margin_mm;
  plane.min_y_mm = -o.search_y_mm - margin_mm;
  const int columns =
      static_cast<int>((o.max_x_mm - o.min_x_mm + 2.0 * margin_mm) * kPlanePxPerMm) + 1;
  const int rows = static_cast<int>(2.0 * (o.search_y_mm + margin_mm) * kPlanePxPerMm) + 1;
  cv::Mat map(rows, columns, CV_32FC2);
  for (int r = 0; r < rows; ++r) {
    for (int c = 0; c < columns; ++c) {
      const Eigen::Vector2d p = plane.PlaneMm(c, r);
      const Eigen::Vector3d point(p.x(), p.y(), o.row_z_mm);
      const Eigen::Vector2d uv =
          view.InFront(point) ? view.Project(point) : Eigen::Vector2d(-1e4, -1e4);
      map.at<cv::Vec2f>(r, c) = {static_cast<float>(uv.x()), static_cast<float>(uv.y())};
    }
  }
  cv::Mat smooth;
  cv::GaussianBlur(view.gray, smooth, {}, 1.2);
  cv::Mat picture;
  cv::remap(smooth, picture, map, {}, cv::INTER_LINEAR, cv::BORDER_REPLICATE);
  picture.convertTo(plane.gray, CV_32F);
  return plane;
}

/// Each gradient votes for the points one radius away along and against it. Strong gradients
/// saturate, so that a bright rim does not outvote a whole faint circle.
cv::Mat VoteForCenters(const cv::Mat& gray, const std::vector<double>& radii_px) {
  cv::Mat gx;
  cv::Mat gy;
  cv::Scharr(gray, gx, CV_32F, 1, 0, 1.0 / 32.0);
  cv::Scharr(gray, gy, CV_32F, 0, 1, 1.0 / 32.0);
  cv::Mat magnitude;
  cv::magnitude(gx, gy, magnitude);
  const double typical = std::max(0.5, cv::mean(magnitude)[0]);
  cv::Mat votes = cv::Mat::zeros(gray.size(), CV_32F);
  for (int r = 0; r < gray.rows; ++r) {
    for (int c = 0; c < gray.cols; ++c) {
      const float m = magnitude.at<float>(r, c);
      if (m < typical) continue;
      const auto weight = static_cast<float>(m / (m + 3.0 * typical));
      for (const double radius_px : radii_px) {
        for (const double reach : {-radius_px, radius_px}) {
          const int vc = cvRound(c + reach * gx.at<float>(r, c) / m);
          const int vr = cvRound(r + reach * gy.at<float>(r, c) / m);
          if (vc < 0 || vr < 0 || vc >= gray.cols || vr >= gray.rows) continue;
          votes.at<float>(vr, vc) += weight / static_cast<float>(radius_px);
        }
      }
    }
  }
  cv::GaussianBlur(votes, votes, {}, 0.3 * kPlanePxPerMm);
  return votes;
}

/// For every place the best vote within a small window: lets a lattice of places collect votes
/// from pickups that are a little off the lattice.
cv::Mat LocalMaximum(const cv::Mat& votes, double half_window_mm) {
  const int side = 2 * cvRound(half_window_mm * kPlanePxPerMm) + 1;
  cv::Mat best;
  cv::dilate(votes, best, cv::getStructuringElement(cv::MORPH_ELLIPSE, {side, side}));
  return best;
}

/// Votes for a small ring (the pole, of any diameter from the tip's to its foot's) with a large
/// one (the bobbin's flange) about the same center. The flange at the coil's far end is as large
/// and often stands out better against the background, but has no pole in its middle.
cv::Mat CombineVotes(const PlanePicture& plane, const PickupRowOptions& o) {
  std::vector<double> pole_px;
  for (double diameter = 0.9; diameter <= 1.81; diameter += 0.1) {
    pole_px.push_back(0.5 * diameter * o.pole_tip_diameter_mm * kPlanePxPerMm);
  }
  cv::Mat pole = VoteForCenters(plane.gray, pole_px);
  const cv::Mat flange =
      LocalMaximum(VoteForCenters(plane.gray, {0.5 * o.bobbin_diameter_mm * kPlanePxPerMm}), 1.3);
  cv::normalize(pole, pole, 0.0, 1.0, cv::NORM_MINMAX);
  cv::Mat flange_scaled;
  cv::normalize(flange, flange_scaled, 0.0, 1.0, cv::NORM_MINMAX);
  return pole + 0.5 * flange_scaled;
}

// Of the rows that are looked for: how much wider or narrower than the notes' spacing, and dy/dx.
constexpr double kSpacingRange = 0.03;
constexpr double kSlopeRange = 0.02;

struct Lattice {
  double x0_mm = 0.0;
  double y0_mm = 0.0;
  double slope = 0.0;
  double spacing_mm = 0.0;
  double score = -1.0;
};

double Sample(const cv::Mat& picture, const Eigen::Vector2d& px) {
  const int c = cvRound(px.x());
  const int r = cvRound(px.y());
  if (c < 0 || r < 0 || c >= picture.cols || r >= picture.rows) return 0.0;
  return static_cast<double>(picture.at<float>(r, c));
}

/// What is left of a lattice's score, by how unlike the row as drawn it is. Little, as rigs are
/// clamped askew; but one that runs from the near flanges to those at the coils' far ends, which is
/// nearly as good where these stand out better, is the most unlike of all.
double ScoreLeft(double spacing_share, double slope) {
  constexpr double kMost = 0.03;  // for each of the two at the end of its range
  return 1.0 - kMost * (std::pow(spacing_share / kSpacingRange, 2.0) +
                        std::pow(slope / kSlopeRange, 2.0));
}

/// Exhaustive search over phase, height, slope and spacing. A lattice scores the sum of its
/// places above the middle-of-the-gap places, so that clutter that is bright everywhere along
/// a line does not win.
Lattice SearchLattice(const PlanePicture& plane, const cv::Mat& best, const PickupRowOptions& o) {
  constexpr double kStep = 0.01;
  constexpr double kLast = 1e-4;
  Lattice winner;
  for (double share = -kSpacingRange; share <= kSpacingRange + kLast; share += kStep) {
    const double s = (1.0 + share) * o.note_spacing_mm;
    for (double slope = -kSlopeRange; slope <= kSlopeRange + kLast; slope += kStep) {
      const double left = ScoreLeft(share, slope);
      for (double y0 = -o.search_y_mm; y0 <= o.search_y_mm; y0 += 0.5) {
        for (double phase = 0.0; phase < s; phase += 0.5) {
          double score = 0.0;
          for (double x = o.min_x_mm + phase; x <= o.max_x_mm; x += s) {
            const double y = y0 + slope * x;
            score += Sample(best, plane.Px({x, y})) -
                     0.5 * Sample(best, plane.Px({x + 0.5 * s, y})) -
                     0.5 * Sample(best, plane.Px({x - 0.5 * s, y}));
          }
          score *= left;
          if (score > winner.score) winner = {o.min_x_mm + phase, y0, slope, s, score};
        }
      }
    }
  }
  return winner;
}

Eigen::Vector2d PeakNear(const PlanePicture& plane, const cv::Mat& votes,
                         const Eigen::Vector2d& start_mm, double half_window_mm, double& score) {
  const Eigen::Vector2d px = plane.Px(start_mm);
  const int half = cvRound(half_window_mm * kPlanePxPerMm);
  score = 0.0;
  Eigen::Vector2d peak = start_mm;
  for (int r = cvRound(px.y()) - half; r <= cvRound(px.y()) + half; ++r) {
    for (int c = cvRound(px.x()) - half; c <= cvRound(px.x()) + half; ++c) {
      if (c < 0 || r < 0 || c >= votes.cols || r >= votes.rows) continue;
      const double v = static_cast<double>(votes.at<float>(r, c));
      if (v > score) {
        score = v;
        peak = plane.PlaneMm(c, r);
      }
    }
  }
  return peak;
}

std::vector<RowPickup> CollectPickups(const PhotoView& view, const PlanePicture& plane,
                                      const cv::Mat& votes, const Lattice& lattice,
                                      const PickupRowOptions& o) {
  std::vector<RowPickup> all;
  int index = 0;
  for (double x = lattice.x0_mm; x <= o.max_x_mm; x += lattice.spacing_mm, ++index) {
    RowPickup pickup;
    pickup.index = index;
    pickup.plane_mm =
        PeakNear(plane, votes, {x, lattice.y0_mm + lattice.slope * x}, 1.6, pickup.score);
    const Eigen::Vector3d point(pickup.plane_mm.x(), pickup.plane_mm.y(), o.row_z_mm);
    const double reach_px = 0.5 * o.bobbin_diameter_mm * view.camera.fx_px /
                            std::max(1.0, (view.camera_from_world * point).z());
    if (!view.Shows(point, reach_px)) pickup.score = 0.0;
    all.push_back(pickup);
  }
  return all;
}

/// The longest stretch of lattice places whose score is near the row's own typical score; a
/// single weak place inside the stretch belongs to it.
std::vector<RowPickup> KeepContiguous(std::vector<RowPickup> all, double min_relative_score) {
  std::vector<double> scores;
  scores.reserve(all.size());
  for (const RowPickup& p : all) scores.push_back(p.score);
  std::sort(scores.rbegin(), scores.rend());
  const std::size_t strong = std::max<std::size_t>(3, scores.size() / 3);
  const double typical = scores[std::min(strong, scores.size()) / 2];
  const auto good = [&](std::size_t i) {
    return i < all.size() && all[i].score >= min_relative_score * typical;
  };
  std::size_t best_begin = 0;
  std::size_t best_end = 0;
  for (std::size_t begin = 0; begin < all.size(); ++begin) {
    if (!good(begin)) continue;
    std::size_t end = begin + 1;
    while (good(end) || (good(end + 1) && end + 1 < all.size())) ++end;
    if (end - begin > best_end - best_begin) {
      best_begin = begin;
      best_end = end;
    }
    begin = end;
  }
  return {all.begin() + static_cast<std::ptrdiff_t>(best_begin),
          all.begin() + static_cast<std::ptrdiff_t>(best_end)};
}

}  // namespace

Result<void> PickupRowOptions::Validate() const {
  if (!(note_spacing_mm > 1.0)) return Fail("PickupRowOptions: note_spacing_mm must be above 1");
  if (!(bobbin_diameter_mm > 1.0)) {
    return Fail("PickupRowOptions: bobbin_diameter_mm must be above 1");
  }
  if (!(max_x_mm > min_x_mm)) return Fail("PickupRowOptions: max_x_mm must be above min_x_mm");
  return {};
}

Result<PickupRow> FindPickupRow(const PhotoView& view, const PickupRowOptions& options) {
  if (auto valid = options.Validate(); !valid) return tl::unexpected<Error>(valid.error());
  const PlanePicture plane = Rectify(view, options);
  const cv::Mat votes = CombineVotes(plane, options);
  const Lattice lattice = SearchLattice(plane, LocalMaximum(votes, 0.6), options);
  PickupRow row;
  row.pickups = KeepContiguous(CollectPickups(view, plane, votes, lattice, options),
                               options.min_relative_score);
  if (row.pickups.size() < 3) {
    return Fail(
        "no row of pickups was found behind the tines; see that the pickups are in view, "
        "lit and in focus, and that the rig is clamped at the harp");
  }
  row.spacing_mm = lattice.spacing_mm;
  row.slope = lattice.slope;
  const int first = row.pickups.front().index;
  for (RowPickup& p : row.pickups) p.index -= first;
  return row;
}

}  // namespace tinesight

#include "vision/pickup_detection.hpp"

#include <algorithm>
#include <cmath>

#include "vision/flange_disc.hpp"
#include "vision/local_line.hpp"
#include "vision/pole_reading.hpp"
#include "vision/ring_fit.hpp"
#include "vision/ring_registration.hpp"
#include "vision/row_trend.hpp"

namespace tinesight {
namespace {

// Across the direction of depth, flanges were 0.02 to 0.07 mm off their row (RMS by photo) on
// rendered photos of two makers, where their fits' scatter said 0.03 mm.
constexpr double kFlangeMm = 0.03;

struct Candidate {
  Eigen::Vector3d vote_mm = Eigen::Vector3d::Zero();  // from the row, pole and flange together
  Eigen::Vector3d axis_mm = Eigen::Vector3d::Zero();  // best center so far, in the same plane
  std::optional<RingFit> flange;
};

/// Where a ring is expected and what straying from there means.
struct Expectation {
  Eigen::Vector2d offset_mm = Eigen::Vector2d::Zero();
  /// From the expected ring to another as large that stands behind it; zero: there is none.
  Eigen::Vector2d behind_mm = Eigen::Vector2d::Zero();

  /// 0 to 1, as a pickup that is out of line is one that the technician must hear of; only toward
  /// the ring behind it grows without limit.
  [[nodiscard]] double Cost(const Eigen::Vector2d& stray_mm) const {
    constexpr double kUsualStrayMm = 0.6;
    constexpr double kFreeShare = 0.3;    // of the way to the ring behind
    constexpr double kUsualShare = 0.25;  // beyond that
    const double stray2 = stray_mm.squaredNorm() / (kUsualStrayMm * kUsualStrayMm);
    const double way2 = std::max(1e-6, behind_mm.squaredNorm());
    const double toward = std::max(0.0, stray_mm.dot(behind_mm) / way2 - kFreeShare) / kUsualShare;
    return std::max(stray2 / (1.0 + stray2), toward * toward);
  }
};

/// Offset of greatest energy, where straying from the expected place costs something: what is in
/// line with the other pickups needs less evidence than what is not.
BestOffset ScanNearExpected(const RingProfiles& profiles, const Expectation& expected,
                            const RingOutline& outline, double half_mm, double step_mm) {
  constexpr double kPenalty = 0.2;
  BestOffset best;
  double best_value = -1e9;
  const int n = static_cast<int>(std::ceil(half_mm / step_mm));
  for (int i = -n; i <= n; ++i) {
    for (int j = -n; j <= n; ++j) {
      const Eigen::Vector2d stray = step_mm * Eigen::Vector2d(i, j);
      const double energy = profiles.Energy(expected.offset_mm + stray, outline);
      const double value = energy - kPenalty * expected.Cost(stray);
      if (value > best_value) {
        best_value = value;
        best = {expected.offset_mm + stray, energy};
      }
    }
  }
  return best;
}

/// Where the row says each candidate's center should be, relative to its vote.
std::vector<Eigen::Vector2d> ExpectFromRow(const std::vector<Candidate>& candidates) {
  std::vector<double> index;
  std::vector<double> x;
  std::vector<double> y;
  for (std::size_t i = 0; i < candidates.size(); ++i) {
    index.push_back(static_cast<double>(i));
    x.push_back(candidates[i].axis_mm.x());
    y.push_back(candidates[i].axis_mm.y());
  }
  const RowTrend trend_x = FitRowTrend(index, x);
  const RowTrend trend_y = FitRowTrend(index, y);
  std::vector<Eigen::Vector2d> expected;
  for (std::size_t i = 0; i < candidates.size(); ++i) {
    const Eigen::Vector2d place(trend_x.At(index[i]), trend_y.At(index[i]));
    expected.push_back(trend_x.usable ? Eigen::Vector2d(place - candidates[i].vote_mm.head<2>())
                                      : Eigen::Vector2d::Zero());
  }
  return expected;
}

/// Where the flange at the coil's far end shows, from the near one. It is as large and often stands
/// out better.
Eigen::Vector2d FarFlangeMm(const PhotoView& view, const Candidate& c, double radius_mm) {
  constexpr double kCoilRadii = 1.4;  // usual length of a coil; common practice, no source
  const Eigen::Vector3d far = c.vote_mm + Eigen::Vector3d(0.0, 0.0, kCoilRadii * radius_mm);
  return (view.OnPlane(far, c.vote_mm.z()) - c.vote_mm).head<2>();
}

/// Whether a flange stood out better where it was found before the row was known: a pickup that is
/// out of line, whose neighbor's edge lies where the row would have it. Not what lies toward the
/// flange behind, which often stands out best of all.
bool StoodOutBetter(const RingFit& before, const RingFit& now, const Expectation& expected) {
  constexpr double kClearly = 1.25;
  constexpr double kMostCost = 0.9;
  return now.sigma_mm > kClearly * before.sigma_mm &&
         expected.Cost(before.offset_mm - expected.offset_mm) < kMostCost;
}

RingProfiles FlangeProfiles(const PhotoView& view, const Candidate& c, double radius_mm) {
  return {view, c.vote_mm, radius_mm - 2.9, radius_mm + 2.3};
}

bool IsSound(const std::optional<RingFit>& flange) {
  return flange && flange->sigma_mm < 0.1 && flange->coverage > 0.5;
}

/// Takes a sound fit for where a candidate's flange and its axis are. Of one that is not, the start
/// is all there is.
void TakeFlange(const std::optional<RingFit>& fit, const Eigen::Vector2d& start_mm, Candidate& c) {
  c.flange = IsSound(fit) ? fit : std::nullopt;
  c.axis_mm.head<2>() = c.vote_mm.head<2>() + (c.flange ? c.flange->offset_mm : start_mm);
}

void FitFlanges(const PhotoView& view, double radius_mm,
                const std::vector<Eigen::Vector2d>& expected, std::vector<Candidate>& candidates) {
  for (std::size_t i = 0; i < candidates.size(); ++i) {
    Candidate& c = candidates[i];
    const RingProfiles profiles = FlangeProfiles(view, c, radius_mm);
    const Expectation near_row{expected[i], FarFlangeMm(view, c, radius_mm)};
    const BestOffset start = ScanNearExpected(profiles, near_row, {radius_mm}, 1.6, 0.1);
    auto fit = profiles.Fit(start.offset_mm, {radius_mm}, 0.4, true);
    if (IsSound(fit) && c.flange && StoodOutBetter(*c.flange, *fit, near_row)) fit = c.flange;
    TakeFlange(fit, start.offset_mm, c);
  }
}

/// How far, in the plane in which rings are looked for, a ring moves from its place if it lies 1 mm
/// behind that plane.
Eigen::Vector2d ShiftPerDepth(const PhotoView& view, const Eigen::Vector3d& place_mm) {
  const Eigen::Vector3d sight = place_mm - view.CameraCenterMm();
  return -sight.head<2>() / sight.z();
}

/// Fits the flanges as discs (FindFlangeDisc), if that is what shows: first near where their
/// circles are, then knowing where the row runs.
void FitFlangesAsDiscs(const PhotoView& view, double radius_mm,
                       std::vector<Candidate>& candidates) {
  constexpr double kWindowMm = 0.3;
  std::vector<ShownFlange> shown;
  shown.reserve(candidates.size());
  for (const Candidate& c : candidates) {
    shown.push_back({FlangeProfiles(view, c, radius_mm), (c.axis_mm - c.vote_mm).head<2>(),
                     ShiftPerDepth(view, c.vote_mm)});
  }
  const std::optional<FlangeDisc> disc = FindFlangeDisc(shown, radius_mm);
  if (!disc) return;
  std::vector<RingOutline> outlines;
  const auto fit_from = [&](std::size_t i, const Eigen::Vector2d& offset_mm) {
    return shown[i].profiles.Fit(offset_mm, outlines[i], kWindowMm, false);
  };
  for (std::size_t i = 0; i < candidates.size(); ++i) {
    Candidate& c = candidates[i];
    outlines.push_back({disc->radius_mm, disc->thickness_mm * shown[i].shift_per_mm});
    const Eigen::Vector2d middle_mm = shown[i].middle_mm - 0.5 * outlines[i].back_mm;
    const BestOffset start = ScanOffsets(shown[i].profiles, middle_mm, outlines[i], 0.4, 0.1);
    TakeFlange(fit_from(i, start.offset_mm), start.offset_mm, c);
  }
  const std::vector<Eigen::Vector2d> expected = ExpectFromRow(candidates);
  for (std::size_t i = 0; i < candidates.size(); ++i) {
    Candidate& c = candidates[i];
    const Expectation near_row{expected[i], FarFlangeMm(view, c, radius_mm)};
    const BestOffset start = ScanNearExpected(shown[i].profiles, near_row, outlines[i], 1.6, 0.1);
    auto fit = fit_from(i, start.offset_mm);
    if (c.flange && (!IsSound(fit) || StoodOutBetter(*c.flange, *fit, near_row))) fit = c.flange;
    TakeFlange(fit, start.offset_mm, c);
  }
}

// Shares of a flange's radius between which its surroundings are the pickup's own.
constexpr double kInnerShare = 0.8;
constexpr double kOuterShare = 1.1;

/// Holds the flanges against each other. A flange's own fit and its likeness to its neighbors err
/// in different ways: what comes of it lies between the two (OwnShare).
void AlignFlanges(const PhotoView& view, double radius_mm, std::vector<Candidate>& candidates) {
  constexpr double kUsualMm = 0.1;
  std::vector<RingPatch> patches;
  std::vector<Candidate*> owners;
  for (std::size_t i = 0; i < candidates.size(); ++i) {
    Candidate& c = candidates[i];
    if (!c.flange) continue;
    patches.push_back({.place = static_cast<double>(i), .center_mm = c.axis_mm});
    owners.push_back(&c);
  }
  RegisterRings(view, kInnerShare * radius_mm, kOuterShare * radius_mm, patches);
  for (std::size_t k = 0; k < patches.size(); ++k) {
    Candidate& c = *owners[k];
    const Eigen::Vector2d alike = (patches[k].center_mm - c.vote_mm).head<2>();
    const Eigen::Vector2d own_beside = c.flange->offset_mm - alike;
    c.flange->offset_mm = alike + OwnShare(own_beside.norm(), kUsualMm) * own_beside;
    c.axis_mm.head<2>() = c.vote_mm.head<2>() + c.flange->offset_mm;
  }
}

/// Finds the flanges that could not be fitted by themselves (often those of pickups out of line, on
/// which their neighbors crowd) by what the other flanges of the photo look like.
void FindMissedFlanges(const PhotoView& view, double radius_mm,
                       std::vector<Candidate>& candidates) {
  // On the sample photos and those of one more rendered harp they came out at 0.53 to 0.93.
  constexpr double kLeastLikeness = 0.5;
  constexpr double kSigmaMm = 0.12;
  std::vector<RingPatch> others;
  for (std::size_t i = 0; i < candidates.size(); ++i) {
    const Candidate& c = candidates[i];
    if (c.flange) others.push_back({.place = static_cast<double>(i), .center_mm = c.axis_mm});
  }
  for (std::size_t i = 0; i < candidates.size(); ++i) {
    Candidate& c = candidates[i];
    if (c.flange) continue;
    RingPatch missed{.place = static_cast<double>(i), .center_mm = c.axis_mm};
    const double likeness =
        RegisterToRings(view, kInnerShare * radius_mm, kOuterShare * radius_mm, others, missed);
    if (likeness < kLeastLikeness) continue;
    c.axis_mm.head<2>() = missed.center_mm.head<2>();
    c.flange = RingFit{};
    c.flange->offset_mm = (c.axis_mm - c.vote_mm).head<2>();
    c.flange->sigma_mm = kSigmaMm;
  }
}

double PxPerMm(const PhotoView& view, const Eigen::Vector3d& point_mm) {
  return view.camera.fx_px / (view.camera_from_world * point_mm).z();
}

CenterObservation Observe(const PhotoView& view, const Eigen::Vector3d& center_mm,
                          double sigma_mm) {
  return {view.Project(center_mm), std::max(0.08, sigma_mm * PxPerMm(view, center_mm))};
}

CenterObservation ObserveFlange(const PhotoView& view, const Candidate& c) {
  return Observe(view, c.axis_mm, std::hypot(c.flange->sigma_mm, kFlangeMm));
}

/// A pole as it is read about where its flange says that it is, whatever its shape.
void ObservePole(const PhotoView& view, const Candidate& c, const PickupRowOptions& options,
                 DetectedPickup& pickup) {
  Eigen::Vector3d middle = c.axis_mm - Eigen::Vector3d(0.0, 0.0, options.pole_protrusion_mm);
  const auto found = ReadPole(view, middle, options.pole_tip_diameter_mm);
  if (!found) return;
  middle.head<2>() += found->offset_mm;
  pickup.pole = Observe(view, middle, found->sigma_mm);
  pickup.plane_mm = view.OnPlane(middle, options.row_z_mm).head<2>();
}

}  // namespace

std::vector<DetectedPickup> DetectPickups(const PhotoView& view, const PickupRow& row,
                                          const PickupRowOptions& options) {
  const double flange_radius_mm = 0.5 * options.bobbin_diameter_mm;
  std::vector<DetectedPickup> result;
  std::vector<Candidate> candidates;
  for (const RowPickup& p : row.pickups) {
    Candidate c;
    c.vote_mm = {p.plane_mm.x(), p.plane_mm.y(), options.row_z_mm};
    c.axis_mm = c.vote_mm;
    candidates.push_back(c);
  }
  // Once freely, once knowing where the row runs.
  std::vector<Eigen::Vector2d> expected(candidates.size(), Eigen::Vector2d::Zero());
  FitFlanges(view, flange_radius_mm, expected, candidates);
  expected = ExpectFromRow(candidates);
  FitFlanges(view, flange_radius_mm, expected, candidates);
  FitFlangesAsDiscs(view, flange_radius_mm, candidates);
  AlignFlanges(view, flange_radius_mm, candidates);
  FindMissedFlanges(view, flange_radius_mm, candidates);
  for (std::size_t i = 0; i < candidates.size(); ++i) {
    const Candidate& c = candidates[i];
    DetectedPickup& pickup = result.emplace_back();
    pickup.index = row.pickups[i].index;
    pickup.plane_mm = c.axis_mm.head<2>();
    if (!c.flange) continue;
    pickup.flange = ObserveFlange(view, c);
    ObservePole(view, c, options, pickup);
  }
  return result;
}

}  // namespace tinesight

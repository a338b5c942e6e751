#include "vision/pickup_detection.hpp"

#include <algorithm>
#include <cmath>
#include <numeric>

#include "vision/flange_disc.hpp"
#include "vision/local_line.hpp"
#include "vision/pole_in_row.hpp"
#include "vision/pole_reading.hpp"
#include "vision/ring_cross_check.hpp"
#include "vision/ring_fit.hpp"
#include "vision/ring_registration.hpp"
#include "vision/row_trend.hpp"

namespace tinesight {
namespace {

constexpr double kMinProtrusionMm = 0.4;
constexpr double kMaxProtrusionMm = 3.6;
// Across the direction of depth, flanges were 0.02 to 0.07 mm off their row (RMS by photo) on
// rendered photos of two makers, where their fits' scatter said 0.03 mm.
constexpr double kFlangeMm = 0.03;

/// Where the ray through a point meets the plane z = const.
Eigen::Vector3d OnPlane(const PhotoView& view, const Eigen::Vector3d& point_mm, double z_mm) {
  const Eigen::Vector3d center = view.CameraCenterMm();
  const double scale = (z_mm - center.z()) / (point_mm.z() - center.z());
  return center + scale * (point_mm - center);
}

struct Candidate {
  Eigen::Vector3d vote_mm = Eigen::Vector3d::Zero();  // from the row, pole and flange together
  Eigen::Vector3d axis_mm = Eigen::Vector3d::Zero();  // best center so far, in the same plane
  std::optional<RingFit> flange;
  std::optional<RingFit> collar;
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
  return (OnPlane(view, far, c.vote_mm.z()) - c.vote_mm).head<2>();
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

using FittedRing = std::optional<RingFit> Candidate::*;

/// Shares of the radius between which a ring's surroundings are looked at: where they are the
/// pickup's own.
struct Surroundings {
  double inner_share;
  double outer_share;
};
constexpr Surroundings kOfFlange{0.8, 1.1};
constexpr Surroundings kOfCollar{0.4, 1.4};

/// Holds the rings of a kind against each other. A ring's own fit and its likeness to its neighbors
/// err in different ways: what comes of it lies between the two (OwnShare).
void AlignRings(const PhotoView& view, FittedRing ring, double radius_mm,
                const Surroundings& around, std::vector<Candidate>& candidates) {
  constexpr double kUsualMm = 0.1;
  std::vector<RingPatch> patches;
  std::vector<Candidate*> owners;
  for (std::size_t i = 0; i < candidates.size(); ++i) {
    Candidate& c = candidates[i];
    if (!(c.*ring)) continue;
    const Eigen::Vector2d& off = (c.*ring)->offset_mm;
    patches.push_back({.place = static_cast<double>(i),
                       .center_mm = c.vote_mm + Eigen::Vector3d(off.x(), off.y(), 0.0)});
    owners.push_back(&c);
  }
  RegisterRings(view, around.inner_share * radius_mm, around.outer_share * radius_mm, patches);
  for (std::size_t k = 0; k < patches.size(); ++k) {
    Candidate& c = *owners[k];
    const Eigen::Vector2d alike = (patches[k].center_mm - c.vote_mm).head<2>();
    const Eigen::Vector2d own_beside = (c.*ring)->offset_mm - alike;
    (c.*ring)->offset_mm = alike + OwnShare(own_beside.norm(), kUsualMm) * own_beside;
    c.axis_mm.head<2>() = c.vote_mm.head<2>() + (c.*ring)->offset_mm;
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
    const double likeness = RegisterToRings(view, kOfFlange.inner_share * radius_mm,
                                            kOfFlange.outer_share * radius_mm, others, missed);
    if (likeness < kLeastLikeness) continue;
    c.axis_mm.head<2>() = missed.center_mm.head<2>();
    c.flange = RingFit{};
    c.flange->offset_mm = (c.axis_mm - c.vote_mm).head<2>();
    c.flange->sigma_mm = kSigmaMm;
  }
}

/// Whether the highest of evenly spaced values stands out: clearly above the mean, and above what
/// is `aside` places to either side of it. A round polished tip has no ring, but fits rings of
/// many radii a little.
bool PeakStandsOut(const std::vector<double>& values, std::ptrdiff_t aside) {
  constexpr double kAboveMean = 1.25;
  constexpr double kAboveFlanks = 1.2;
  const auto peak = std::max_element(values.begin(), values.end());
  const double mean =
      std::accumulate(values.begin(), values.end(), 0.0) / static_cast<double>(values.size());
  const double left = *(peak - std::min(aside, peak - values.begin()));
  const double right = *(peak + std::min(aside, values.end() - 1 - peak));
  return *peak > kAboveMean * mean && *peak > kAboveFlanks * std::max(left, right);
}

/// The radius at which a small ring near the flange's center stands out best, all pickups
/// together. 0: there is none.
double FindCollarRadius(const PhotoView& view, double tip_radius_mm,
                        const std::vector<Candidate>& candidates) {
  constexpr double kStepMm = 0.05;
  constexpr double kFlankMm = 0.4;
  const double least = 0.9 * tip_radius_mm;
  const int count = static_cast<int>((2.2 * tip_radius_mm - least) / kStepMm) + 1;
  std::vector<RingProfiles> profiles;
  profiles.reserve(candidates.size());
  for (const Candidate& c : candidates) {
    profiles.emplace_back(view, c.axis_mm, 0.0, 2.8 * tip_radius_mm);
  }
  std::vector<double> energies;
  for (int k = 0; k < count; ++k) {
    double& energy = energies.emplace_back(0.0);
    for (const RingProfiles& p : profiles) {
      energy += ScanOffsets(p, {0.0, 0.0}, {least + kStepMm * k}, 0.4, 0.1).energy;
    }
  }
  if (!PeakStandsOut(energies, std::lround(kFlankMm / kStepMm))) return 0.0;
  const auto best = std::max_element(energies.begin(), energies.end()) - energies.begin();
  return least + kStepMm * static_cast<double>(best);
}

void FitCollars(const PhotoView& view, double radius_mm, std::vector<Candidate>& candidates) {
  for (Candidate& c : candidates) {
    const RingProfiles profiles(view, c.axis_mm, 0.0, 2.0 * radius_mm);
    const BestOffset start = ScanNearExpected(profiles, {}, {radius_mm}, 0.7, 0.07);
    c.collar = profiles.Fit(start.offset_mm, {radius_mm}, 0.25, true);
    if (!c.collar || c.collar->coverage < 0.35 || c.collar->sigma_mm > 0.1) {
      c.collar.reset();
      continue;
    }
    c.collar->offset_mm += c.axis_mm.head<2>() - c.vote_mm.head<2>();
    c.axis_mm.head<2>() = c.vote_mm.head<2>() + c.collar->offset_mm;
  }
}

/// How far rings are off the axes of other rings, mm, once the depth between the two kinds is taken
/// away that explains most of it. `apart_mm` is where they look to be from those others.
double OffAxisMm(const std::vector<Eigen::Vector2d>& apart_mm,
                 const std::vector<Eigen::Vector2d>& shift_per_depth) {
  double product = 0.0;
  double square = 1e-9;
  for (std::size_t k = 0; k < apart_mm.size(); ++k) {
    product += shift_per_depth[k].dot(apart_mm[k]);
    square += shift_per_depth[k].squaredNorm();
  }
  double off_axis = 0.0;
  for (std::size_t k = 0; k < apart_mm.size(); ++k) {
    off_axis += (apart_mm[k] - product / square * shift_per_depth[k]).squaredNorm();
  }
  return std::sqrt(off_axis / static_cast<double>(apart_mm.size()));
}

/// Whether what was taken for collars shares an axis with the flanges: it stands evenly in them
/// along the row, and one depth says how far off their middles it looks, to the side and up.
/// Highlights on poles fit a small ring too, now here, now there; the bright flank of a chisel fits
/// one evenly, but above the middle.
bool CollarsKeepToFlanges(const PhotoView& view, const std::vector<Candidate>& candidates) {
  // On rendered photos real ones scattered by 0.02 to 0.07 mm, highlights by 0.25 mm and more.
  constexpr double kMostScatterMm = 0.13;
  // Real ones were 0.05 mm off the axis in one maker's photos, a chisel's flank 0.4 mm in
  // another's.
  constexpr double kMostOffAxisMm = 0.2;
  std::vector<double> index;
  std::vector<double> dx;
  std::vector<double> dy;
  std::vector<Eigen::Vector2d> shift_per_depth;
  for (std::size_t i = 0; i < candidates.size(); ++i) {
    const Candidate& c = candidates[i];
    if (!c.flange || !c.collar) continue;
    const Eigen::Vector2d apart = c.collar->offset_mm - c.flange->offset_mm;
    index.push_back(static_cast<double>(i));
    dx.push_back(apart.x());
    dy.push_back(apart.y());
    shift_per_depth.push_back(ShiftPerDepth(view, c.vote_mm));
  }
  const RowTrend trend_x = FitRowTrend(index, dx);
  const RowTrend trend_y = FitRowTrend(index, dy);
  if (!trend_x.usable) return true;
  std::vector<Eigen::Vector2d> apart_mm;
  apart_mm.reserve(index.size());
  for (const double i : index) apart_mm.emplace_back(trend_x.At(i), trend_y.At(i));
  return std::max(trend_x.scatter, trend_y.scatter) < kMostScatterMm &&
         OffAxisMm(apart_mm, shift_per_depth) < kMostOffAxisMm;
}

void DropCollars(std::vector<Candidate>& candidates) {
  for (Candidate& c : candidates) {
    c.collar.reset();
    if (c.flange) c.axis_mm.head<2>() = c.vote_mm.head<2>() + c.flange->offset_mm;
  }
}

/// How far the tips stand out: the distance at which rings of the tip's diameter, on the common
/// axis, meet the picture's edges best. One number for all pickups of the photo.
double FindProtrusion(const PhotoView& view, double tip_radius_mm,
                      const std::vector<Candidate>& candidates) {
  double best = 0.0;
  double best_energy = 0.0;
  double sum_energy = 0.0;
  int tried = 0;
  for (double a = kMinProtrusionMm; a <= kMaxProtrusionMm; a += 0.1) {
    double energy = 0.0;
    for (const Candidate& c : candidates) {
      const RingProfiles profiles(view, c.axis_mm - Eigen::Vector3d(0.0, 0.0, a), 0.0,
                                  2.0 * tip_radius_mm);
      energy += ScanOffsets(profiles, {0.0, 0.0}, {tip_radius_mm}, 0.05, 0.05).energy;
    }
    energy /= static_cast<double>(candidates.size());
    sum_energy += energy;
    ++tried;
    if (energy > best_energy) {
      best_energy = energy;
      best = a;
    }
  }
  // A maximum at the end of the range is some other ring's flank.
  const bool inside = best > kMinProtrusionMm + 0.05 && best < kMaxProtrusionMm - 0.05;
  return inside && best_energy > 1.25 * sum_energy / tried ? best : 0.0;
}

double PxPerMm(const PhotoView& view, const Eigen::Vector3d& point_mm) {
  return view.camera.fx_px / (view.camera_from_world * point_mm).z();
}

CenterObservation Observe(const PhotoView& view, const Eigen::Vector3d& center_mm,
                          double sigma_mm) {
  return {view.Project(center_mm), std::max(0.08, sigma_mm * PxPerMm(view, center_mm))};
}

/// `least_mm`: standard uncertainty beside what the fit's scatter says.
std::optional<CenterObservation> ObserveRing(const PhotoView& view, const Candidate& c,
                                             const std::optional<RingFit>& fit, double least_mm) {
  if (!fit) return std::nullopt;
  Eigen::Vector3d center = c.vote_mm;
  center.head<2>() += fit->offset_mm;
  return Observe(view, center, std::hypot(fit->sigma_mm, least_mm));
}

std::optional<CenterObservation> ObservePole(const PhotoView& view, const Candidate& c,
                                             double tip_radius_mm, double protrusion_mm,
                                             Eigen::Vector3d& center) {
  const Eigen::Vector3d middle = c.axis_mm - Eigen::Vector3d(0.0, 0.0, protrusion_mm);
  const RingProfiles profiles(view, middle, 0.0, 2.0 * tip_radius_mm);
  const BestOffset start = ScanOffsets(profiles, {0.0, 0.0}, {tip_radius_mm}, 0.2, 0.05);
  const auto fit = profiles.Fit(start.offset_mm, {tip_radius_mm}, 0.2, false);
  if (!fit || fit->coverage < 0.4 || fit->sigma_mm > 0.12) return std::nullopt;
  center = middle;
  center.head<2>() += fit->offset_mm;
  return Observe(view, center, fit->sigma_mm);
}

/// Where no face shows its rim, the poles as they stand in their row.
void ObservePolesInRow(const PhotoView& view, double tip_radius_mm,
                       const std::vector<Candidate>& candidates, DetectedPickups& result) {
  // Least; a pole that shows little stays near its flange, so that their scatter can't tell it.
  constexpr double kSigmaMm = 0.05;
  std::vector<PickupAxis> axes;
  for (std::size_t i = 0; i < candidates.size(); ++i) {
    if (result.pickups[i].flange) axes.push_back({i, candidates[i].axis_mm});
  }
  for (const PoleInRow& pole : FindPolesInRow(view, tip_radius_mm, axes)) {
    result.pickups[pole.pickup].pole_in_row = Observe(view, pole.center_mm, kSigmaMm);
  }
  CheckPolesInRow(result.pickups);
}

/// Poles as they are read about where their flanges say that they are, whatever their shape; but
/// the rim of a face that stands out is surer still.
void ReadPoles(const PhotoView& view, const std::vector<Candidate>& candidates, double row_z_mm,
               DetectedPickups& result) {
  constexpr double kUsualProtrusionMm = 2.0;
  constexpr double kSurer = 0.5;
  const bool known = result.protrusion_mm > 0.0;
  const double protrusion_mm = known ? result.protrusion_mm : kUsualProtrusionMm;
  for (std::size_t i = 0; i < candidates.size(); ++i) {
    DetectedPickup& pickup = result.pickups[i];
    if (!pickup.flange && !pickup.collar && !pickup.pole) continue;
    Eigen::Vector3d middle = candidates[i].axis_mm - Eigen::Vector3d(0.0, 0.0, protrusion_mm);
    const auto found = ReadPole(view, middle);
    if (!found) continue;
    middle.head<2>() += found->offset_mm;
    const CenterObservation read = Observe(view, middle, found->sigma_mm);
    if (pickup.pole && pickup.pole->sigma_px < kSurer * read.sigma_px) continue;
    pickup.pole = read;
    pickup.plane_mm = OnPlane(view, middle, row_z_mm).head<2>();
  }
}

}  // namespace

DetectedPickups DetectPickups(const PhotoView& view, const PickupRow& row,
                              const PickupRowOptions& options) {
  const double tip_radius_mm = 0.5 * options.pole_tip_diameter_mm;
  const double flange_radius_mm = 0.5 * options.bobbin_diameter_mm;
  DetectedPickups result;
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
  AlignRings(view, &Candidate::flange, flange_radius_mm, kOfFlange, candidates);
  FindMissedFlanges(view, flange_radius_mm, candidates);
  result.collar_radius_mm = FindCollarRadius(view, tip_radius_mm, candidates);
  if (result.collar_radius_mm > 0.0) {
    FitCollars(view, result.collar_radius_mm, candidates);
    AlignRings(view, &Candidate::collar, result.collar_radius_mm, kOfCollar, candidates);
    if (!CollarsKeepToFlanges(view, candidates)) {
      DropCollars(candidates);
      result.collar_radius_mm = 0.0;
    }
  }
  result.protrusion_mm = FindProtrusion(view, tip_radius_mm, candidates);
  for (std::size_t i = 0; i < candidates.size(); ++i) {
    const Candidate& c = candidates[i];
    DetectedPickup& pickup = result.pickups.emplace_back();
    pickup.index = row.pickups[i].index;
    pickup.flange = ObserveRing(view, c, c.flange, kFlangeMm);
    pickup.collar = ObserveRing(view, c, c.collar, 0.0);
    Eigen::Vector3d tip = c.axis_mm - Eigen::Vector3d(0.0, 0.0, result.protrusion_mm);
    if (result.protrusion_mm > 0.0) {
      pickup.pole = ObservePole(view, c, tip_radius_mm, result.protrusion_mm, tip);
    }
    pickup.deeper_px =
        (view.Project(tip + Eigen::Vector3d::UnitZ()) - view.Project(tip)).normalized();
    pickup.plane_mm = OnPlane(view, tip, options.row_z_mm).head<2>();
  }
  CrossCheckRings(result.pickups);
  if (result.protrusion_mm <= 0.0) ObservePolesInRow(view, tip_radius_mm, candidates, result);
  ReadPoles(view, candidates, options.row_z_mm, result);
  return result;
}

}  // namespace tinesight

#include "alignment/photo_stage.hpp"

#include <algorithm>
#include <cmath>
#include <optional>

#include "alignment/debug_pictures.hpp"
#include "alignment/name_check.hpp"
#include "alignment/note_name.hpp"
#include "alignment/self_calibration.hpp"
#include "calibration/formatted.hpp"
#include "calibration/rig_bars.hpp"
#include "calibration/rig_pose.hpp"
#include "vision/bar_blur.hpp"
#include "vision/harp_place.hpp"
#include "vision/note_detection.hpp"
#include "vision/photo.hpp"
#include "vision/rig_detection.hpp"
#include "vision/sharpening.hpp"

namespace tinesight {
namespace {

/// Pose from tags, then once more with the saddle points that the first pose lets us find.
Result<RigPose> SolvePose(const Photo& photo, const MeasureRequest& request, const Camera& camera,
                          const RigPoseOptions& options, RigObservations& seen) {
  seen = DetectTags(photo.gray, request.rig);
  auto pose = SolveRigPose(seen, request.rig, camera, options);
  if (!pose) {
    if (seen.tags.size() < 4 && LooksMirrored(photo.gray, request.rig)) {
      return Fail("the picture is mirrored; save it as taken, without flipping");
    }
    return pose;
  }
  if (request.rig.points.empty()) return pose;
  RefineRigPoints(photo.gray, request.rig, camera, *pose, seen);
  if (seen.points.empty()) return pose;
  auto sharper = SolveRigPose(seen, request.rig, camera, options);
  return sharper ? sharper : pose;
}

/// The camera that a photo was taken with: the calibrated one that it belongs to, or the one that
/// was found from photos like it.
Result<Camera> CameraOf(const Photo& photo, const MeasureRequest& request,
                        RigPoseOptions& pose_options, std::vector<std::string>& warnings) {
  const auto match = CheckPhotoMatchesCamera(photo, request.camera);
  if (match) return request.camera.ForOrientation(photo.exif.orientation);
  if (!request.self_calibrated) return tl::unexpected<Error>(match.error());
  const Camera& found = *request.self_calibrated;
  if (auto same = CheckPhotoMatchesFound(photo, found); !same) {
    return tl::unexpected<Error>(same.error());
  }
  // What the photos left open of their camera is open in each photo's pose.
  const auto& u = *found.standard_uncertainty;
  pose_options.focal_scale_sigma = std::hypot(pose_options.focal_scale_sigma, u[0] / found.fx_px);
  pose_options.principal_point_sigma_px =
      std::hypot(pose_options.principal_point_sigma_px, std::max(u[2], u[3]));
  warnings.push_back(
      Formatted("measured without a calibration: its camera was found from the photos themselves, "
                "focal length to %.2f %%",
                200.0 * u[0] / found.fx_px));
  return found.ForOrientation(photo.exif.orientation);
}

/// Autofocus changes the focal length by 1 or 2 %.
Result<void> CheckFocalScale(double focal_scale) {
  constexpr double kMostOff = 0.10;
  const double off = focal_scale - 1.0;
  if (std::abs(off) <= kMostOff) return {};
  return Fail("its focal length is " + Formatted("%.0f %% ", 100.0 * std::abs(off)) +
              (off > 0.0 ? "longer" : "shorter") +
              " than the camera file's: zoomed, cropped, or another phone's; give the phone's own "
              "picture and its camera file, or --self-calibrate without one");
}

/// The plane of the rig's far bar, on which the register card hangs, in the rig frame. However the
/// rig file's frame lies, the bar's own tags say where it is.
Eigen::Hyperplane<double, 3> PickupBarPlane(const Rig& rig) {
  const RigBars bars = FindRigBars(rig);
  Eigen::Vector3d middle = Eigen::Vector3d::Zero();
  Eigen::Vector3d normal = Eigen::Vector3d::Zero();
  double count = 0.0;
  for (std::size_t i = 0; i < rig.tags.size(); ++i) {
    if (bars.bar_of_tag[i] + 1 != bars.Count()) continue;
    const TagAxes axes = AxesOfTag(rig.tags[i]);
    middle += rig.tags[i].CenterMm();
    normal += axes.right.cross(axes.down);
    count += 1.0;
  }
  return {normal.normalized(), middle / count};
}

Eigen::Vector3d OnPlane(const PhotoView& view, const Eigen::Vector2d& px,
                        const Eigen::Hyperplane<double, 3>& plane) {
  const Eigen::Vector2d ray = view.camera.Undistort(px);
  const Eigen::Isometry3d world_from_camera = view.camera_from_world.inverse();
  const Eigen::Vector3d direction =
      world_from_camera.linear() * Eigen::Vector3d(ray.x(), ray.y(), 1.0);
  return Eigen::ParametrizedLine<double, 3>(world_from_camera.translation(), direction)
      .intersectionPoint(plane);
}

struct Card {
  int midi = 0;
  Eigen::Vector3d rig_mm;  // in the plane of the pickup bar
};

std::vector<Card> FindCards(const RigObservations& seen, const PhotoView& view, const Rig& rig) {
  std::vector<Card> cards;
  const Eigen::Hyperplane<double, 3> plane = PickupBarPlane(rig);
  for (const TagObservation& tag : seen.tags) {
    if (tag.id < kRegisterCardBaseId || rig.FindTag(tag.id) != nullptr) continue;
    Eigen::Vector2d middle = Eigen::Vector2d::Zero();
    for (const Eigen::Vector2d& corner : tag.corners_px) middle += 0.25 * corner;
    cards.push_back({tag.id - kRegisterCardBaseId, OnPlane(view, middle, plane)});
  }
  return cards;
}

/// MIDI number of the leftmost pickup, by the cards and by what the user said.
Result<int> NameFirstPickup(const std::vector<DetectedPickup>& pickups,
                            const std::vector<Card>& cards, const Eigen::Isometry3d& harp_from_rig,
                            const MeasureRequest& request) {
  std::optional<int> by_card;
  for (const Card& card : cards) {
    const double card_x_mm = (harp_from_rig * card.rig_mm).x();
    const auto nearest = std::min_element(
        pickups.begin(), pickups.end(), [&](const DetectedPickup& a, const DetectedPickup& b) {
          return std::abs(a.plane_mm.x() - card_x_mm) < std::abs(b.plane_mm.x() - card_x_mm);
        });
    if (std::abs(nearest->plane_mm.x() - card_x_mm) > 0.45 * request.profile.note_spacing_mm) {
      return Fail("the register card of " + NoteName(card.midi) +
                  " hangs over no pickup; hang it over the pickup of its own note");
    }
    const int first = card.midi - nearest->index;
    if (by_card && *by_card != first) {
      return Fail("two register cards contradict each other; leave the right one on the bar");
    }
    by_card = first;
  }
  if (by_card && request.first_midi && *by_card != *request.first_midi) {
    return Fail("its register card says that the first note in view is " + NoteName(*by_card) +
                ", --first-note says " + NoteName(*request.first_midi) +
                "; correct the one that is wrong");
  }
  if (by_card) return *by_card;
  if (request.first_midi) return *request.first_midi;
  return Fail(
      "no register card is in view; hang the card of the lowest note in view on the pickup bar, or "
      "name that note (--first-note)");
}

PickupRowOptions RowOptions(const InstrumentProfile& profile, const Rig& rig, int midi_hint) {
  const NoteProfile* note = profile.Find(midi_hint);
  if (note == nullptr) note = &profile.notes[profile.notes.size() / 2];
  PickupRowOptions options;
  options.note_spacing_mm = profile.note_spacing_mm;
  options.bobbin_diameter_mm = note->bobbin_diameter_mm;
  options.pole_tip_diameter_mm = note->pole_tip_diameter_mm;
  double min_x = 1e9;
  double max_x = -1e9;
  for (const RigTag& tag : rig.tags) {
    min_x = std::min(min_x, tag.CenterMm().x());
    max_x = std::max(max_x, tag.CenterMm().x());
  }
  options.min_x_mm = min_x - profile.note_spacing_mm;
  options.max_x_mm = max_x + profile.note_spacing_mm;
  return options;
}

/// Pickups by MIDI number with the geometry that the profile gives them; those outside the
/// compass are left out.
std::vector<NoteGeometry> NameNotes(std::vector<DetectedPickup>& pickups, int first_midi,
                                    const InstrumentProfile& profile,
                                    std::vector<std::string>& warnings) {
  std::vector<NoteGeometry> notes;
  std::vector<DetectedPickup> inside;
  for (const DetectedPickup& pickup : pickups) {
    const NoteProfile* note = profile.Find(first_midi + pickup.index);
    if (note == nullptr) continue;
    inside.push_back(pickup);
    NoteGeometry& geometry = notes.emplace_back();
    geometry.midi = note->midi;
    geometry.tine_length_mm = note->tine_length_mm;
    geometry.tine_diameter_mm = note->tine_diameter_mm;
    geometry.gap_mm = note->gap_mm;
    geometry.height_mm = note->height_mm;
  }
  if (inside.size() < pickups.size()) {
    warnings.push_back(
        std::to_string(pickups.size() - inside.size()) +
        " pickups in view lie outside the instrument's compass and were left out; check the "
        "register card and the profile");
  }
  pickups = std::move(inside);
  return notes;
}

/// Tines that are not as long as those they are named after: a card is believed, with a warning,
/// what was typed is not.
Result<void> CheckNames(const StagedPhoto& staged, const PhotoView& view, bool by_card,
                        const MeasureRequest& request, std::vector<std::string>& warnings) {
  const NoteGeometry& middle = staged.geometry[staged.geometry.size() / 2];
  const Eigen::Vector3d eye = view.CameraCenterMm();
  const double to_root_mm = -eye.z() - middle.tine_length_mm - middle.gap_mm;
  const double tan_elevation = std::abs(eye.y()) / std::max(1.0, to_root_mm);
  const auto mismatch =
      LengthMismatch(staged.observations.notes, {tan_elevation, request.profile.block_height_mm});
  if (!mismatch) return {};
  const std::string first = NoteName(staged.geometry.front().midi);
  if (!by_card) {
    return Fail("--first-note " + first + " doesn't fit: " + *mismatch +
                "; name the lowest note in view, or hang its card on the pickup bar");
  }
  warnings.push_back(*mismatch + ", from " + first +
                     " on as the register card names them; check the card and the profile's "
                     "tine lengths");
  return {};
}

/// The row of pickups in a picture that is looked at as the harp stands.
struct PlacedRow {
  PhotoView view;  ///< its world is the harp as placed
  PickupRow row;
  Eigen::Isometry3d rig_from_harp = Eigen::Isometry3d::Identity();
};

PickupRowOptions Within(PickupRowOptions options, double search_y_mm) {
  options.search_y_mm = search_y_mm;
  return options;
}

HarpPlaceOptions PlaceOptions(const InstrumentProfile& profile) {
  HarpPlaceOptions options;
  options.note_spacing_mm = profile.note_spacing_mm;
  options.reach_mm = 0.8 * profile.notes[profile.notes.size() / 2].tine_length_mm;
  return options;
}

/// Looks again from where tines that run along `direction` (frame of placed.view) say that the harp
/// stands.
Result<void> Replace(const Eigen::Vector3d& direction, const PickupRowOptions& row_options,
                     const HarpPlaceOptions& options, PlacedRow& placed) {
  constexpr double kSearchMm = 6.0;
  const auto moved = PlaceHarp(placed.view, placed.row, direction, options);
  if (!moved) return {};
  placed.rig_from_harp = placed.rig_from_harp * *moved;
  placed.view.camera_from_world = placed.view.camera_from_world * *moved;
  auto row = FindPickupRow(placed.view, Within(row_options, kSearchMm));
  if (!row) return tl::unexpected<Error>(row.error());
  placed.row = std::move(*row);
  return {};
}

/// Finds the row of pickups wherever the rig is clamped: first as if it stood as drawn, then from
/// where edges show the harp to stand.
Result<PlacedRow> FindPlacedRow(const PhotoView& rig_view, const PickupRowOptions& row_options,
                                const HarpPlaceOptions& options) {
  constexpr double kSearchMm = 22.0;
  auto row = FindPickupRow(rig_view, Within(row_options, kSearchMm));
  if (!row) return tl::unexpected<Error>(row.error());
  PlacedRow placed{rig_view, std::move(*row)};
  for (int round = 0; round < 2; ++round) {
    const auto direction = DirectionOfEdges(placed.view, placed.row, options);
    if (!direction) break;
    if (auto done = Replace(*direction, row_options, options, placed); !done) {
      return tl::unexpected<Error>(done.error());
    }
  }
  return placed;
}

std::string GrainyWarning(double noise_sigma) {
  return Formatted(
      "grainy, with noise of %.0f gray levels: it was smoothed; take it with more light, or from a "
      "stand, for surer figures",
      noise_sigma);
}

std::string BlurredWarning(double blur_mm) {
  return Formatted(
      "out of focus or moved: edges on the pickup bar are spread by %.2f mm; take it again, "
      "focused on the pickups and held still, for surer figures",
      blur_mm);
}

/// What a photo tells of the rig and of itself.
struct SeenRig {
  Camera camera;
  RigPose pose;
  std::vector<Card> cards;
  double noise_sigma = 0.0;
  PhotoView view;  ///< its world is the rig
};

Result<SeenRig> SeeRig(const MeasureRequest& request, std::size_t index, PhotoMeasurement& report) {
  const auto photo = ReadPhoto(request.photos[index]);
  if (!photo) return tl::unexpected<Error>(photo.error());
  report.exif = photo->exif;
  RigPoseOptions pose_options;
  const auto camera = CameraOf(*photo, request, pose_options, report.warnings);
  if (!camera) return tl::unexpected<Error>(camera.error());
  RigObservations seen;
  const auto pose = SolvePose(*photo, request, *camera, pose_options, seen);
  report.tags = static_cast<int>(seen.tags.size());
  if (!pose) return tl::unexpected<Error>(pose.error());
  if (auto same = CheckFocalScale(pose->focal_scale); !same) {
    return tl::unexpected<Error>(same.error());
  }
  report.rms_px = pose->rms_px;
  report.warnings.insert(report.warnings.end(), pose->warnings.begin(), pose->warnings.end());

  SeenRig rig{*camera, *pose, {}, NoiseSigma(photo->gray), {}};
  if (rig.noise_sigma > kGrainyNoise) report.warnings.push_back(GrainyWarning(rig.noise_sigma));
  rig.view.bgr = Sharpened(photo->bgr, rig.noise_sigma);
  rig.view.gray = Sharpened(photo->gray, rig.noise_sigma);
  rig.view.camera = pose->PhotoCamera(*camera);
  rig.view.camera_from_world = pose->camera_from_rig;
  const auto blur_mm = PickupBarBlurMm(seen, request.rig, rig.view);
  if (blur_mm && *blur_mm >= kBlurredBarMm) report.warnings.push_back(BlurredWarning(*blur_mm));
  rig.cards = FindCards(seen, rig.view, request.rig);
  return rig;
}

/// Finds and names the notes in front of the row of pickups.
Result<void> StageNotes(const PlacedRow& placed, const std::vector<Card>& cards,
                        const MeasureRequest& request, StagedPhoto& staged,
                        std::vector<std::string>& warnings) {
  staged.pickups = DetectPickups(placed.view, placed.row, staged.row_options);
  const auto first_midi =
      NameFirstPickup(staged.pickups, cards, placed.rig_from_harp.inverse(), request);
  if (!first_midi) return tl::unexpected<Error>(first_midi.error());
  staged.geometry = NameNotes(staged.pickups, *first_midi, request.profile, warnings);
  if (staged.geometry.empty()) {
    return Fail(
        "none of its notes lies in the instrument's compass; check the register card "
        "and --instrument");
  }
  NoteDetectionOptions detection;
  detection.tone_bars = false;
  staged.observations.notes = DetectNotes(placed.view, staged.pickups, staged.geometry, detection);
  return CheckNames(staged, placed.view, !cards.empty(), request, warnings);
}

}  // namespace

Result<StagedPhoto> StagePhoto(const MeasureRequest& request, std::size_t index,
                               PhotoMeasurement& report) {
  if (request.debug_dir && index == 0) {  // once for all photos
    if (auto written = WriteDebugLegend(*request.debug_dir); !written) {
      report.warnings.push_back(written.error().message);
    }
  }
  const auto rig = SeeRig(request, index, report);
  if (!rig) return tl::unexpected<Error>(rig.error());
  StagedPhoto staged;
  staged.request_index = index;
  staged.noise_sigma = rig->noise_sigma;
  staged.observations.camera = rig->camera;
  staged.observations.pose = rig->pose;
  staged.observations.height_counts = request.damper != DamperState::kResting;
  const int hint = !rig->cards.empty() ? rig->cards.front().midi : request.first_midi.value_or(0);
  staged.row_options = RowOptions(request.profile, request.rig, hint);
  const auto placed = FindPlacedRow(rig->view, staged.row_options, PlaceOptions(request.profile));
  if (!placed) return tl::unexpected<Error>(placed.error());
  if (auto done = StageNotes(*placed, rig->cards, request, staged, report.warnings); !done) {
    return tl::unexpected<Error>(done.error());
  }
  staged.rig_from_harp = placed->rig_from_harp;
  for (std::size_t i = 0; i < staged.geometry.size(); ++i) {
    const Eigen::Vector2d& at = staged.pickups[i].plane_mm;
    staged.pickup_rig_mm[staged.geometry[i].midi] =
        placed->rig_from_harp * Eigen::Vector3d(at.x(), at.y(), staged.row_options.row_z_mm);
  }
  return staged;
}

}  // namespace tinesight

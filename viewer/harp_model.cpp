#include "viewer/harp_model.hpp"

#include <algorithm>
#include <cmath>
#include <utility>

#include "alignment/note_name.hpp"
#include "calibration/angle.hpp"
#include "viewer/mesh_shapes.hpp"

namespace tinesight {

using Eigen::Vector3d;

namespace {

// Sizes of what is drawn but not measured, mm: of the usual order, no claim.
constexpr double kPoleLength = 2.5;
constexpr double kBobbinLength = 9.0;
constexpr double kBlockLength = 13.0;
constexpr double kBlockSide = 8.0;
constexpr double kBarWidth = 7.0;
constexpr double kBarHeight = 7.0;
constexpr double kBarAboveTine = 9.0;
constexpr double kBarBehindRoot = 34.0;
constexpr int kFacets = 14;

bool HasGeometry(const NoteMeasurement& note) {
  return note.lateral_mm && std::isfinite(note.lateral_mm->value) &&
         note.root_harp_mm.allFinite() && note.tip_harp_mm.allFinite() &&
         note.pickup_harp_mm.allFinite() && note.tip_harp_mm.z() - note.root_harp_mm.z() > 1e-6;
}

// Where an unmeasured note should be: on the profile's evenly spaced row, moved to where the
// measured pickups are on average.
class NominalRow {
 public:
  NominalRow(const VisitMeasurement& visit, const InstrumentProfile* profile)
      : profile_(profile != nullptr && !profile->notes.empty() ? profile : nullptr) {
    if (profile_ == nullptr) return;
    int count = 0;
    for (const NoteMeasurement& note : visit.notes) {
      if (!HasGeometry(note)) continue;
      shift_ += note.pickup_harp_mm - OnRow(note.midi);
      ++count;
    }
    if (count > 0) shift_ /= count;
  }

  [[nodiscard]] std::optional<HarpNote> Place(int midi) const {
    const NoteProfile* target = profile_ != nullptr ? profile_->Find(midi) : nullptr;
    if (target == nullptr) return std::nullopt;
    HarpNote note;
    note.midi = midi;
    note.pickup_mm = OnRow(midi) + shift_;
    note.tip_mm = note.pickup_mm + Vector3d(0.0, target->height_mm, -target->gap_mm);
    note.root_mm = note.tip_mm - target->tine_length_mm * Vector3d::UnitZ();
    note.radius_mm = 0.5 * target->tine_diameter_mm;
    return note;
  }

 private:
  [[nodiscard]] Vector3d OnRow(int midi) const {
    return {(midi - profile_->FirstMidi()) * profile_->note_spacing_mm, 0.0, 0.0};
  }
  const InstrumentProfile* profile_;
  Vector3d shift_ = Vector3d::Zero();
};

class Builder {
 public:
  Builder(HarpModel& model, double magnification) : model_(model), magnification_(magnification) {}

  void AddMeasured(const NoteMeasurement& note, const NoteProfile* target) {
    HarpNote drawn;
    drawn.midi = note.midi;
    drawn.verdict = note.lateral_verdict;
    drawn.measured = true;
    drawn.root_mm = note.root_harp_mm;
    drawn.pickup_mm = note.pickup_harp_mm;
    drawn.radius_mm = 0.5 * note.tine_diameter_mm;
    const Vector3d goal =
        note.pickup_harp_mm + Vector3d(0.0, target != nullptr ? target->height_mm : 0.0, 0.0);
    // The tip on the straight line from the root to the goal, and how far it is off that line.
    const double part = (note.tip_harp_mm.z() - note.root_harp_mm.z()) /
                        std::max(1e-6, goal.z() - note.root_harp_mm.z());
    const Vector3d ideal_tip = note.root_harp_mm + part * (goal - note.root_harp_mm);
    drawn.tip_mm = ideal_tip + magnification_ * (note.tip_harp_mm - ideal_tip);
    const Vector3d at_face = note.root_harp_mm + (drawn.tip_mm - note.root_harp_mm) / part;

    Add(drawn, HarpPart::kTine,
        RodMesh(drawn.root_mm, drawn.tip_mm, note.tine_diameter_mm, kFacets));
    Add(drawn, HarpPart::kIdealAxis, RodMesh(note.root_harp_mm, goal, 0.35, 8));
    AddSurroundings(drawn, note.pole_tip_diameter_mm,
                    target != nullptr ? target->bobbin_diameter_mm : 13.6,
                    note.tone_bar_yaw_deg ? note.tone_bar_yaw_deg->value : 0.0);
    const double sideways = at_face.x() - note.pickup_harp_mm.x();
    if (std::abs(sideways) > 0.05) {
      // On the face, at the tine's height, from over the pickup's center to the tine.
      const Vector3d from(note.pickup_harp_mm.x(), at_face.y(), at_face.z() - 0.2);
      Add(drawn, HarpPart::kOffsetArrow,
          ArrowMesh(from, from + Vector3d(sideways, 0.0, 0.0), 0.9, 16));
    }
    model_.notes.push_back(drawn);
  }

  void AddUnmeasured(const HarpNote& place, const NoteProfile& target) {
    AddSurroundings(place, target.pole_tip_diameter_mm, target.bobbin_diameter_mm, 0.0);
    model_.notes.push_back(place);
  }

 private:
  void AddSurroundings(const HarpNote& note, double pole_mm, double bobbin_mm, double bar_yaw_deg) {
    const Vector3d back = note.pickup_mm + Vector3d(0.0, 0.0, kPoleLength);
    Add(note, HarpPart::kPoleTip, RodMesh(note.pickup_mm, back, pole_mm, kFacets));
    Add(note, HarpPart::kBobbin,
        RodMesh(back, back + Vector3d(0.0, 0.0, kBobbinLength), bobbin_mm, 24));
    const Vector3d root = note.root_mm;
    Add(note, HarpPart::kBlock,
        BoxMesh(root - kBlockLength * Vector3d::UnitZ(), root, kBlockSide, kBlockSide));
    const double yaw = magnification_ * bar_yaw_deg * kRadPerDeg;
    const Vector3d along(std::sin(yaw), 0.0, std::cos(yaw));
    const Vector3d middle = root + Vector3d(0.0, kBarAboveTine, 0.0);
    const double ahead = 0.55 * (note.tip_mm.z() - root.z());
    Add(note, HarpPart::kToneBar,
        BoxMesh(middle - kBarBehindRoot * along, middle + ahead * along, kBarWidth, kBarHeight));
  }

  void Add(const HarpNote& note, HarpPart part, SceneMesh mesh) {
    mesh.midi = note.midi;
    mesh.name = NoteName(note.midi);
    model_.meshes.push_back({part, note.verdict, std::move(mesh)});
  }

  HarpModel& model_;
  double magnification_;
};

void MeasureBounds(HarpModel& model) {
  if (model.notes.empty()) return;
  Eigen::AlignedBox3d box;
  for (const HarpMesh& mesh : model.meshes) {
    for (const Vector3d& vertex : mesh.mesh.vertices_mm) box.extend(vertex);
  }
  model.center_mm = box.center();
  model.radius_mm = std::max(20.0, 0.5 * box.diagonal().norm());
}

// Möller and Trumbore, "Fast, minimum storage ray/triangle intersection", J. Graphics Tools 2
// (1997): the distance in units of `direction`.
std::optional<double> HitTriangle(const Vector3d& eye, const Vector3d& direction, const Vector3d& a,
                                  const Vector3d& b, const Vector3d& c) {
  const Vector3d ab = b - a;
  const Vector3d ac = c - a;
  const Vector3d p = direction.cross(ac);
  const double determinant = ab.dot(p);
  if (std::abs(determinant) < 1e-12) return std::nullopt;
  const Vector3d to_eye = eye - a;
  const double u = to_eye.dot(p) / determinant;
  if (u < 0.0 || u > 1.0) return std::nullopt;
  const Vector3d q = to_eye.cross(ab);
  const double v = direction.dot(q) / determinant;
  if (v < 0.0 || u + v > 1.0) return std::nullopt;
  const double t = ac.dot(q) / determinant;
  return t > 0.0 ? std::optional(t) : std::nullopt;
}

}  // namespace

const HarpNote* HarpModel::Find(int midi) const {
  const auto note = std::find_if(notes.begin(), notes.end(),
                                 [midi](const HarpNote& n) { return n.midi == midi; });
  return note == notes.end() ? nullptr : &*note;
}

HarpModel BuildHarpModel(const VisitMeasurement& visit, const InstrumentProfile* profile,
                         double magnification) {
  HarpModel model;
  Builder builder(model, std::clamp(magnification, 1.0, 20.0));
  const NominalRow row(visit, profile);
  for (const NoteMeasurement& note : visit.notes) {
    const NoteProfile* target = profile != nullptr ? profile->Find(note.midi) : nullptr;
    if (HasGeometry(note)) {
      builder.AddMeasured(note, target);
    } else if (const auto place = row.Place(note.midi)) {
      builder.AddUnmeasured(*place, *target);
    }
  }
  MeasureBounds(model);
  return model;
}

std::optional<double> FirstHit(const HarpModel& model, const Vector3d& eye_mm,
                               const Vector3d& direction) {
  std::optional<double> nearest;
  for (const HarpMesh& part : model.meshes) {
    if (part.part == HarpPart::kIdealAxis) continue;
    const auto& vertices = part.mesh.vertices_mm;
    for (const auto& t : part.mesh.triangles) {
      const auto hit =
          HitTriangle(eye_mm, direction, vertices[t[0]], vertices[t[1]], vertices[t[2]]);
      if (hit && (!nearest || *hit < *nearest)) nearest = hit;
    }
  }
  return nearest;
}

}  // namespace tinesight

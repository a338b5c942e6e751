#pragma once

#include <Eigen/Core>
#include <array>
#include <optional>
#include <vector>

#include "alignment/measurement.hpp"
#include "alignment/profile.hpp"
#include "viewer/harp_scene.hpp"

namespace tinesight {

/// What a mesh of the harp stands for; how it is colored is the screen's business.
enum class HarpPart { kTine, kPoleTip, kBobbin, kBlock, kToneBar, kIdealAxis, kOffsetArrow };

struct HarpMesh {
  HarpPart part = HarpPart::kTine;
  Verdict verdict = Verdict::kNotMeasured;  ///< lateral, of the note
  SceneMesh mesh;
};

/// One note's tine as drawn, for picking and labels.
struct HarpNote {
  int midi = 0;
  Verdict verdict = Verdict::kNotMeasured;
  bool measured = false;
  Eigen::Vector3d root_mm = Eigen::Vector3d::Zero();
  Eigen::Vector3d tip_mm = Eigen::Vector3d::Zero();  ///< as drawn: magnified
  Eigen::Vector3d pickup_mm = Eigen::Vector3d::Zero();
  double radius_mm = 0.95;
};

/// The harp to look at, harp frame, mm. Tines, pole tips and arrows stand where they were measured
/// (their offsets magnified). Blocks, tone bars and bobbins are drawings: they were not measured
/// but for the tone bar's direction where that is stated, and are there so that a person sees which
/// end is which.
struct HarpModel {
  std::vector<HarpMesh> meshes;
  std::vector<HarpNote> notes;  ///< ascending; unmeasured ones stand at their nominal place
  Eigen::Vector3d center_mm = Eigen::Vector3d::Zero();
  double radius_mm = 100.0;

  [[nodiscard]] const HarpNote* Find(int midi) const;
};

/// `magnification` from 1 to 20 stretches what a tine deviates at the pickup from the straight line
/// to its target, and the turn of a tone bar, about the root. `profile` may be nullptr.
[[nodiscard]] HarpModel BuildHarpModel(const VisitMeasurement& visit,
                                       const InstrumentProfile* profile, double magnification);

/// Distance along `direction` (any length) from `eye_mm` to the first triangle met; nothing: none.
[[nodiscard]] std::optional<double> FirstHit(const HarpModel& model, const Eigen::Vector3d& eye_mm,
                                             const Eigen::Vector3d& direction);

}  // namespace tinesight

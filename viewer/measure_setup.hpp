#pragma once

#include <filesystem>
#include <optional>
#include <string>

#include "alignment/measurement.hpp"
#include "alignment/profile.hpp"
#include "calibration/camera.hpp"
#include "calibration/error.hpp"
#include "calibration/rig.hpp"
#include "record/service_record.hpp"

namespace tinesight {

/// The files that new photos are measured with, as `tinesight measure` has them.
struct MeasureFiles {
  std::filesystem::path camera;
  std::filesystem::path rig;
  std::filesystem::path instrument;  ///< where the visit has no profile of its own
  std::string first_note;            ///< lowest note in view, where no register card says it
  std::string damper;                ///< empty: as in the visit
  /// Whether what no record knows is named: camera and rig.
  [[nodiscard]] bool Named() const { return !camera.empty() && !rig.empty(); }
};

/// The same, read.
struct MeasureSetup {
  Camera camera;
  Rig rig;
  InstrumentProfile profile;
  std::string profile_json;
  std::optional<int> first_midi;
  DamperState damper = DamperState::kUnknown;
};

/// Reads the files. The profile that `visit` (may be nullptr) was judged by goes before a file's,
/// so that one visit is judged by one profile; its damper state is taken where `files` has none.
/// Fails with the file and what is wrong with it.
[[nodiscard]] Result<MeasureSetup> ReadMeasureSetup(const MeasureFiles& files, const Visit* visit);

}  // namespace tinesight

#include "viewer/measure_setup.hpp"

#include "alignment/note_name.hpp"
#include "calibration/file_io.hpp"
#include "record/result_json.hpp"

namespace tinesight {
namespace {

Result<void> ReadInstrument(const MeasureFiles& files, const Visit* visit, MeasureSetup& setup) {
  if (visit != nullptr && !visit->profile.notes.empty() && !visit->profile_json.empty()) {
    setup.profile = visit->profile;
    setup.profile_json = visit->profile_json;
    return {};
  }
  if (files.instrument.empty()) {
    return Fail("no instrument profile is known; name one with --instrument");
  }
  auto profile = ReadInstrumentProfile(files.instrument);
  if (!profile) return tl::unexpected(profile.error());
  auto json = ReadFileBytes(files.instrument);
  if (!json) return tl::unexpected(json.error());
  setup.profile = std::move(*profile);
  setup.profile_json = std::move(*json);
  return {};
}

Result<DamperState> DamperOf(const MeasureFiles& files, const Visit* visit) {
  for (const DamperState state :
       {DamperState::kHarpRaised, DamperState::kKeyHeld, DamperState::kResting}) {
    if (files.damper == DamperWord(state)) return state;
  }
  if (!files.damper.empty()) {
    return Fail("the damper state " + files.damper +
                " is not known; choose harp-raised, key-held or resting");
  }
  return visit == nullptr || visit->sets.empty() ? DamperState::kUnknown
                                                 : visit->sets.front().damper;
}

}  // namespace

Result<MeasureSetup> ReadMeasureSetup(const MeasureFiles& files, const Visit* visit) {
  if (!files.Named()) {
    return Fail("to measure photos, name the camera file and the rig file (--camera, --rig)");
  }
  MeasureSetup setup;
  auto camera = ReadCamera(files.camera);
  if (!camera) return tl::unexpected(camera.error());
  setup.camera = std::move(*camera);
  auto rig = ReadRig(files.rig);
  if (!rig) return tl::unexpected(rig.error());
  setup.rig = std::move(*rig);
  if (auto read = ReadInstrument(files, visit, setup); !read) return tl::unexpected(read.error());
  const auto damper = DamperOf(files, visit);
  if (!damper) return tl::unexpected(damper.error());
  setup.damper = *damper;
  if (files.first_note.empty()) return setup;
  setup.first_midi = ParseNoteName(files.first_note);
  if (!setup.first_midi || setup.profile.Find(*setup.first_midi) == nullptr) {
    return Fail("--first-note " + files.first_note + ": is no note of the instrument, " +
                NoteName(setup.profile.FirstMidi()) + " to " + NoteName(setup.profile.LastMidi()));
  }
  return setup;
}

}  // namespace tinesight

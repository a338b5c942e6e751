#pragma once

// For record/ alone.
#include <map>
#include <set>
#include <string>
#include <vector>

#include "record/service_record.hpp"

namespace tinesight {

/// Crops of a visit's photos with their overlays, by MIDI number.
struct NotePictures {
  std::map<int, std::string> jpeg;     ///< square, encoded anew from pixels: no EXIF
  std::map<int, std::string> missing;  ///< why a note has none, for a reader
  std::vector<std::string> trouble;    ///< "PHOTO: why it could not be used"
};

/// The photo itself, wherever PhotoPlaces() finds it, if its
/// SHA-256 is still that of the photo that was measured; else the picture embedded in the record.
/// Reads each photo once. A photo that is neither there nor embedded costs its notes the picture,
/// not the report.
[[nodiscard]] NotePictures CollectNotePictures(const ServiceRecord& record, const Visit& visit,
                                               const std::set<int>& midi_notes, int size_px);

/// A photo's name without its folder, safe to print: folders tell of the owner's computer.
[[nodiscard]] std::string PhotoName(const PhotoMeasurement& photo);

}  // namespace tinesight

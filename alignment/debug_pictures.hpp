#pragma once

#include <cstddef>
#include <filesystem>
#include <string_view>

#include "alignment/measure_visit.hpp"
#include "calibration/error.hpp"

namespace tinesight {

/// Writes the debug picture of note `midi` in photo `index` into request.debug_dir, whole or not at
/// all: `<photo>_<midi>.png`, and `<photo>_<midi>_2.png` of a second photo of that name, numbered
/// as overlays are. `png`: the file's bytes.
[[nodiscard]] Result<void> WriteDebugPicture(const MeasureRequest& request, std::size_t index,
                                             int midi, std::string_view png);

/// Writes `README.txt` into the folder of debug pictures: what they show.
[[nodiscard]] Result<void> WriteDebugLegend(const std::filesystem::path& debug_dir);

}  // namespace tinesight

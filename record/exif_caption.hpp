#pragma once

#include <string>
#include <string_view>

#include "calibration/error.hpp"

namespace tinesight {

/// A JPEG without EXIF, with `caption` put into it as EXIF ImageDescription (tag 270) and nothing
/// else: no camera, no place, no time. EXIF's text is ASCII (EXIF 2.3, 4.6.4), so signs are spelled
/// out ("+/-"); what is longer than 1000 characters is cut.
[[nodiscard]] Result<std::string> WithImageDescription(std::string_view jpeg,
                                                       std::string_view caption);

}  // namespace tinesight

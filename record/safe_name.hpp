#pragma once

#include <string>
#include <string_view>

namespace tinesight {

/// Text as a part of a file name that every file system takes: letters, digits, '#', '-', '.' and
/// letters beyond ASCII stay, so that "F#1" is still "F#1"; everything else becomes '_'. Never
/// empty, no '.' or '-' in front, at most 80 bytes.
[[nodiscard]] std::string SafeFileName(std::string_view text);

}  // namespace tinesight

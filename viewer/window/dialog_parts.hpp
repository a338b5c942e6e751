#pragma once

#include <filesystem>
#include <string>

#include "viewer/window/theme.hpp"

namespace tinesight {

/// A dialog in the middle of the window with the rest dimmed; false: it was clicked away. Always
/// pair with EndDialog.
bool BeginDialog(const Theme& t, const char* name, double width, double height, bool fresh);
void EndDialog();
void Title(const Theme& t, const char* text);
/// A path as it was typed, with ~/ for the home folder.
[[nodiscard]] std::filesystem::path TypedPath(const std::string& text);

}  // namespace tinesight

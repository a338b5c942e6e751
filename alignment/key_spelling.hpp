#pragma once

#include <nlohmann/json_fwd.hpp>
#include <string>
#include <string_view>
#include <vector>

#include "calibration/error.hpp"

namespace tinesight {

/// By how many letters left out, put in or changed two words differ (Levenshtein's distance).
[[nodiscard]] int LettersApart(std::string_view a, std::string_view b);

/// Refuses a key of `object` that differs from one of `known`, which is absent, by a letter or two
/// (of three each): the value meant would silently be the usual one. Other unknown keys are the
/// user's own. `where` starts the message.
[[nodiscard]] Result<void> CheckSpelling(const nlohmann::json& object,
                                         const std::vector<std::string>& known,
                                         const std::string& where);

}  // namespace tinesight

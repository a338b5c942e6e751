#pragma once

// For .cpp files only, like file_io.hpp.
#include <array>
#include <cmath>
#include <cstdint>
#include <nlohmann/json.hpp>
#include <optional>
#include <string>

#include "calibration/error.hpp"

namespace tinesight {

/// A closed range that a number of a file must lie in; `remedy` ends the error's sentence.
struct FieldRange {
  double low = 0.0;
  double high = 0.0;
  std::string remedy = "correct the file";
};

/// A number as a person would write it: 3150, 0.05, 1e-07.
[[nodiscard]] std::string FormatNumber(double value);

/// `value` as a finite number within `range`. `where` names the file and the place, `key` the
/// value, as in "camera.json: fx is -3150, but must lie between …; correct the file".
[[nodiscard]] Result<double> CheckNumber(const nlohmann::json& value, const std::string& key,
                                         const FieldRange& range, const std::string& where);

/// As CheckNumber, of the member `key` of `object`, which must be there.
[[nodiscard]] Result<double> NumberField(const nlohmann::json& object, const std::string& key,
                                         const FieldRange& range, const std::string& where);

/// As NumberField; `fallback` when there is no such member.
[[nodiscard]] Result<double> NumberFieldOr(const nlohmann::json& object, const std::string& key,
                                           double fallback, const FieldRange& range,
                                           const std::string& where);

/// A whole number; 40.0 is one, 40.5 and "40" are not.
[[nodiscard]] Result<int> IntegerField(const nlohmann::json& object, const std::string& key,
                                       int low, int high, const std::string& where);

/// A text; empty when there is no such member or it is null.
[[nodiscard]] Result<std::string> TextFieldOrEmpty(const nlohmann::json& object,
                                                   const std::string& key,
                                                   const std::string& where);

}  // namespace tinesight

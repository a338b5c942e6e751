#include "calibration/json_field.hpp"

#include "calibration/formatted.hpp"

namespace tinesight {
namespace {

/// What stands there instead of a number, short enough for one line.
std::string Describe(const nlohmann::json& value) {
  if (value.is_string()) return "a text";
  if (value.is_array()) return "a list";
  if (value.is_object()) return "an object";
  if (value.is_boolean()) return value.get<bool>() ? "true" : "false";
  if (value.is_null()) return "null";
  return FormatNumber(value.get<double>());
}

Result<const nlohmann::json*> Member(const nlohmann::json& object, const std::string& key,
                                     const std::string& where) {
  if (!object.is_object()) return Fail(where + ": must be an object with the key " + key);
  const auto found = object.find(key);
  if (found == object.end()) return Fail(where + ": " + key + " is missing; add it to the file");
  return &*found;
}

}  // namespace

std::string FormatNumber(double value) { return Formatted("%.8g", value); }

Result<double> CheckNumber(const nlohmann::json& value, const std::string& key,
                           const FieldRange& range, const std::string& where) {
  if (!value.is_number()) {
    return Fail(where + ": " + key + " is " + Describe(value) + ", but must be a number; " +
                range.remedy);
  }
  const double number = value.get<double>();
  if (!(number >= range.low && number <= range.high)) {
    return Fail(where + ": " + key + " is " + FormatNumber(number) + ", but must lie between " +
                FormatNumber(range.low) + " and " + FormatNumber(range.high) + "; " + range.remedy);
  }
  return number;
}

Result<double> NumberField(const nlohmann::json& object, const std::string& key,
                           const FieldRange& range, const std::string& where) {
  const auto member = Member(object, key, where);
  if (!member) return tl::unexpected<Error>(member.error());
  return CheckNumber(**member, key, range, where);
}

Result<double> NumberFieldOr(const nlohmann::json& object, const std::string& key, double fallback,
                             const FieldRange& range, const std::string& where) {
  if (object.is_object() && !object.contains(key)) return fallback;
  return NumberField(object, key, range, where);
}

Result<int> IntegerField(const nlohmann::json& object, const std::string& key, int low, int high,
                         const std::string& where) {
  const auto number = NumberField(
      object, key, {.low = static_cast<double>(low), .high = static_cast<double>(high)}, where);
  if (!number) return tl::unexpected<Error>(number.error());
  if (*number != std::floor(*number)) {
    return Fail(where + ": " + key + " is " + FormatNumber(*number) +
                ", but must be a whole number; correct the file");
  }
  return static_cast<int>(*number);
}

Result<std::string> TextFieldOrEmpty(const nlohmann::json& object, const std::string& key,
                                     const std::string& where) {
  const auto found = object.find(key);
  if (found == object.end() || found->is_null()) return std::string();
  if (!found->is_string()) {
    return Fail(where + ": " + key + " is " + Describe(*found) +
                ", but must be a text; correct the file");
  }
  return found->get<std::string>();
}

}  // namespace tinesight

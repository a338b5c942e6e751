#include "app/option_checks.hpp"

#include <sstream>
#include <string>

namespace tinesight {

CLI::Validator NumberBetween(double low, double high) {
  std::ostringstream range;
  range << low << " to " << high;
  const auto check = [low, high, range = range.str()](const std::string& text) -> std::string {
    double value = 0.0;
    const bool read = CLI::detail::lexical_cast(text, value);
    return read && value >= low && value <= high ? "" : text + " is no number from " + range;
  };
  return {check, ""};
}

CLI::Validator NotBlank() {
  const auto check = [](const std::string& text) -> std::string {
    return text.find_first_not_of(" \t\r\n") == std::string::npos ? "is blank; say something" : "";
  };
  return {check, ""};
}

}  // namespace tinesight

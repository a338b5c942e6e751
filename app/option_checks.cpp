#include "app/option_checks.hpp"

#include <sstream>
#include <string>

#include "app/output_check.hpp"
#include "record/text_util.hpp"

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

CLI::Validator PlainName() {
  const auto check = [](const std::string& text) -> std::string {
    return CleanText(text) == text ? "" : "is no plain text of one line";
  };
  return {check, ""};
}

void RequireNamedOnce(const std::vector<std::string>& inputs,
                      const std::vector<std::string>& outputs) {
  if (const auto twice = OutputNamedTwice(inputs, outputs)) {
    throw CLI::ValidationError(*twice + " is named twice, as an output and as something else");
  }
}

}  // namespace tinesight

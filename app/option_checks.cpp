#include "app/option_checks.hpp"

#include <sstream>
#include <string>

#include "app/output_check.hpp"
#include "record/text_util.hpp"

namespace tinesight {
namespace {

std::string BlankReason(const std::string& text) {
  return text.find_first_not_of(" \t\r\n") == std::string::npos ? "is blank; give it a value" : "";
}

}  // namespace

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
  return {[](std::string& text) { return BlankReason(text); }, ""};
}

CLI::Validator PlainName() {
  const auto check = [](const std::string& text) -> std::string {
    std::string reason = BlankReason(text);
    if (reason.empty() && CleanText(text) != text) reason = "is no plain text of one line";
    return reason;
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

#pragma once

#include <CLI/CLI.hpp>
#include <string>
#include <vector>

namespace tinesight {

/// A check that an option's value is a number from `low` to `high`. CLI::Range lets "nan" pass, as
/// it is neither below nor above.
[[nodiscard]] CLI::Validator NumberBetween(double low, double high);

/// A check that an option's text can be a name, which is one line without control characters.
[[nodiscard]] CLI::Validator PlainName();

/// Wrong usage (CLI::ValidationError) where an output is named twice (OutputNamedTwice).
void RequireNamedOnce(const std::vector<std::string>& inputs,
                      const std::vector<std::string>& outputs);

}  // namespace tinesight

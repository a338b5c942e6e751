#pragma once

#include <CLI/CLI.hpp>
#include <string>
#include <vector>

namespace tinesight {

/// A check that an option's value is a number from `low` to `high`. CLI::Range lets "nan" pass, as
/// it is neither below nor above.
[[nodiscard]] CLI::Validator NumberBetween(double low, double high);

/// A check that an option's text says something: what is left empty by mistake, as by a variable of
/// the shell that is not set, would pass for not given.
[[nodiscard]] CLI::Validator NotBlank();

/// The same for a name, which is one line: no control characters either.
[[nodiscard]] CLI::Validator PlainName();

/// Wrong usage (CLI::ValidationError) where an output is named twice (OutputNamedTwice).
void RequireNamedOnce(const std::vector<std::string>& inputs,
                      const std::vector<std::string>& outputs);

}  // namespace tinesight

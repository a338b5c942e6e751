#pragma once

#include <cstddef>
#include <string>
#include <string_view>
#include <vector>

namespace tinesight {

/// A number with a fixed count of decimals, always with a point (whatever the locale) and never
/// "-0.00". Non-finite values give "?".
[[nodiscard]] std::string FixedDecimals(double value, int decimals);

/// Columns that UTF-8 text takes on a terminal: one a code point (we print no wide characters).
[[nodiscard]] std::size_t DisplayWidth(std::string_view text);

/// `text` filled up with spaces to `width` columns; longer text comes back as it is.
[[nodiscard]] std::string PadRight(std::string text, std::size_t width);
[[nodiscard]] std::string PadLeft(std::string text, std::size_t width);

/// `text` in lines of at most `width` columns, broken at spaces; a longer word is cut.
[[nodiscard]] std::vector<std::string> WrapText(std::string_view text, std::size_t width);

/// Text from outside (file names, messages) made safe for a terminal: control characters, which
/// could move the cursor or recolor the screen, and broken UTF-8 become '?'. With `ascii_only`
/// the signs ± ° − → are spelled out and any other non-ASCII becomes '?'.
[[nodiscard]] std::string CleanText(std::string_view text, bool ascii_only = false);

/// Adds to a list of texts in one line: "one; two".
void AppendText(std::string& list, std::string_view text);

/// "toward bass" or "toward treble" for a lateral value; empty where it rounds to 0.00 mm.
[[nodiscard]] std::string LateralDirection(double lateral_mm);

}  // namespace tinesight

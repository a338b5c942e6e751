#pragma once

#include <array>
#include <cstdint>
#include <filesystem>
#include <string>
#include <string_view>

#include "calibration/error.hpp"

namespace tinesight {

using Sha256Digest = std::array<std::uint8_t, 32>;

/// SHA-256 (FIPS 180-4) of bytes and of a file's contents.
[[nodiscard]] Sha256Digest Sha256(std::string_view bytes);
[[nodiscard]] Result<Sha256Digest> Sha256OfFile(const std::filesystem::path& file);

/// 64 lower-case hexadecimal digits.
[[nodiscard]] std::string HexDigits(const Sha256Digest& digest);

}  // namespace tinesight

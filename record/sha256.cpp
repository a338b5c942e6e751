#include "record/sha256.hpp"

#include <nettle/sha2.h>

#include "calibration/file_io.hpp"

namespace tinesight {

Sha256Digest Sha256(std::string_view bytes) {
  sha256_ctx context;
  Sha256Digest digest{};
  static_assert(sizeof(Sha256Digest) == SHA256_DIGEST_SIZE);
  sha256_init(&context);
  sha256_update(&context, bytes.size(), reinterpret_cast<const std::uint8_t*>(bytes.data()));
  sha256_digest(&context, digest.size(), digest.data());
  return digest;
}

Result<Sha256Digest> Sha256OfFile(const std::filesystem::path& file) {
  const Result<std::string> bytes = ReadFileBytes(file);
  if (!bytes) return tl::unexpected(bytes.error());
  return Sha256(*bytes);
}

std::string HexDigits(const Sha256Digest& digest) {
  static constexpr char kDigits[] = "0123456789abcdef";
  std::string hex;
  for (const std::uint8_t byte : digest) {
    hex += kDigits[byte >> 4U];
    hex += kDigits[byte & 0x0FU];
  }
  return hex;
}

}  // namespace tinesight

#include "vision/repeated_photos.hpp"

#include <algorithm>
#include <fstream>
#include <iterator>
#include <system_error>

namespace tinesight {
namespace {

namespace fs = std::filesystem;

bool SameBytes(const fs::path& a, const fs::path& b) {
  std::ifstream first(a, std::ios::binary);
  std::ifstream second(b, std::ios::binary);
  using Bytes = std::istreambuf_iterator<char>;
  return first && second && std::equal(Bytes(first), Bytes(), Bytes(second), Bytes());
}

}  // namespace

std::vector<std::optional<std::size_t>> RepeatedPhotos(const std::vector<fs::path>& files) {
  // Only files are read to compare them: a pipe would be empty afterwards.
  std::vector<std::optional<std::uintmax_t>> sizes;
  for (const fs::path& file : files) {
    std::error_code failure;
    sizes.emplace_back();
    if (!fs::is_regular_file(file, failure)) continue;
    const std::uintmax_t size = fs::file_size(file, failure);
    if (!failure) sizes.back() = size;
  }
  std::vector<std::optional<std::size_t>> repeated(files.size());
  for (std::size_t i = 0; i < files.size(); ++i) {
    if (!sizes[i]) continue;
    for (std::size_t j = 0; j < i && !repeated[i]; ++j) {
      if (sizes[i] == sizes[j] && SameBytes(files[i], files[j])) repeated[i] = j;
    }
  }
  return repeated;
}

}  // namespace tinesight

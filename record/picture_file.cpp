#include "record/picture_file.hpp"

#include <opencv2/imgcodecs.hpp>
#include <vector>

#include "vision/photo.hpp"

namespace tinesight {

Result<std::string> ReadPictureWithoutMetadata(const std::filesystem::path& file) {
  const auto photo = ReadPhoto(file);
  if (!photo) return tl::unexpected(photo.error());
  constexpr int kQuality = 92;
  std::vector<unsigned char> bytes;
  try {
    if (cv::imencode(".jpg", photo->bgr, bytes, {cv::IMWRITE_JPEG_QUALITY, kQuality})) {
      return std::string(bytes.begin(), bytes.end());
    }
  } catch (const cv::Exception&) {
    // told below
  }
  return Fail(file.string() + ": cannot be written as JPEG");
}

}  // namespace tinesight

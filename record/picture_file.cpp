#include "record/picture_file.hpp"

#include <algorithm>
#include <opencv2/imgproc.hpp>
#include <utility>

#include "record/drawing.hpp"
#include "vision/photo.hpp"

namespace tinesight {
namespace {

constexpr int kQuality = 92;

Result<PlainPicture> Encoded(const Result<Photo>& photo, const std::string& name,
                             int largest_side_px) {
  if (!photo) return tl::unexpected(photo.error());
  cv::Mat picture = photo->bgr;
  const int side = std::max(picture.cols, picture.rows);
  if (largest_side_px > 0 && side > largest_side_px) {
    const double scale = static_cast<double>(largest_side_px) / side;
    const cv::Size size(std::max(1, static_cast<int>(picture.cols * scale)),
                        std::max(1, static_cast<int>(picture.rows * scale)));
    cv::Mat smaller;
    cv::resize(picture, smaller, size, 0.0, 0.0, cv::INTER_AREA);
    picture = smaller;
  }
  std::string jpeg = EncodeJpeg(picture, kQuality);
  if (jpeg.empty()) return Fail(name + ": cannot be written as JPEG");
  return PlainPicture{std::move(jpeg), picture.cols, picture.rows};
}

}  // namespace

Result<PlainPicture> PictureWithoutMetadata(std::string_view bytes, const std::string& name,
                                            int largest_side_px) {
  return Encoded(DecodePhoto(bytes, name), name, largest_side_px);
}

Result<PlainPicture> ReadPictureWithoutMetadata(const std::filesystem::path& file) {
  return Encoded(ReadPhoto(file), file.string(), 0);
}

}  // namespace tinesight

#include <libheif/heif.h>

#include <algorithm>
#include <cstdint>
#include <memory>
#include <vector>

#include "vision/photo_decoding.hpp"

namespace tinesight {
namespace {

template <auto kRelease>
struct Releaser {
  template <typename T>
  void operator()(T* object) const {
    kRelease(object);
  }
};
using Context = std::unique_ptr<heif_context, Releaser<heif_context_free>>;
using Handle = std::unique_ptr<heif_image_handle, Releaser<heif_image_handle_release>>;
using Image = std::unique_ptr<heif_image, Releaser<heif_image_release>>;
using Options = std::unique_ptr<heif_decoding_options, Releaser<heif_decoding_options_free>>;

std::uint64_t BigEndian(std::string_view bytes) {
  std::uint64_t value = 0;
  for (const char byte : bytes) value = (value << 8) | static_cast<unsigned char>(byte);
  return value;
}

/// Whether the file ends inside one of its boxes (size, type, content; ISO/IEC 14496-12, 4.2).
bool EndsInsideBox(std::string_view bytes) {
  while (!bytes.empty()) {
    if (bytes.size() < 8) return true;
    std::uint64_t size = BigEndian(bytes.substr(0, 4));
    if (size == 0) return false;  // to the end of the file
    if (size == 1) {
      if (bytes.size() < 16) return true;
      size = BigEndian(bytes.substr(8, 8));
    }
    if (size < 8) return false;  // nonsense, which the decoder will report
    if (size > bytes.size()) return true;
    bytes.remove_prefix(static_cast<std::size_t>(size));
  }
  return false;
}

ExifSummary ReadExif(const heif_image_handle* handle) {
  heif_item_id id = 0;
  if (heif_image_handle_get_list_of_metadata_block_IDs(handle, "Exif", &id, 1) != 1) return {};
  std::string block(heif_image_handle_get_metadata_size(handle, id), '\0');
  if (heif_image_handle_get_metadata(handle, id, block.data()).code != heif_error_Ok) return {};
  // Four bytes say how far behind them the TIFF header begins (ISO/IEC 23008-12, A.2.1).
  if (block.size() < 4) return {};
  const std::uint64_t start = 4 + BigEndian(std::string_view(block).substr(0, 4));
  if (start >= block.size()) return {};
  ExifSummary exif = ReadExifBlock(std::string_view(block).substr(static_cast<std::size_t>(start)));
  exif.orientation = 1;  // only the file's own irot and imir count, and libheif applies them
  return exif;
}

/// Packed rows of three channels, 8 bits each or more in two little-endian bytes, to BGR.
void CopyPixels(const std::uint8_t* data, std::size_t stride, int bits, cv::Mat& bgr) {
  const unsigned maximum = (1U << static_cast<unsigned>(bits)) - 1U;
  const std::size_t bytes = bits > 8 ? 2 : 1;
  for (int y = 0; y < bgr.rows; ++y) {
    const std::uint8_t* from = data + stride * static_cast<std::size_t>(y);
    auto* to = bgr.ptr<cv::Vec3b>(y);
    for (int x = 0; x < bgr.cols; ++x) {
      for (int channel = 0; channel < 3; ++channel, from += bytes) {
        const unsigned value = bytes == 2 ? from[0] | (unsigned{from[1]} << 8) : from[0];
        const unsigned scaled = bytes == 2 ? (value * 255U + maximum / 2U) / maximum : value;
        to[x][2 - channel] = static_cast<std::uint8_t>(std::min(scaled, 255U));
      }
    }
  }
}

Result<cv::Mat> DecodeImage(const heif_image_handle* handle, const PhotoLimits& limits,
                            const std::string& where) {
  const bool deep = heif_image_handle_get_luma_bits_per_pixel(handle) > 8;
  const Options options(heif_decoding_options_alloc());
  options->strict_decoding = 1;
  heif_image* decoded = nullptr;
  // A deep picture asked for in an 8-bit layout comes back wrong: ask for two bytes a channel.
  const heif_error error = heif_decode_image(
      handle, &decoded, heif_colorspace_RGB,
      deep ? heif_chroma_interleaved_RRGGBB_LE : heif_chroma_interleaved_RGB, options.get());
  const Image image(decoded);
  if (error.code != heif_error_Ok || !image) return Damaged(where, "HEIC", error.message);
  heif_error warning{};
  if (heif_image_get_decoding_warnings(image.get(), 0, &warning, 1) > 0) {
    return Damaged(where, "HEIC", warning.message);
  }
  // The header may have lied: only the decoded size counts.
  const int width_px = heif_image_get_width(image.get(), heif_channel_interleaved);
  const int height_px = heif_image_get_height(image.get(), heif_channel_interleaved);
  const auto size =
      CheckPictureSize(static_cast<std::uint64_t>(std::max(width_px, 0)),
                       static_cast<std::uint64_t>(std::max(height_px, 0)), limits, where);
  if (!size) return tl::unexpected<Error>(size.error());
  int stride = 0;
  const std::uint8_t* data =
      heif_image_get_plane_readonly(image.get(), heif_channel_interleaved, &stride);
  const int bits =
      deep ? heif_image_get_bits_per_pixel_range(image.get(), heif_channel_interleaved) : 8;
  if (data == nullptr || stride <= 0 || bits < 8 || bits > 16) {
    return Damaged(where, "HEIC", "no pixels");
  }
  cv::Mat bgr(height_px, width_px, CV_8UC3);
  CopyPixels(data, static_cast<std::size_t>(stride), bits, bgr);
  return bgr;
}

}  // namespace

Result<DecodedPicture> DecodeHeic(std::string_view bytes, const PhotoLimits& limits,
                                  const std::string& where) {
  if (EndsInsideBox(bytes)) return CutShort(where);
  const Context context(heif_context_alloc());
  if (!context) return Fail(where + ": too little memory to read it");
  heif_error error = heif_context_read_from_memory_without_copy(context.get(), bytes.data(),
                                                                bytes.size(), nullptr);
  if (error.code != heif_error_Ok) return Damaged(where, "HEIC", error.message);
  heif_image_handle* primary = nullptr;
  error = heif_context_get_primary_image_handle(context.get(), &primary);
  const Handle handle(primary);
  if (error.code != heif_error_Ok || !handle) return Damaged(where, "HEIC", error.message);

  // The size in the header before the transformations (a crop would hide how much is unpacked),
  // and after them.
  for (const auto& [width_px, height_px] :
       {std::pair(heif_image_handle_get_ispe_width(handle.get()),
                  heif_image_handle_get_ispe_height(handle.get())),
        std::pair(heif_image_handle_get_width(handle.get()),
                  heif_image_handle_get_height(handle.get()))}) {
    const auto size =
        CheckPictureSize(static_cast<std::uint64_t>(std::max(width_px, 0)),
                         static_cast<std::uint64_t>(std::max(height_px, 0)), limits, where);
    if (!size) return tl::unexpected<Error>(size.error());
  }
  Result<cv::Mat> bgr = DecodeImage(handle.get(), limits, where);
  if (!bgr) return tl::unexpected<Error>(bgr.error());
  DecodedPicture picture;
  picture.bgr = *bgr;
  picture.exif = ReadExif(handle.get());
  return picture;
}

}  // namespace tinesight

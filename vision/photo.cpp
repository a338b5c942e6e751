#include "vision/photo.hpp"

#include <algorithm>
#include <array>
#include <cctype>
#include <cmath>
#include <cstdio>
#include <new>
#include <opencv2/imgproc.hpp>
#include <vector>

#include "calibration/file_io.hpp"
#include "vision/photo_decoding.hpp"

namespace tinesight {
namespace {

constexpr std::uintmax_t kMaxFileBytes = 512ULL << 20;
constexpr std::uint64_t kMaxSide_px = 65535;
constexpr std::uint64_t kMinSide_px = 16;

bool StartsWith(std::string_view bytes, std::string_view start) {
  return bytes.substr(0, start.size()) == start;
}

bool HasAt(std::string_view bytes, std::size_t at, std::string_view text) {
  return bytes.size() >= at && StartsWith(bytes.substr(at), text);
}

bool IsTiff(std::string_view bytes) {
  using std::string_view_literals::operator""sv;
  return StartsWith(bytes, "II\x2A\0"sv) || StartsWith(bytes, "MM\0\x2A"sv) ||
         StartsWith(bytes, "II\x2B\0"sv) || StartsWith(bytes, "MM\0\x2B"sv);
}

/// The brands of an ISO media file: the major one at 8, the compatible ones from 16.
/// (ISO/IEC 23008-12, annex B: heic, heix, heim, heis for single HEVC pictures.)
bool HasHeicBrand(std::string_view bytes) {
  if (bytes.size() < 16) return false;
  std::size_t box = 0;
  for (std::size_t i = 0; i < 4; ++i) box = box * 256 + static_cast<unsigned char>(bytes[i]);
  const std::size_t end = std::min({box, bytes.size(), std::size_t{256}});
  for (std::size_t at = 8; at + 4 <= end; at += 4) {
    const std::string_view brand = bytes.substr(at, 4);
    for (const std::string_view heic : {"heic", "heix", "heim", "heis"}) {
      if (brand == heic) return true;
    }
  }
  return false;
}

/// What else the file may be, as far as that helps the person.
std::string GuessKind(std::string_view bytes) {
  if (HasAt(bytes, 4, "ftyp")) return "a video or a picture of another kind (AVIF?)";
  if (StartsWith(bytes, "%PDF")) return "a PDF";
  if (StartsWith(bytes, "GIF8")) return "a GIF";
  if (StartsWith(bytes, "RIFF") && HasAt(bytes, 8, "WEBP")) return "a WebP";
  const std::string_view start = bytes.substr(0, 512);
  const bool text = std::all_of(start.begin(), start.end(), [](char c) {
    return static_cast<unsigned char>(c) >= 0x20 || c == '\n' || c == '\r' || c == '\t';
  });
  return text ? "a text" : "something else";
}

Result<DecodedPicture> Decode(std::string_view bytes, const PhotoLimits& limits,
                              const std::string& where) {
  if (bytes.empty()) return Fail(where + ": is empty; copy it again from the phone");
  if (StartsWith(bytes, "\xFF\xD8\xFF")) return DecodeJpeg(bytes, limits, where);
  if (StartsWith(bytes, "\x89PNG\r\n\x1A\n")) return DecodePng(bytes, limits, where);
  if (IsTiff(bytes)) return DecodeTiff(bytes, limits, where);
  if (HasAt(bytes, 4, "ftyp") && HasHeicBrand(bytes)) {
    return DecodeHeic(bytes, limits, where);
  }
  return Fail(where + ": is not a JPEG, HEIC, PNG or TIFF photo, but " + GuessKind(bytes) +
              "; use the phone's own file");
}

/// EXIF's orientation says how the stored picture lies: 1 upright, 3 turned by 180°, 6 to be
/// turned by 90° clockwise, 8 counterclockwise; 2, 4, 5, 7 are the mirrored ones.
cv::Mat Upright(const cv::Mat& stored, int orientation) {
  cv::Mat upright;
  switch (orientation) {
    case 2:
      cv::flip(stored, upright, 1);
      return upright;
    case 3:
      cv::rotate(stored, upright, cv::ROTATE_180);
      return upright;
    case 4:
      cv::flip(stored, upright, 0);
      return upright;
    case 5:
      cv::transpose(stored, upright);
      return upright;
    case 6:
      cv::rotate(stored, upright, cv::ROTATE_90_CLOCKWISE);
      return upright;
    case 7: {
      cv::Mat transposed;
      cv::transpose(stored, transposed);
      cv::rotate(transposed, upright, cv::ROTATE_180);
      return upright;
    }
    case 8:
      cv::rotate(stored, upright, cv::ROTATE_90_COUNTERCLOCKWISE);
      return upright;
    default:
      return stored;
  }
}

}  // namespace

Result<void> CheckPictureSize(std::uint64_t width_px, std::uint64_t height_px,
                              const PhotoLimits& limits, const std::string& where) {
  const std::string size = std::to_string(width_px) + "×" + std::to_string(height_px) + " px";
  if (width_px < kMinSide_px || height_px < kMinSide_px) {
    return Fail(where + ": the picture is " + size +
                ", which is no photo; use the phone's own "
                "file");
  }
  const double megapixels = static_cast<double>(width_px) * static_cast<double>(height_px) / 1e6;
  if (width_px > kMaxSide_px || height_px > kMaxSide_px ||
      megapixels > static_cast<double>(limits.max_megapixels)) {
    return Fail(where + ": the picture is " + size + ", beyond the limit of " +
                std::to_string(limits.max_megapixels) + " megapixels; use the phone's own file");
  }
  return {};
}

tl::unexpected<Error> CutShort(const std::string& where) {
  return Fail(where +
              ": is cut short: the file ends before the picture does; copy it again from "
              "the phone");
}

tl::unexpected<Error> Damaged(const std::string& where, const std::string& format,
                              std::string_view detail) {
  const std::string words = TrimmedExifText(detail);
  return Fail(where + ": is a damaged " + format + (words.empty() ? "" : " (" + words + ")") +
              "; copy it again from the phone");
}

Result<Photo> DecodePhoto(std::string_view bytes, const std::filesystem::path& file,
                          const PhotoLimits& limits) {
  const std::string where = file.string();
  try {
    const Result<DecodedPicture> picture = Decode(bytes, limits, where);
    if (!picture) return tl::unexpected<Error>(picture.error());
    Photo photo;
    photo.file = file;
    photo.exif = picture->exif;
    photo.bgr = Upright(picture->bgr, picture->orientation);
    cv::cvtColor(photo.bgr, photo.gray, cv::COLOR_BGR2GRAY);
    return photo;
  } catch (const std::bad_alloc&) {
    return Fail(where + ": too little memory to read it; close other programs");
  } catch (const cv::Exception& error) {
    // In this function it can only be memory.
    return Fail(where + ": cannot be unpacked (" + TrimmedExifText(error.err) +
                "); close other programs");
  }
}

Result<Photo> ReadPhoto(const std::filesystem::path& file, const PhotoLimits& limits) {
  try {
    const Result<std::string> bytes = ReadFileBytes(file, kMaxFileBytes);
    if (!bytes) return tl::unexpected<Error>(bytes.error());
    return DecodePhoto(*bytes, file, limits);
  } catch (const std::bad_alloc&) {
    return Fail(file.string() + ": too little memory to read it; close other programs");
  }
}

}  // namespace tinesight

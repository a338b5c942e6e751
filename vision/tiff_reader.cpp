#include <tiffio.h>

#include <algorithm>
#include <array>
#include <cstdarg>
#include <cstring>
#include <memory>
#include <vector>

#include "vision/photo_decoding.hpp"

namespace tinesight {
namespace {

/// The file in memory, as libtiff's callbacks see it, and its first complaint.
struct TiffSource {
  std::string_view bytes;
  std::uint64_t position = 0;
  std::array<char, 200> message{};
};

tmsize_t OnRead(thandle_t handle, void* target, tmsize_t count) {
  auto& source = *static_cast<TiffSource*>(handle);
  if (count <= 0 || source.position >= source.bytes.size()) return 0;
  const std::size_t available = source.bytes.size() - static_cast<std::size_t>(source.position);
  const std::size_t taken = std::min(available, static_cast<std::size_t>(count));
  std::memcpy(target, source.bytes.data() + source.position, taken);
  source.position += taken;
  return static_cast<tmsize_t>(taken);
}

tmsize_t OnWrite(thandle_t /*handle*/, void* /*data*/, tmsize_t /*count*/) { return 0; }

toff_t OnSeek(thandle_t handle, toff_t offset, int whence) {
  auto& source = *static_cast<TiffSource*>(handle);
  if (whence == SEEK_SET) source.position = offset;
  if (whence == SEEK_CUR) source.position += offset;
  if (whence == SEEK_END) source.position = source.bytes.size() + offset;
  return source.position;
}

int OnClose(thandle_t /*handle*/) { return 0; }

toff_t OnSize(thandle_t handle) { return static_cast<TiffSource*>(handle)->bytes.size(); }

int OnError(TIFF* /*tiff*/, void* user, const char* /*module*/, const char* format,
            va_list arguments) {
  auto& source = *static_cast<TiffSource*>(user);
  if (source.message[0] == '\0') {
    std::vsnprintf(source.message.data(), source.message.size(), format, arguments);
  }
  return 1;  // handled: nothing is printed
}

/// libtiff warns of unknown tags and the like; missing data are errors.
int OnWarning(TIFF* /*tiff*/, void* /*user*/, const char* /*module*/, const char* /*format*/,
              va_list /*arguments*/) {
  return 1;
}

struct CloseTiff {
  void operator()(TIFF* tiff) const { TIFFClose(tiff); }
};
using TiffHandle = std::unique_ptr<TIFF, CloseTiff>;

TiffHandle Open(TiffSource& source) {
  const std::unique_ptr<TIFFOpenOptions, void (*)(TIFFOpenOptions*)> options(TIFFOpenOptionsAlloc(),
                                                                             TIFFOpenOptionsFree);
  constexpr tmsize_t kMaxAllocation = tmsize_t{1} << 30;
  TIFFOpenOptionsSetMaxSingleMemAlloc(options.get(), kMaxAllocation);
  TIFFOpenOptionsSetErrorHandlerExtR(options.get(), OnError, &source);
  TIFFOpenOptionsSetWarningHandlerExtR(options.get(), OnWarning, &source);
  return TiffHandle(TIFFClientOpenExt("photo", "rm", &source, OnRead, OnWrite, OnSeek, OnClose,
                                      OnSize, nullptr, nullptr, options.get()));
}

std::uint64_t Unsigned(std::string_view bytes, std::size_t offset, std::size_t count) {
  std::uint64_t value = 0;
  const bool little_endian = bytes[0] == 'I';
  for (std::size_t i = 0; i < count; ++i) {
    const std::size_t at = offset + (little_endian ? count - 1 - i : i);
    value = (value << 8) | static_cast<unsigned char>(bytes[at]);
  }
  return value;
}

/// The directory usually stands at the end of the file and is the first thing that is lost.
bool DirectoryBeyondEnd(std::string_view bytes) {
  if (bytes.size() < 8) return true;
  const bool big = Unsigned(bytes, 2, 2) == 43;
  if (big && bytes.size() < 16) return true;
  return (big ? Unsigned(bytes, 8, 8) : Unsigned(bytes, 4, 4)) + 2 > bytes.size();
}

bool PixelsBeyondEnd(TIFF* tiff, std::uint64_t file_size) {
  const std::uint32_t count =
      TIFFIsTiled(tiff) ? TIFFNumberOfTiles(tiff) : TIFFNumberOfStrips(tiff);
  for (std::uint32_t i = 0; i < count; ++i) {
    const std::uint64_t offset = TIFFGetStrileOffset(tiff, i);
    const std::uint64_t size = TIFFGetStrileByteCount(tiff, i);
    if (offset > file_size || size > file_size - offset) return true;
  }
  return false;
}

std::string TextTag(TIFF* tiff, ttag_t tag) {
  const char* text = nullptr;
  if (TIFFGetField(tiff, tag, &text) != 1 || text == nullptr) return {};
  return TrimmedExifText(text);
}

std::optional<double> NumberTag(TIFF* tiff, ttag_t tag) {
  // A rational comes as a float or a double, by the tag's entry in libtiff's table.
  const TIFFField* field = TIFFFieldWithTag(tiff, tag);
  if (field == nullptr || TIFFFieldDataType(field) != TIFF_RATIONAL) return std::nullopt;
  if (TIFFFieldSetGetSize(field) == sizeof(double)) {
    double value = 0.0;
    return TIFFGetField(tiff, tag, &value) == 1 ? PositiveExifNumber(value) : std::nullopt;
  }
  float value = 0.0F;
  return TIFFGetField(tiff, tag, &value) == 1 ? PositiveExifNumber(static_cast<double>(value))
                                              : std::nullopt;
}

/// In a TIFF file the tags are the file's own directories, which libtiff reads. This moves to the
/// EXIF directory, so it comes last.
ExifSummary ReadExif(TIFF* tiff) {
  ExifSummary exif;
  exif.make = TextTag(tiff, TIFFTAG_MAKE);
  exif.model = TextTag(tiff, TIFFTAG_MODEL);
  std::uint16_t orientation = 1;
  if (TIFFGetField(tiff, TIFFTAG_ORIENTATION, &orientation) == 1) {
    exif.orientation = ValidOrientation(orientation);
  }
  toff_t directory = 0;
  if (TIFFGetField(tiff, TIFFTAG_EXIFIFD, &directory) != 1) return exif;
  if (TIFFReadEXIFDirectory(tiff, directory) != 1) return exif;
  exif.lens = TextTag(tiff, EXIFTAG_LENSMODEL);
  exif.date_time = TextTag(tiff, EXIFTAG_DATETIMEORIGINAL);
  exif.focal_length_mm = NumberTag(tiff, EXIFTAG_FOCALLENGTH);
  exif.digital_zoom = NumberTag(tiff, EXIFTAG_DIGITALZOOMRATIO);
  std::uint16_t length_35mm = 0;
  if (TIFFGetField(tiff, EXIFTAG_FOCALLENGTHIN35MMFILM, &length_35mm) == 1) {
    exif.focal_length_35mm = PositiveExifNumber(length_35mm);
  }
  return exif;
}

/// Raw formats are TIFF files whose first picture is a thumbnail.
bool IsRawPhoto(TIFF* tiff) {
  std::uint32_t kind = 0;
  const bool thumbnail =
      TIFFGetField(tiff, TIFFTAG_SUBFILETYPE, &kind) == 1 && (kind & FILETYPE_REDUCEDIMAGE) != 0;
  const void* version = nullptr;
  return thumbnail || TIFFGetField(tiff, TIFFTAG_DNGVERSION, &version) == 1;
}

}  // namespace

Result<DecodedPicture> DecodeTiff(std::string_view bytes, const PhotoLimits& limits,
                                  const std::string& where) {
  if (DirectoryBeyondEnd(bytes)) return CutShort(where);
  TiffSource source{bytes, 0, {}};
  const TiffHandle tiff = Open(source);
  const auto damaged = [&] { return Damaged(where, "TIFF", source.message.data()); };
  if (!tiff) return damaged();
  std::uint32_t width_px = 0;
  std::uint32_t height_px = 0;
  TIFFGetField(tiff.get(), TIFFTAG_IMAGEWIDTH, &width_px);
  TIFFGetField(tiff.get(), TIFFTAG_IMAGELENGTH, &height_px);
  if (IsRawPhoto(tiff.get())) {
    return Fail(where +
                ": is a raw photo; save it as JPEG at full size, or photograph in JPEG or "
                "HEIC");
  }
  const auto size = CheckPictureSize(width_px, height_px, limits, where);
  if (!size) return tl::unexpected<Error>(size.error());
  if (PixelsBeyondEnd(tiff.get(), bytes.size())) return CutShort(where);

  std::uint16_t orientation = 1;
  TIFFGetField(tiff.get(), TIFFTAG_ORIENTATION, &orientation);
  // libtiff would turn some of the eight orientations and not others: keep it from turning any.
  TIFFSetField(tiff.get(), TIFFTAG_ORIENTATION, ORIENTATION_TOPLEFT);
  std::array<char, 1024> reason{};
  if (TIFFRGBAImageOK(tiff.get(), reason.data()) != 1) {
    return Fail(where + ": is a TIFF of a kind that is not read (" +
                TrimmedExifText(reason.data()) + "); save it as JPEG or PNG at full size");
  }
  cv::Mat rgba(static_cast<int>(height_px), static_cast<int>(width_px), CV_8UC4);
  if (TIFFReadRGBAImageOriented(tiff.get(), width_px, height_px,
                                reinterpret_cast<std::uint32_t*>(rgba.data), ORIENTATION_TOPLEFT,
                                1) != 1 ||
      source.message[0] != '\0') {
    return damaged();
  }
  DecodedPicture picture;
  picture.bgr.create(rgba.size(), CV_8UC3);
  for (int y = 0; y < rgba.rows; ++y) {
    const auto* from = rgba.ptr<std::uint32_t>(y);
    auto* to = picture.bgr.ptr<cv::Vec3b>(y);
    for (int x = 0; x < rgba.cols; ++x) {
      to[x] = {static_cast<std::uint8_t>(TIFFGetB(from[x])),
               static_cast<std::uint8_t>(TIFFGetG(from[x])),
               static_cast<std::uint8_t>(TIFFGetR(from[x]))};
    }
  }
  picture.exif = ReadExif(tiff.get());
  picture.orientation = picture.exif.orientation = ValidOrientation(orientation);
  return picture;
}

}  // namespace tinesight

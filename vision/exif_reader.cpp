#include <libexif/exif-data.h>
#include <libexif/exif-utils.h>

#include <cmath>
#include <memory>

#include "vision/photo_decoding.hpp"

namespace tinesight {
namespace {

struct ReleaseExif {
  void operator()(ExifData* data) const { exif_data_unref(data); }
};
using ExifHandle = std::unique_ptr<ExifData, ReleaseExif>;

constexpr std::string_view kStart("Exif\0\0", 6);

/// Loads the block without the library's corrections: by default it fills in the tags that the
/// standard asks for, and an unknown value would look like a known one.
ExifHandle Load(std::string_view block) {
  std::string with_start;
  if (block.substr(0, kStart.size()) != kStart) with_start = kStart;
  with_start += block;
  ExifHandle data(exif_data_new());
  if (!data) return nullptr;
  exif_data_unset_option(data.get(), EXIF_DATA_OPTION_FOLLOW_SPECIFICATION);
  exif_data_load_data(data.get(), reinterpret_cast<const unsigned char*>(with_start.data()),
                      static_cast<unsigned int>(with_start.size()));
  return data;
}

/// An entry of the directory where it belongs. (The thumbnail's directory has tags of its own.)
const ExifEntry* Find(const ExifData& data, ExifIfd directory, ExifTag tag) {
  const ExifEntry* entry = exif_content_get_entry(data.ifd[directory], tag);
  if (entry == nullptr || entry->data == nullptr || entry->components < 1) return nullptr;
  if (entry->size < exif_format_get_size(entry->format)) return nullptr;
  return entry;
}

std::string Text(const ExifData& data, ExifIfd directory, ExifTag tag) {
  const ExifEntry* entry = Find(data, directory, tag);
  if (entry == nullptr || entry->format != EXIF_FORMAT_ASCII) return {};
  return TrimmedExifText({reinterpret_cast<const char*>(entry->data), entry->size});
}

std::optional<double> Number(ExifData& data, ExifIfd directory, ExifTag tag) {
  const ExifEntry* entry = Find(data, directory, tag);
  if (entry == nullptr) return std::nullopt;
  const ExifByteOrder order = exif_data_get_byte_order(&data);
  switch (entry->format) {
    case EXIF_FORMAT_SHORT:
      return exif_get_short(entry->data, order);
    case EXIF_FORMAT_LONG:
      return exif_get_long(entry->data, order);
    case EXIF_FORMAT_RATIONAL: {
      const ExifRational value = exif_get_rational(entry->data, order);
      if (value.denominator == 0) return std::nullopt;
      return static_cast<double>(value.numerator) / static_cast<double>(value.denominator);
    }
    default:
      return std::nullopt;
  }
}

std::optional<double> Positive(ExifData& data, ExifTag tag) {
  const std::optional<double> value = Number(data, EXIF_IFD_EXIF, tag);
  return value ? PositiveExifNumber(*value) : std::nullopt;
}

}  // namespace

std::string TrimmedExifText(std::string_view text) {
  // What follows a zero byte is padding.
  text = text.substr(0, text.find('\0'));
  std::string trimmed;
  for (const char c : text) trimmed += static_cast<unsigned char>(c) < 0x20 || c == 0x7F ? ' ' : c;
  const auto first = trimmed.find_first_not_of(' ');
  if (first == std::string::npos) return {};
  return trimmed.substr(first, trimmed.find_last_not_of(' ') - first + 1);
}

std::optional<double> PositiveExifNumber(double value) {
  if (!(value > 0.0) || !std::isfinite(value)) return std::nullopt;
  return value;
}

int ValidOrientation(int orientation) {
  return orientation >= 1 && orientation <= 8 ? orientation : 1;
}

ExifSummary ReadExifBlock(std::string_view block) {
  ExifSummary exif;
  constexpr std::size_t kMaxBytes = 1U << 20;
  if (block.empty() || block.size() > kMaxBytes) return exif;
  const ExifHandle data = Load(block);
  if (!data) return exif;
  exif.make = Text(*data, EXIF_IFD_0, EXIF_TAG_MAKE);
  exif.model = Text(*data, EXIF_IFD_0, EXIF_TAG_MODEL);
  exif.lens = Text(*data, EXIF_IFD_EXIF, EXIF_TAG_LENS_MODEL);
  exif.date_time = Text(*data, EXIF_IFD_EXIF, EXIF_TAG_DATE_TIME_ORIGINAL);
  exif.focal_length_mm = Positive(*data, EXIF_TAG_FOCAL_LENGTH);
  exif.focal_length_35mm = Positive(*data, EXIF_TAG_FOCAL_LENGTH_IN_35MM_FILM);
  exif.digital_zoom = Positive(*data, EXIF_TAG_DIGITAL_ZOOM_RATIO);
  const std::optional<double> orientation = Number(*data, EXIF_IFD_0, EXIF_TAG_ORIENTATION);
  if (orientation && *orientation <= 8.0) {
    exif.orientation = ValidOrientation(static_cast<int>(*orientation));
  }
  return exif;
}

}  // namespace tinesight

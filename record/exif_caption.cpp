#include "record/exif_caption.hpp"

#include <libexif/exif-data.h>

#include <cstdlib>
#include <cstring>
#include <memory>

#include "record/text_util.hpp"

namespace tinesight {
namespace {

constexpr std::size_t kMaxCharacters = 1000;

struct DataUnref {
  void operator()(ExifData* data) const { exif_data_unref(data); }
};
struct EntryUnref {
  void operator()(ExifEntry* entry) const { exif_entry_unref(entry); }
};
struct Free {
  void operator()(unsigned char* bytes) const { std::free(bytes); }
};

// "Exif\0\0" and the TIFF structure behind it; empty when memory runs out.
std::string ExifBlock(const std::string& text) {
  const std::unique_ptr<ExifData, DataUnref> data(exif_data_new());
  const std::unique_ptr<ExifEntry, EntryUnref> entry(exif_entry_new());
  if (!data || !entry) return {};
  exif_data_set_byte_order(data.get(), EXIF_BYTE_ORDER_INTEL);
  entry->tag = EXIF_TAG_IMAGE_DESCRIPTION;
  entry->format = EXIF_FORMAT_ASCII;
  entry->components = text.size() + 1;
  entry->size = static_cast<unsigned int>(text.size() + 1);
  // libexif frees it with the entry.
  entry->data = static_cast<unsigned char*>(std::malloc(entry->size));
  if (entry->data == nullptr) return {};
  std::memcpy(entry->data, text.c_str(), entry->size);
  exif_content_add_entry(data->ifd[EXIF_IFD_0], entry.get());
  unsigned char* bytes = nullptr;
  unsigned int size = 0;
  exif_data_save_data(data.get(), &bytes, &size);
  const std::unique_ptr<unsigned char, Free> owner(bytes);
  return bytes == nullptr ? std::string() : std::string(reinterpret_cast<char*>(bytes), size);
}

}  // namespace

Result<std::string> WithImageDescription(std::string_view jpeg, std::string_view caption) {
  if (!jpeg.starts_with("\xFF\xD8")) return Fail("the picture is no JPEG");
  const std::string block = ExifBlock(CleanText(caption, true).substr(0, kMaxCharacters));
  if (block.empty()) return Fail("the picture's caption could not be written: too little memory");
  // An APP1 segment right behind the start of image; its length counts itself, not the marker.
  const std::size_t length = block.size() + 2;
  std::string with("\xFF\xD8\xFF\xE1", 4);
  with += static_cast<char>(length >> 8U);
  with += static_cast<char>(length & 0xFFU);
  with += block;
  with += jpeg.substr(2);
  return with;
}

}  // namespace tinesight

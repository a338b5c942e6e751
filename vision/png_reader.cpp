#include <png.h>

#include <algorithm>
#include <array>
#include <csetjmp>
#include <cstring>
#include <vector>

#include "vision/photo_decoding.hpp"

namespace tinesight {
namespace {

constexpr png_alloc_size_t kMaxChunkBytes = 16U << 20;
constexpr png_uint_32 kMaxChunks = 1000;

/// As in jpeg_reader.cpp: the library leaves by longjmp, so the steps inside `Guarded` own nothing.
struct PngSession {
  png_structp decoder = nullptr;
  png_infop info = nullptr;
  std::jmp_buf jump{};
  std::array<char, 200> message{};
  bool cut_short = false;
  std::string_view rest;  ///< of the file, not read yet
  png_uint_32 width_px = 0;
  png_uint_32 height_px = 0;
  std::vector<png_bytep> rows;

  PngSession() = default;
  PngSession(const PngSession&) = delete;
  PngSession& operator=(const PngSession&) = delete;
  ~PngSession() { png_destroy_read_struct(&decoder, &info, nullptr); }
};

[[noreturn]] void OnError(png_structp decoder, png_const_charp message) {
  PngSession& session = *static_cast<PngSession*>(png_get_error_ptr(decoder));
  std::strncpy(session.message.data(), message, session.message.size() - 1);
  std::longjmp(session.jump, 1);
}

/// libpng's warnings concern extras such as a color profile; what harms the picture is an error.
void OnWarning(png_structp /*decoder*/, png_const_charp /*message*/) {}

void OnRead(png_structp decoder, png_bytep target, std::size_t count) {
  PngSession& session = *static_cast<PngSession*>(png_get_io_ptr(decoder));
  if (count > session.rest.size()) {
    session.cut_short = true;
    png_error(decoder, "the file ends too early");
  }
  std::memcpy(target, session.rest.data(), count);
  session.rest.remove_prefix(count);
}

bool Guarded(PngSession& session, void (*step)(PngSession&)) {
  if (setjmp(session.jump) != 0) return false;
  step(session);
  return true;
}

void ReadHeader(PngSession& session) {
  session.decoder = png_create_read_struct(PNG_LIBPNG_VER_STRING, &session, OnError, OnWarning);
  if (session.decoder == nullptr) return;
  session.info = png_create_info_struct(session.decoder);
  if (session.info == nullptr) return;
  png_set_read_fn(session.decoder, &session, OnRead);
  png_set_user_limits(session.decoder, PNG_UINT_31_MAX, PNG_UINT_31_MAX);  // ours speak plainly
  png_set_chunk_malloc_max(session.decoder, kMaxChunkBytes);
  png_set_chunk_cache_max(session.decoder, kMaxChunks);
  png_read_info(session.decoder, session.info);
  session.width_px = png_get_image_width(session.decoder, session.info);
  session.height_px = png_get_image_height(session.decoder, session.info);
}

/// To 8 bits, blue green red, whatever the file holds. Transparency is dropped: the color behind
/// it is what the camera saw.
void PrepareConversion(PngSession& session) {
  png_set_expand(session.decoder);
  png_set_scale_16(session.decoder);
  png_set_strip_alpha(session.decoder);
  png_set_gray_to_rgb(session.decoder);
  png_set_bgr(session.decoder);
  png_set_interlace_handling(session.decoder);
  png_read_update_info(session.decoder, session.info);
  if (png_get_rowbytes(session.decoder, session.info) != std::size_t{3} * session.width_px) {
    png_error(session.decoder, "an unknown pixel layout");
  }
}

void ReadPixels(PngSession& session) {
  png_read_image(session.decoder, session.rows.data());
  png_read_end(session.decoder, session.info);  // the checksums, and the EXIF block after them
}

tl::unexpected<Error> Refusal(const PngSession& session, const std::string& where) {
  if (session.cut_short) return CutShort(where);
  return Damaged(where, "PNG", session.message.data());
}

ExifSummary ReadExif(PngSession& session) {
  png_uint_32 size = 0;
  png_bytep block = nullptr;
  if (png_get_eXIf_1(session.decoder, session.info, &size, &block) == 0 || block == nullptr) {
    return {};
  }
  return ReadExifBlock({reinterpret_cast<const char*>(block), size});
}

}  // namespace

Result<DecodedPicture> DecodePng(std::string_view bytes, const PhotoLimits& limits,
                                 const std::string& where) {
  PngSession session;
  session.rest = bytes;
  if (!Guarded(session, ReadHeader)) return Refusal(session, where);
  if (session.info == nullptr) return Fail(where + ": too little memory to read it");
  const auto size = CheckPictureSize(session.width_px, session.height_px, limits, where);
  if (!size) return tl::unexpected<Error>(size.error());
  if (!Guarded(session, PrepareConversion)) return Refusal(session, where);

  DecodedPicture picture;
  picture.bgr.create(static_cast<int>(session.height_px), static_cast<int>(session.width_px),
                     CV_8UC3);
  for (int row = 0; row < picture.bgr.rows; ++row) session.rows.push_back(picture.bgr.ptr(row));
  if (!Guarded(session, ReadPixels)) return Refusal(session, where);
  picture.exif = ReadExif(session);
  picture.orientation = picture.exif.orientation;
  return picture;
}

}  // namespace tinesight

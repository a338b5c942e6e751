#include <csetjmp>
#include <cstdio>
// jpeglib.h needs FILE and size_t declared before it.
#include <jpeglib.h>
// The codes of the warnings follow the library's own header.
#include <jerror.h>

#include <array>

#include "vision/photo_decoding.hpp"

namespace tinesight {
namespace {

/// More scans than this is no photo: each scan of a progressive file costs a pass over the picture.
constexpr int kMaxScans = 200;

/// libjpeg reports an error by a call that must not return, and leaves by longjmp. A jump over a
/// C++ object with a destructor is undefined, so every call into the library is made inside
/// `Guarded` by a plain function that owns nothing; what must be released belongs to this object,
/// which lives in the caller.
struct JpegSession {
  jpeg_decompress_struct decoder{};
  jpeg_error_mgr errors{};
  jpeg_progress_mgr progress{};
  std::jmp_buf jump{};
  std::array<char, JMSG_LENGTH_MAX> message{};
  bool cut_short = false;
  std::string_view bytes;
  unsigned char* pixels = nullptr;
  std::size_t stride = 0;

  JpegSession() = default;
  JpegSession(const JpegSession&) = delete;
  JpegSession& operator=(const JpegSession&) = delete;
  ~JpegSession() { jpeg_destroy_decompress(&decoder); }
};

JpegSession& SessionOf(j_common_ptr decoder) {
  return *static_cast<JpegSession*>(decoder->client_data);
}

[[noreturn]] void Leave(j_common_ptr decoder) {
  JpegSession& session = SessionOf(decoder);
  session.errors.format_message(decoder, session.message.data());
  std::longjmp(session.jump, 1);
}

/// libjpeg carries on after a warning with gray where the data were missing: not for measuring.
void OnMessage(j_common_ptr decoder, int level) {
  if (level >= 0) return;  // a trace message
  JpegSession& session = SessionOf(decoder);
  switch (session.errors.msg_code) {
    case JWRN_JFIF_MAJOR:
    case JWRN_ADOBE_XFORM:
    case JWRN_BOGUS_ICC:
      return;  // about the header's extras, not the picture
    case JWRN_JPEG_EOF:
      session.cut_short = true;
      break;
    default:
      break;
  }
  Leave(decoder);
}

void OnProgress(j_common_ptr decoder) {
  if (reinterpret_cast<j_decompress_ptr>(decoder)->input_scan_number > kMaxScans) {
    decoder->err->msg_code = JERR_BAD_PROGRESSION;
    Leave(decoder);
  }
}

bool Guarded(JpegSession& session, void (*step)(JpegSession&)) {
  if (setjmp(session.jump) != 0) return false;
  step(session);
  return true;
}

void ReadHeader(JpegSession& session) {
  jpeg_create_decompress(&session.decoder);
  session.decoder.client_data = &session;
  session.decoder.progress = &session.progress;
  jpeg_mem_src(&session.decoder, reinterpret_cast<const unsigned char*>(session.bytes.data()),
               static_cast<unsigned long>(session.bytes.size()));
  jpeg_save_markers(&session.decoder, JPEG_APP0 + 1, 0xFFFF);
  jpeg_read_header(&session.decoder, TRUE);
}

void ReadPixels(JpegSession& session) {
  session.decoder.out_color_space = JCS_EXT_BGR;
  jpeg_start_decompress(&session.decoder);
  while (session.decoder.output_scanline < session.decoder.output_height) {
    JSAMPROW row = session.pixels + session.stride * session.decoder.output_scanline;
    jpeg_read_scanlines(&session.decoder, &row, 1);
  }
  jpeg_finish_decompress(&session.decoder);
}

tl::unexpected<Error> Refusal(const JpegSession& session, const std::string& where) {
  if (session.cut_short) return CutShort(where);
  return Damaged(where, "JPEG", session.message.data());
}

std::string_view ExifBlock(const jpeg_decompress_struct& decoder) {
  constexpr std::string_view kStart("Exif\0\0", 6);
  for (const jpeg_marker_struct* marker = decoder.marker_list; marker; marker = marker->next) {
    const std::string_view data(reinterpret_cast<const char*>(marker->data), marker->data_length);
    if (marker->marker == JPEG_APP0 + 1 && data.substr(0, kStart.size()) == kStart) return data;
  }
  return {};
}

}  // namespace

Result<DecodedPicture> DecodeJpeg(std::string_view bytes, const PhotoLimits& limits,
                                  const std::string& where) {
  JpegSession session;
  session.bytes = bytes;
  session.decoder.err = jpeg_std_error(&session.errors);
  session.decoder.client_data = &session;
  session.errors.error_exit = Leave;
  session.errors.emit_message = OnMessage;
  session.progress.progress_monitor = OnProgress;
  if (!Guarded(session, ReadHeader)) return Refusal(session, where);

  const jpeg_decompress_struct& decoder = session.decoder;
  const auto size = CheckPictureSize(decoder.image_width, decoder.image_height, limits, where);
  if (!size) return tl::unexpected<Error>(size.error());
  if (decoder.jpeg_color_space == JCS_CMYK || decoder.jpeg_color_space == JCS_YCCK) {
    return Fail(where +
                ": is a CMYK picture for printing, not a photo from a phone; use the "
                "phone's own file");
  }
  DecodedPicture picture;
  picture.exif = ReadExifBlock(ExifBlock(decoder));
  picture.orientation = picture.exif.orientation;
  picture.bgr.create(static_cast<int>(decoder.image_height), static_cast<int>(decoder.image_width),
                     CV_8UC3);
  session.pixels = picture.bgr.data;
  session.stride = picture.bgr.step;
  if (!Guarded(session, ReadPixels)) return Refusal(session, where);
  return picture;
}

}  // namespace tinesight

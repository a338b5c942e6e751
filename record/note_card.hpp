#pragma once

// For record/ alone: one note as a card, with its picture, its cross-section and its figures.
#include <string>
#include <vector>

#include "alignment/measurement.hpp"
#include "alignment/profile.hpp"
#include "record/drawing.hpp"

namespace tinesight {

struct NoteCard {
  const NoteMeasurement* note = nullptr;
  const NoteMeasurement* before = nullptr;  ///< the same note as found; may be absent
  const NoteProfile* target = nullptr;      ///< may be absent
  std::string before_name;                  ///< name of the visit of `before`
  std::string picture_jpeg;                 ///< square, without EXIF; empty: there is none
  std::string no_picture;                   ///< then why
  std::vector<std::string> remarks;         ///< findings and what the technician says
};

/// The card's height at a width: that of its pictures, or of its text where that is longer.
[[nodiscard]] double NoteCardHeight(Drawing& drawing, double width, const NoteCard& card);
void DrawNoteCard(Drawing& drawing, const Rect& box, const NoteCard& card);

/// A card to attach elsewhere, as a picture 1500 px wide (JPEG without EXIF): `caption` at the
/// top, the photo large. Empty where it can't be encoded.
[[nodiscard]] std::string NoteCardPicture(const NoteCard& card, const std::string& caption);

/// Side of the square photo in NoteCardPicture, px.
inline constexpr int kCardPhoto_px = 900;

}  // namespace tinesight

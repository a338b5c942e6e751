#include "record/alignment_images.hpp"

#include <set>
#include <system_error>

#include "calibration/file_io.hpp"
#include "record/exif_caption.hpp"
#include "record/note_card.hpp"
#include "record/note_text.hpp"
#include "record/report.hpp"
#include "record/safe_name.hpp"
#include "record/text_util.hpp"
#include "record/visit_photos.hpp"

namespace tinesight {
namespace {

std::string VisitCaption(const Visit& visit) {
  std::string text = visit.name;
  if (!visit.date.empty()) text += ", " + LongDate(visit.date);
  if (!visit.instrument.empty()) text += "; " + visit.instrument;
  return CleanText(text);
}

// All of it in words, for whoever sees the file without the picture.
std::string Description(const Visit& visit, const NoteMeasurement& note) {
  std::string text = note.name + ", " + VisitCaption(visit) + ": " + VerdictPhrase(note) + ".";
  for (const FigureText& figure : FigureTexts(note, visit.profile.Find(note.midi))) {
    text += " " + figure.name + " " + figure.value;
    if (!figure.target.empty()) text += " (" + figure.target + ")";
    text += ".";
  }
  if (!note.advice.empty()) text += " To do: " + Sentence(note.advice);
  return text + " +/- is the expanded uncertainty (k = 2).";
}

Result<void> WriteImage(const NoteCard& card, const Visit& visit,
                        const std::filesystem::path& file) {
  const std::string jpeg = NoteCardPicture(card, VisitCaption(visit));
  if (jpeg.empty()) return Fail(file.string() + ": the picture could not be encoded");
  const Result<std::string> captioned = WithImageDescription(jpeg, Description(visit, *card.note));
  if (!captioned) return Fail(file.string() + ": " + captioned.error().message);
  return WriteFileAtomically(file, *captioned);
}

}  // namespace

std::string AlignmentImageName(const ServiceRecord& record, const Visit& visit,
                               const NoteMeasurement& note) {
  const std::string name = SafeFileName(visit.name);
  // Names that differ in signs alone would come out alike.
  std::size_t alike = 0;
  for (const Visit& other : record.visits) {
    if (other.id == visit.id) break;
    alike += SafeFileName(other.name) == name ? 1 : 0;
  }
  std::string file = SafeFileName(note.name) + "_" + name;
  if (alike > 0) file.append("-").append(std::to_string(alike + 1));
  return file + ".jpg";
}

Result<AlignmentImages> WriteAlignmentImages(const ServiceRecord& record, const Visit& visit,
                                             const std::filesystem::path& folder) {
  std::error_code code;
  std::filesystem::create_directories(folder, code);
  if (code) {
    return Fail(folder.string() + ": the folder cannot be made: " + code.message());
  }
  std::set<int> measured;
  for (const NoteMeasurement& note : visit.measurement.notes) {
    if (note.lateral_mm) measured.insert(note.midi);
  }
  const NotePictures pictures = CollectNotePictures(record, visit, measured, kCardPhoto_px);
  const Visit* before = VisitBefore(record, visit);
  AlignmentImages images;
  images.trouble = pictures.trouble;
  for (const NoteMeasurement& note : visit.measurement.notes) {
    NoteCard card;
    card.note = &note;
    card.target = visit.profile.Find(note.midi);
    if (before != nullptr) {
      card.before = before->Find(note.midi);
      card.before_name = CleanText(before->name);
    }
    if (const auto jpeg = pictures.jpeg.find(note.midi); jpeg != pictures.jpeg.end()) {
      card.picture_jpeg = jpeg->second;
    }
    if (const auto why = pictures.missing.find(note.midi); why != pictures.missing.end()) {
      card.no_picture = why->second;
    }
    const auto written = WriteImage(card, visit, folder / AlignmentImageName(record, visit, note));
    if (!written) return tl::unexpected(written.error());
    ++images.written;
  }
  return images;
}

}  // namespace tinesight

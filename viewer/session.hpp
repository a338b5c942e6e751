#pragma once

#include <Eigen/Core>
#include <array>
#include <cstdint>
#include <filesystem>
#include <functional>
#include <map>
#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "calibration/error.hpp"
#include "record/service_record.hpp"
#include "viewer/flagged_notes.hpp"

namespace tinesight {

/// What was opened: a service record, or the result of `measure --json` shown as a record of one
/// visit that nothing can be written into.
struct Document {
  ServiceRecord record;
  bool keeps_decisions = false;  ///< false: no record, reviews can't be kept
};

/// Opens a service record (.tinerec) or a result (.json), told apart by their first bytes.
/// `profile` judges a result, which has none of its own; may be nullptr.
[[nodiscard]] Result<Document> OpenDocument(const std::filesystem::path& file,
                                            const InstrumentProfile* profile);

/// A measurement as a record of one visit that nothing can be written into; `file` names it.
[[nodiscard]] Document DocumentOfMeasurement(const std::filesystem::path& file,
                                             VisitMeasurement measurement,
                                             const InstrumentProfile* profile);

/// Where a photo's file is now: in `folder`, or where PhotoPlaces() finds it; empty: nowhere.
[[nodiscard]] std::filesystem::path FindPhotoFile(const std::string& recorded,
                                                  const std::filesystem::path& document,
                                                  const std::filesystem::path& folder);

/// What was placed by hand in one photo, px of the undistorted photo.
struct HandMark {
  std::array<Eigen::Vector2d, 2> axis_px;    ///< on the tine's axis, toward the root and the tip
  std::optional<Eigen::Vector2d> pickup_px;  ///< center of the pole tip, where it was moved
};

/// As it is kept in the record.
[[nodiscard]] std::string HandMarkJson(const HandMark& mark);
[[nodiscard]] std::optional<HandMark> ReadHandMark(const std::string& json);

/// The review of a document: what is selected, and what the technician decides. It knows no window.
/// Every decision is written into the record before the function returns, and one that could not be
/// written changes nothing. Undo withdraws the latest entry of this session, redo restores it.
class Session {
 public:
  explicit Session(Document document);

  [[nodiscard]] const ServiceRecord& Record() const { return document_.record; }
  [[nodiscard]] bool KeepsDecisions() const { return document_.keeps_decisions; }

  /// Takes the same record as it stands in the file now, where photos were added; what is selected
  /// and what can be undone stays.
  void TakeNewer(ServiceRecord record);
  /// Shows the newest photo of the selected note.
  void SelectNewestPhoto();

  // Visits. The chart compares the current one with `Earlier`.
  [[nodiscard]] const Visit& CurrentVisit() const;
  [[nodiscard]] std::size_t VisitIndex() const { return visit_; }
  void SelectVisit(std::size_t index);
  /// The visit before the current one; nullptr: there is none.
  [[nodiscard]] const Visit* EarlierVisit() const;
  /// The profile that the current visit was judged by; nullptr: none is known.
  [[nodiscard]] const InstrumentProfile* Profile() const;

  // The selected note; 0: none.
  [[nodiscard]] int Midi() const { return midi_; }
  [[nodiscard]] const NoteMeasurement* Note() const { return CurrentVisit().Find(midi_); }
  void SelectNote(int midi);
  void StepNote(int step);  ///< up or down the keyboard; stays at the ends

  // The photo that is shown.
  [[nodiscard]] std::optional<std::size_t> PhotoIndex() const { return photo_; }
  [[nodiscard]] const std::vector<std::size_t>& PhotosOfSelection() const { return photos_; }
  void SelectPhoto(std::size_t index);
  void StepPhoto(int step);  ///< among the photos of the note; round the end

  // The flagged notes, worst first.
  [[nodiscard]] const std::vector<FlaggedNote>& Flagged() const { return flagged_; }
  [[nodiscard]] std::size_t ReviewedCount() const;
  /// To the next (step 1) or previous (−1) flagged note from the selected one.
  void StepFlagged(int step);
  /// To the next flagged note that has no review, from the selected one on and round the end.
  /// False: all are reviewed.
  bool NextUnreviewed();
  [[nodiscard]] ReviewState ReviewOf(int midi) const;

  // Decisions.
  [[nodiscard]] Result<void> Decide(ReviewState state, const std::string& text = {});
  [[nodiscard]] Result<void> AddFinding(Finding finding);
  [[nodiscard]] Result<void> AddWork(const std::string& text);
  [[nodiscard]] Result<void> Attach(Attachment attachment, const std::string& contents);

  // A misread note. Its figures then come from what was placed by hand alone (SolveByHand), and the
  // verdict from those.
  [[nodiscard]] Result<void> PlaceByHand(std::size_t photo, const HandMark& mark);
  /// Withdraws all that was placed of the selected note: its figures are the measured ones again.
  [[nodiscard]] Result<void> ResetByHand();
  /// What was placed of the selected note in a photo; nothing: it is as measured.
  [[nodiscard]] std::optional<HandMark> MarkOf(std::size_t photo) const;
  [[nodiscard]] bool PlacedByHand(int midi) const;

  [[nodiscard]] bool CanUndo() const { return !undo_.empty(); }
  [[nodiscard]] bool CanRedo() const { return !redo_.empty(); }
  /// What was undone in words, "undone: F#1 accepted".
  [[nodiscard]] Result<std::string> Undo();
  [[nodiscard]] Result<std::string> Redo();

  void SetTechnician(std::string initials) { technician_ = std::move(initials); }

 private:
  struct Entry {
    EntryKind kind;
    std::int64_t id;
    std::string what;
    std::function<void(ServiceRecord&)> put_back;
    bool withdrawal = false;  ///< the entry was taken out, so that undo puts it in
  };
  [[nodiscard]] Result<void> Enter(const Entry& entry);
  [[nodiscard]] Result<void> TakeOut(const Entry& entry);
  [[nodiscard]] const Correction* LatestCorrection(std::size_t photo, int midi) const;
  void ApplyByHand();
  [[nodiscard]] Result<void> RequireRecord() const;
  [[nodiscard]] EntryStamp Stamp() const;
  void Keep(Entry entry);
  void RefreshFlagged();
  void RefreshPhotos();

  Document document_;
  std::size_t visit_ = 0;
  int midi_ = 0;
  std::optional<std::size_t> photo_;
  std::vector<std::size_t> photos_;
  std::vector<FlaggedNote> flagged_;
  std::map<std::pair<std::size_t, int>, NoteMeasurement> as_measured_;  // by visit and note
  std::vector<Entry> undo_;
  std::vector<Entry> redo_;
  std::string technician_;
};

/// "accepted", "rejected", "needs another photo", "not reviewed".
[[nodiscard]] std::string ReviewWord(ReviewState state);

}  // namespace tinesight

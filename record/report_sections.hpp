#pragma once

// For record/ alone: the sections of the report, in their order.
#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "alignment/tone_evenness.hpp"
#include "record/page_flow.hpp"
#include "record/service_record.hpp"
#include "record/visit_comparison.hpp"
#include "record/visit_photos.hpp"
#include "record/work_list.hpp"

namespace tinesight {

struct AttachedPicture {
  std::string jpeg;  ///< without metadata
  double aspect = 1.0;
  std::string caption;
};

/// The pictures of this visit and of the instrument, and what else the record holds.
struct AttachedPictures {
  std::vector<AttachedPicture> shown;
  std::vector<std::string> elsewhere;
};
[[nodiscard]] AttachedPictures CollectAttachedPictures(const ServiceRecord& record,
                                                       const Visit& visit);

/// What the sections are written from.
struct ReportContext {
  const ServiceRecord& record;
  const Visit& visit;
  const Visit* before = nullptr;  ///< as found, where there is such a visit
  std::optional<VisitComparison> comparison;
  WorkList work;
  EvennessChart tone;                              ///< predicted
  std::vector<const NoteMeasurement*> needs_work;  ///< worst first
  std::vector<const NoteMeasurement*> uncertain;   ///< sideways; farthest off first
  NotePictures pictures;
  AttachedPictures attached;
  std::size_t work_cards = 0;       ///< so many of needs_work get a card
  std::size_t uncertain_cards = 0;  ///< and so many of uncertain

  [[nodiscard]] const NoteMeasurement* Before(int midi) const {
    return before != nullptr ? before->Find(midi) : nullptr;
  }
};

void AddSummary(PageFlow& flow, const ReportContext& context);
void AddChart(PageFlow& flow, const ReportContext& context);
void AddTone(PageFlow& flow, const ReportContext& context);
void AddNoteCards(PageFlow& flow, const ReportContext& context);
void AddWork(PageFlow& flow, const ReportContext& context);
void AddFindings(PageFlow& flow, const ReportContext& context);
void AddAttachments(PageFlow& flow, const ReportContext& context);
void AddSpringMap(PageFlow& flow, const ReportContext& context);
void AddAllNotes(PageFlow& flow, const ReportContext& context);
/// What the sentences of AddTone rest on, note by note.
void AddToneFigures(PageFlow& flow, const ReportContext& context);
void AddPhotos(PageFlow& flow, const ReportContext& context);
void AddMethod(PageFlow& flow, const ReportContext& context);
void AddCautions(PageFlow& flow);

/// An item for each text (second), behind all the names (first) that share it.
void AddItemsByText(PageFlow& flow,
                    const std::vector<std::pair<std::string, std::string>>& named_texts);

/// "A", "A and B", "A, B and C".
[[nodiscard]] std::string JoinedNames(const std::vector<std::string>& names);
/// "1 note", "3 notes".
[[nodiscard]] std::string Counted(std::size_t count, const std::string& singular,
                                  const std::string& plural);

}  // namespace tinesight

#pragma once

#include <filesystem>
#include <string>
#include <vector>

#include "calibration/error.hpp"
#include "calibration/strips_pdf.hpp"
#include "record/service_record.hpp"

namespace tinesight {

/// At most so many notes get a card with pictures in the PDF, worst first, and of these at most so
/// many that are only uncertain; the table of all notes has every one, and the folder of alignment
/// images a picture of each.
inline constexpr std::size_t kMaxReportCards = 40;
inline constexpr std::size_t kMaxUncertainCards = 8;

/// The visit that a visit is compared with: the newest "as found" before it, else the first visit,
/// nullptr where there is none before it.
[[nodiscard]] const Visit* VisitBefore(const ServiceRecord& record, const Visit& visit);

struct Report {
  std::string pdf;
  std::vector<std::string> trouble;  ///< photos that could not be shown, one line each
};

/// The report on a visit for the instrument's owner, as a PDF. Photos that are no longer there are
/// left out, which the report says; pictures are encoded anew, so that nothing of the phone's own
/// data (EXIF, serial number, position) gets into it.
/// Precondition: `visit` is one of `record`.
[[nodiscard]] Result<Report> BuildReport(const ServiceRecord& record, const Visit& visit,
                                         PaperSize paper = PaperSize::kLetter);

/// Name of a report's file when nobody gave one: "harp_as_left_report.pdf" beside the record.
[[nodiscard]] std::filesystem::path ReportFileName(const ServiceRecord& record, const Visit& visit);

}  // namespace tinesight

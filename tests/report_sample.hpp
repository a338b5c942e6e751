#pragma once

// A service record made by hand, and the PDF tools of poppler to look at what is made of it.
#include <gtest/gtest.h>

#include <algorithm>
#include <string>
#include <vector>

#include "alignment/note_name.hpp"
#include "record/service_record.hpp"
#include "record/sha256.hpp"
#include "tests/pdf_words.hpp"
#include "tests/run_command.hpp"
#include "tests/sample_visit.hpp"
#include "tests/temp_folder.hpp"

namespace tinesight {

inline Visit SampleRecordVisit(std::int64_t id, const std::string& name) {
  Visit visit;
  visit.id = id;
  visit.name = name;
  visit.kind = VisitKindOf(name);
  visit.date = "2024-05-0" + std::to_string(id);
  visit.technician = "AB";
  visit.instrument = "demo";
  visit.profile = SampleProfile();
  visit.measurement = SampleVisit();
  visit.photos.resize(visit.measurement.photos.size());
  visit.sets.push_back({1, DamperState::kHarpRaised, false, "", visit.measurement});
  return visit;
}

/// One visit of SampleVisit; its photo (/somewhere/B1.jpg) exists nowhere.
inline ServiceRecord SampleRecord() {
  ServiceRecord record;
  record.file = "/somewhere/harp.tinerec";
  record.instrument = {"73-note tine piano", "E2 to D3", "demo-0001", "A. Sample"};
  record.visits.push_back(SampleRecordVisit(1, "as found"));
  return record;
}

/// Takes `file` for the visit's first photo, as it is now.
inline void SetPhoto(Visit& visit, const std::filesystem::path& file) {
  visit.measurement.photos[0].file = file.string();
  visit.sets[0].measurement.photos[0].file = file.string();
  const auto digest = Sha256OfFile(file);
  ASSERT_TRUE(digest) << digest.error().message;
  visit.photos[0].sha256 = *digest;
}

/// A visit of so many notes that all need work, from E1 up, 13.7 mm apart.
inline void FlagNotes(Visit& visit, int count) {
  visit.measurement.notes.clear();
  for (int i = 0; i < count; ++i) {
    const int midi = 28 + i;
    visit.measurement.notes.push_back(
        SampleNote(midi, NoteName(midi), 13.7 * i, 0.8 + 0.01 * i, 0.05, Verdict::kOutOfTolerance));
    visit.measurement.notes.back().advice =
        "the tine is crooked in its block, 0.60° toward treble of its tone bar: turn it in its "
        "block 0.62° toward bass (0.90 mm at the pickup)";
    visit.measurement.notes.back().reason =
        "the gap rests on the profile, the tine's end is not seen well enough: check it with a "
        "gauge";
  }
  visit.sets[0].measurement = visit.measurement;
}

/// The text of a PDF as `pdftotext` reads it; `options` as on its command line.
inline std::string PdfText(const std::filesystem::path& pdf, const std::string& options = "") {
  const CommandOutcome text = RunShell("pdftotext " + options + " '" + pdf.string() + "' -");
  EXPECT_EQ(text.status, 0) << "pdftotext (poppler-utils) is needed: " << text.err;
  return text.out;
}

inline int PdfPages(const std::filesystem::path& pdf) {
  const CommandOutcome info = RunShell("pdfinfo '" + pdf.string() + "'");
  const std::size_t at = info.out.find("Pages:");
  return at == std::string::npos ? 0 : std::stoi(info.out.substr(at + 6));
}

/// Two words of a page that lie over each other, as a message; empty: none do.
inline std::string OverlappingWords(const std::vector<std::vector<Word>>& pages) {
  // A line's box reaches a little into its neighbors' without any ink of it doing so.
  constexpr double kAllowedPt = 1.6;
  for (std::size_t page = 0; page < pages.size(); ++page) {
    for (std::size_t i = 0; i < pages[page].size(); ++i) {
      for (std::size_t j = i + 1; j < pages[page].size(); ++j) {
        const Word& a = pages[page][i];
        const Word& b = pages[page][j];
        const double x = std::min(a.x1, b.x1) - std::max(a.x0, b.x0);
        const double y = std::min(a.y1, b.y1) - std::max(a.y0, b.y0);
        if (x > kAllowedPt && y > kAllowedPt) {
          return "page " + std::to_string(page + 1) + ": \"" + a.text + "\" over \"" + b.text + '"';
        }
      }
    }
  }
  return "";
}

}  // namespace tinesight

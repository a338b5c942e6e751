#include "record/report.hpp"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <sstream>

#include "calibration/file_io.hpp"
#include "tests/made_record.hpp"
#include "tests/photo_files.hpp"
#include "tests/report_sample.hpp"

namespace tinesight {
namespace {

using ::testing::HasSubstr;
using ::testing::Not;
using tinesight::testing::TempFolder;

std::filesystem::path Written(const TempFolder& folder, const ServiceRecord& record,
                              PaperSize paper = PaperSize::kLetter) {
  const auto report = BuildReport(record, record.visits.back(), paper);
  EXPECT_TRUE(report) << report.error().message;
  return folder.Write("report.pdf", report ? report->pdf : "");
}

// A word of its own, so that "F#1" is not found in "F#12" or "C" in "C4".
bool HasWord(const std::string& text, const std::string& word) {
  std::istringstream in(text);
  for (std::string w; in >> w;) {
    while (!w.empty() && std::string(".,:;()").find(w.back()) != std::string::npos) w.pop_back();
    if (w == word) return true;
  }
  return false;
}

int CountOf(const std::string& text, const std::string& part) {
  int count = 0;
  for (std::size_t at = text.find(part); at != std::string::npos; at = text.find(part, at + 1)) {
    ++count;
  }
  return count;
}

// 73 notes, so that every part of the report takes more than a page.
ServiceRecord FullRecord() {
  ServiceRecord record = SampleRecord();
  FlagNotes(record.visits[0], 73);
  record.visits.push_back(SampleRecordVisit(2, "as left"));
  FlagNotes(record.visits[1], 73);
  for (int midi = 28; midi <= 100; ++midi) {
    Finding spring;
    spring.midi = midi;
    spring.part = FindingPart::kSpring;
    spring.state = midi % 2 == 0 ? "heavy" : "light";
    record.findings.push_back(spring);
    WorkDone work;
    work.midi = midi;
    work.text = "new grommets, springs back where they were; turned the tine in its block";
    work.stamp = {"AB", "2024-05-01", ""};
    record.work_done.push_back(work);
  }
  return record;
}

TEST(Report, NamesEveryFlaggedNoteWithItsFigures) {
  const TempFolder folder;
  const ServiceRecord record = SampleRecord();
  const std::string text = PdfText(Written(folder, record));
  for (const NoteMeasurement& note : record.visits[0].measurement.notes) {
    EXPECT_TRUE(HasWord(text, note.name)) << note.name;
  }
  EXPECT_THAT(text, HasSubstr("0.90 ± 0.05"));
  EXPECT_THAT(text, HasSubstr("toward treble"));
  EXPECT_THAT(text, HasSubstr("re-center"));
  EXPECT_THAT(text, HasSubstr("Mains voltage"));
  EXPECT_THAT(text, HasSubstr("k = 2"));
  EXPECT_THAT(text, HasSubstr("A. Sample"));
}

TEST(Report, SaysWhatTheEarWillNotice) {
  const TempFolder folder;
  ServiceRecord record = SampleRecord();
  for (NoteMeasurement& note : record.visits[0].measurement.notes) {
    if (note.midi == 41) note.height_mm->value -= 0.8;
  }
  const std::string text = PdfText(Written(folder, record));
  EXPECT_THAT(text, HasSubstr("What the ear will notice"));
  EXPECT_THAT(text, HasSubstr("1 note is predicted to stick out to the ear: F2."));
  EXPECT_THAT(text, HasSubstr("Will stick out"));
  EXPECT_THAT(text, HasSubstr("0.79 mm too low"));
  EXPECT_THAT(text, HasSubstr("nothing was listened to"));
  // The owner's part is free of figures that need mathematics; those stand behind the tables.
  const std::size_t words = text.find("What the ear will notice");
  const std::size_t chart = text.find("Predicted level, dB", words);
  const std::size_t figures = text.find("Predicted tone in figures");
  ASSERT_NE(chart, std::string::npos);
  ASSERT_NE(figures, std::string::npos);
  EXPECT_THAT(text.substr(words, chart - words), Not(HasSubstr("dB")));
  EXPECT_GT(figures, text.find("Table of all notes"));
  EXPECT_THAT(text.substr(figures), HasSubstr("sticks out"));
}

TEST(Report, SaysWhatWasFoundAndDone) {
  const TempFolder folder;
  ServiceRecord record = SampleRecord();
  Finding spring;
  spring.midi = 41;
  spring.part = FindingPart::kSpring;
  spring.state = "heavy";
  spring.place = ScrewPlace::kForward;
  record.findings.push_back(spring);
  spring.state = "light";
  spring.stage = WorkStage::kAfter;
  record.findings.push_back(spring);
  record.work_done.push_back({1, 41, "turned the tine in its block", {"AB", "2024-05-01", ""}});
  const std::string text = PdfText(Written(folder, record), "-layout");
  EXPECT_THAT(text, HasSubstr("turned the tine in its block"));
  EXPECT_THAT(text, HasSubstr("Spring map"));
  EXPECT_THAT(text, HasSubstr("differs"));
  EXPECT_THAT(text, HasSubstr("put it back where it was"));
}

TEST(Report, ShowsWhatWasAttachedWithoutWhatThePhoneWrote) {
  const TempFolder folder;
  const auto record = folder / "piano.tinerec";
  ASSERT_TRUE(AddVisit(record, SampleEntry("as found")));
  testing::ExifFields exif;
  exif.model = "SERIAL-4711";
  const std::string photo =
      testing::WithExif(testing::Encoded(testing::Quarters(1600, 1200), ".jpg"), exif);
  const auto attach = [&](const std::string& name, const std::string& caption,
                          const std::string& bytes) {
    Attachment attachment;
    attachment.name = name;
    attachment.media_type = "image/jpeg";
    attachment.caption = caption;
    attachment.midi = 41;
    attachment.stamp.date = "2024-05-01";
    ASSERT_TRUE(AddAttachment(record, attachment, bytes));
  };
  attach("grommet.jpg", "the forward grommet, flattened", photo);
  attach("broken.jpg", "half a file", photo.substr(0, photo.size() / 2));
  const auto kept = ReadServiceRecord(record);
  ASSERT_TRUE(kept) << kept.error().message;
  const auto file = Written(folder, *kept);
  const std::string text = PdfText(file);
  EXPECT_THAT(text, HasSubstr("Pictures from the bench"));
  EXPECT_THAT(text, HasSubstr("F2: the forward grommet, flattened"));
  EXPECT_THAT(text, HasSubstr("half a file (2024-05-01) (no picture that can be shown)"));
  EXPECT_THAT(RunShell("pdfimages -list '" + file.string() + "'").out, HasSubstr("1000   750"));
  const auto pdf = ReadFileBytes(file, 100'000'000);
  ASSERT_TRUE(pdf);
  EXPECT_EQ(pdf->find("SERIAL-4711"), std::string::npos);
}

TEST(Report, TellsTheDamperLiftWhereItWasMeasured) {
  const TempFolder folder;
  ServiceRecord record = SampleRecord();
  EXPECT_THAT(PdfText(Written(folder, record)), Not(HasSubstr("Damper lift")));
  record.visits[0].measurement.notes[1].damper_lift_mm = Measured{0.37, 0.08};
  const std::string text = PdfText(Written(folder, record), "-layout");
  EXPECT_THAT(text, HasSubstr("Damper lift, mm (how far"));  // the chart
  EXPECT_THAT(text, HasSubstr("0.37 ± 0.08"));               // the table
}

TEST(Report, EmbedsItsFontsAndKeepsTextSelectable) {
  const TempFolder folder;
  const CommandOutcome fonts =
      RunShell("pdffonts '" + Written(folder, SampleRecord()).string() + "'");
  ASSERT_EQ(fonts.status, 0) << fonts.err;
  std::istringstream lines(fonts.out);
  std::string line;
  std::getline(lines, line);
  // The columns' places are those of their headings.
  const std::size_t embedded = line.find("emb");
  const std::size_t unicode = line.find("uni");
  ASSERT_NE(embedded, std::string::npos);
  std::getline(lines, line);
  int count = 0;
  while (std::getline(lines, line)) {
    ++count;
    EXPECT_EQ(line.substr(embedded, 3), "yes") << line;
    EXPECT_EQ(line.substr(unicode, 3), "yes") << line;
  }
  EXPECT_GE(count, 2);  // plain and bold
}

TEST(Report, HasItsTitleAndThePaperAskedFor) {
  const TempFolder folder;
  const ServiceRecord record = SampleRecord();
  const auto info = [&](PaperSize paper) {
    return RunShell("pdfinfo '" + Written(folder, record, paper).string() + "'").out;
  };
  const std::string letter = info(PaperSize::kLetter);
  EXPECT_THAT(letter, HasSubstr("Alignment report: demo, as found"));
  EXPECT_THAT(letter, HasSubstr("612 x 792 pts (letter)"));
  EXPECT_THAT(info(PaperSize::kA4), HasSubstr("(A4)"));
}

TEST(Report, KeepsAllTextInsideThePageAndClearOfOtherText) {
  const TempFolder folder;
  for (const PaperSize paper : {PaperSize::kLetter, PaperSize::kA4}) {
    const auto pdf = Written(folder, FullRecord(), paper);
    const double width = paper == PaperSize::kA4 ? 595.28 : 612.0;
    const double height = paper == PaperSize::kA4 ? 841.89 : 792.0;
    const auto pages = WordsOfPages(pdf.string());
    ASSERT_GT(pages.size(), 8u);
    for (std::size_t page = 0; page < pages.size(); ++page) {
      for (const Word& word : pages[page]) {
        EXPECT_GE(word.x0, 36.0) << word.text << " on page " << page + 1;
        EXPECT_LE(word.x1, width - 36.0) << word.text << " on page " << page + 1;
        EXPECT_GE(word.y0, 20.0) << word.text << " on page " << page + 1;
        EXPECT_LE(word.y1, height - 20.0) << word.text << " on page " << page + 1;
      }
    }
    EXPECT_EQ(OverlappingWords(pages), "");
  }
}

TEST(Report, NumbersItsPagesAndRepeatsTheHeaderOfALongTable) {
  const TempFolder folder;
  const auto pdf = Written(folder, FullRecord());
  const int pages = PdfPages(pdf);
  int with_header = 0;
  for (int page = 1; page <= pages; ++page) {
    const std::string number = std::to_string(page);
    const std::string text = PdfText(pdf, "-layout -f " + number + " -l " + number);
    EXPECT_THAT(text, HasSubstr("Page " + number + " of " + std::to_string(pages)));
    with_header += HasWord(text, "Verdict") ? 1 : 0;
  }
  EXPECT_GE(with_header, 2);
}

TEST(Report, StaysShortWithManyFlaggedNotes) {
  const TempFolder folder;
  ServiceRecord record = SampleRecord();
  FlagNotes(record.visits[0], 60);
  const auto pdf = Written(folder, record);
  const std::string text = PdfText(pdf);
  for (const NoteMeasurement& note : record.visits[0].measurement.notes) {
    EXPECT_TRUE(HasWord(text, note.name)) << note.name;
  }
  // Four cards a page, a page of summary and about six of tables and text.
  EXPECT_LE(PdfPages(pdf), static_cast<int>(kMaxReportCards) / 4 + 8);
  EXPECT_THAT(text, HasSubstr("pictures are shown of 40 notes"));
}

TEST(Report, ShowsThePhotoWithoutWhatThePhoneWroteIntoIt) {
  const TempFolder folder;
  ServiceRecord record = SampleRecord();
  tinesight::testing::ExifFields fields;
  fields.make = "Serial-4711-Maker";
  fields.model = "Serial-4711-Phone";
  cv::Mat picture(900, 1200, CV_8UC3);
  cv::randu(picture, 0, 255);
  const auto photo = folder.Write(
      "B1.jpg", tinesight::testing::WithExif(tinesight::testing::Encoded(picture, ".jpg"), fields));
  ASSERT_THAT(*ReadFileBytes(photo), HasSubstr("Serial-4711"));
  ASSERT_NO_FATAL_FAILURE(SetPhoto(record.visits[0], photo));

  const auto report = BuildReport(record, record.visits[0]);
  ASSERT_TRUE(report) << report.error().message;
  EXPECT_TRUE(report->trouble.empty());
  const auto pdf = folder.Write("report.pdf", report->pdf);
  // F2 needs work and F#2 is uncertain: both have a card. Pictures stand in a PDF as JPEG files.
  const CommandOutcome images = RunShell("pdfimages -list '" + pdf.string() + "'");
  std::size_t jpegs = 0;
  for (std::size_t at = images.out.find("jpeg"); at != std::string::npos;
       at = images.out.find("jpeg", at + 1)) {
    ++jpegs;
  }
  EXPECT_EQ(jpegs, 2u) << images.out;
  EXPECT_EQ(RunShell("pdfimages -j '" + pdf.string() + "' picture", folder.Path()).status, 0);
  for (const char* name : {"picture-000.jpg", "picture-001.jpg"}) {
    const auto bytes = ReadFileBytes(folder / name);
    ASSERT_TRUE(bytes) << bytes.error().message;
    EXPECT_THAT(*bytes, Not(HasSubstr("Exif")));
    EXPECT_THAT(*bytes, Not(HasSubstr("4711")));
  }
  EXPECT_THAT(report->pdf, Not(HasSubstr("4711")));
  EXPECT_THAT(PdfText(pdf), Not(HasSubstr("4711")));
  EXPECT_THAT(PdfText(pdf), Not(HasSubstr(folder.Path().string()))) << "tells a folder's name";
}

TEST(Report, SaysWhichPhotoIsGoneOrChanged) {
  const TempFolder folder;
  ServiceRecord record = SampleRecord();
  const auto gone = BuildReport(record, record.visits[0]);
  ASSERT_TRUE(gone);
  ASSERT_EQ(gone->trouble.size(), 1u);
  EXPECT_THAT(gone->trouble[0], HasSubstr("B1.jpg"));
  EXPECT_THAT(PdfText(folder.Write("gone.pdf", gone->pdf)), HasSubstr("could not be shown"));

  const cv::Mat picture(900, 1200, CV_8UC3, cv::Scalar::all(90));
  const auto photo = folder.Write("B1.jpg", tinesight::testing::Encoded(picture, ".jpg"));
  ASSERT_NO_FATAL_FAILURE(SetPhoto(record.visits[0], photo));
  const cv::Mat other(900, 1200, CV_8UC3, cv::Scalar::all(160));
  folder.Write("B1.jpg", tinesight::testing::Encoded(other, ".jpg"));
  const auto changed = BuildReport(record, record.visits[0]);
  ASSERT_TRUE(changed);
  ASSERT_EQ(changed->trouble.size(), 1u);
  EXPECT_THAT(changed->trouble[0], HasSubstr("changed"));
}

TEST(Report, TakesTextsThatAreTooLongForAPage) {
  const TempFolder folder;
  ServiceRecord record = SampleRecord();
  std::string endless;
  for (int i = 0; i < 20000; ++i) endless += "and so on ";
  record.work_done.push_back({1, 41, endless, {}});
  record.work_done.push_back({2, 41, std::string(50000, 'x'), {}});
  record.visits[0].measurement.notes[1].reason = endless;
  record.instrument.owner = endless;
  const auto pdf = Written(folder, record);
  EXPECT_LE(PdfPages(pdf), 40);
  for (const auto& page : WordsOfPages(pdf.string())) {
    for (const Word& word : page) ASSERT_LE(word.y1, 772.0) << word.text;
  }
}

TEST(Report, ComparesWithTheVisitBefore) {
  ServiceRecord record = SampleRecord();
  EXPECT_EQ(VisitBefore(record, record.visits[0]), nullptr);
  record.visits.push_back(SampleRecordVisit(2, "test"));
  record.visits.push_back(SampleRecordVisit(3, "as left"));
  EXPECT_EQ(VisitBefore(record, record.visits[2]), record.visits.data());
  const TempFolder folder;
  const std::string text = PdfText(Written(folder, record));
  EXPECT_THAT(text, HasSubstr("Compared with"));
  EXPECT_THAT(text, HasSubstr("as found (hollow)"));
}

TEST(Report, CountsTheNotesOfThisVisitAloneAndForgetsNoneThatWasOut) {
  ServiceRecord record = SampleRecord();
  FlagNotes(record.visits[0], 20);
  record.visits.push_back(SampleRecordVisit(2, "as left"));
  FlagNotes(record.visits[1], 2);
  const TempFolder folder;
  const std::string text = PdfText(Written(folder, record), "-layout");
  EXPECT_THAT(text, ::testing::ContainsRegex("[^0-9]2 ?→ ?2"));
  EXPECT_THAT(text, Not(::testing::ContainsRegex("20 ?→ ?2")));
  EXPECT_THAT(text, HasSubstr("Out of tolerance before, and not measured again: F#1, G1,"));
}

TEST(Report, KeepsEachFigureOfTheTableOfAllNotesOnOneLine) {
  ServiceRecord record = SampleRecord();
  record.visits.push_back(SampleRecordVisit(2, "as left"));
  for (Visit& visit : record.visits) {
    for (NoteMeasurement& note : visit.measurement.notes) {
      if (!note.lateral_mm) continue;
      note.lateral_mm = Measured{-1.44, 0.44};
      note.damper_lift_mm = Measured{-0.37, 0.88};
    }
  }
  const TempFolder folder;
  for (const PaperSize paper : {PaperSize::kLetter, PaperSize::kA4}) {
    const std::string text = PdfText(Written(folder, record, paper), "-layout");
    const std::string table = text.substr(text.find("Table of all notes"));
    std::istringstream lines(table);
    std::string line;
    int rows = 0;
    while (std::getline(lines, line)) rows += CountOf(line, " ± ") == 5 ? 1 : 0;
    EXPECT_EQ(rows, 3) << table.substr(0, 1500);  // lateral twice, height, gap, damper lift
  }
}

TEST(Report, IsNamedByRecordAndVisit) {
  ServiceRecord record = SampleRecord();
  EXPECT_EQ(ReportFileName(record, record.visits[0]), "/somewhere/harp_as_found_report.pdf");
  record.visits[0].name = "../../etc/x";
  EXPECT_EQ(ReportFileName(record, record.visits[0]).parent_path(), "/somewhere");
}

}  // namespace
}  // namespace tinesight

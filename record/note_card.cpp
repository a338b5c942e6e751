#include "record/note_card.hpp"

#include <algorithm>
#include <cmath>
#include <optional>

#include "record/cross_section.hpp"
#include "record/note_text.hpp"
#include "record/overlay_style.hpp"

namespace tinesight {
namespace {

constexpr double kTitleHeight = 18.0;
constexpr double kPictureSide = 132.0;
constexpr double kGap = 8.0;
constexpr double kPadding = 5.0;

const Font kNameFont{12.0, true, false, kBlack, TextAlign::kLeft};
const Font kPhraseFont{9.5, true, false, kBlack, TextAlign::kLeft};
const Font kTextFont{7.8, false, false, kBlack, TextAlign::kLeft};
const Font kStrongFont{7.8, true, false, kBlack, TextAlign::kLeft};
const Font kFaintFont{7.2, false, false, kDarkGray, TextAlign::kLeft};
const Font kLegendFont{6.4, false, false, kDarkGray, TextAlign::kLeft};
constexpr int kMaxLines = 9;  // of one paragraph on a card

struct TextLine {
  std::string text;
  Font font;
  std::optional<Verdict> mark;
  double gap_above = 0.0;
};

std::vector<TextLine> TextOf(const NoteCard& card) {
  std::vector<TextLine> lines;
  const std::vector<FigureText> now = FigureTexts(*card.note, card.target);
  std::vector<FigureText> before;
  if (card.before != nullptr) before = FigureTexts(*card.before, nullptr);
  for (std::size_t i = 0; i < now.size(); ++i) {
    lines.push_back(
        {now[i].name + ": " + now[i].verdict, kStrongFont, now[i].mark, i == 0 ? 0.0 : 3.0});
    std::string value = now[i].value;
    if (!now[i].target.empty()) value += "; " + now[i].target;
    lines.push_back({value, kTextFont, std::nullopt});
    if (i < before.size()) {
      lines.push_back({card.before_name + ": " + before[i].value, kFaintFont, std::nullopt});
    }
  }
  if (!card.note->advice.empty()) {
    lines.push_back({"To do: " + card.note->advice, kTextFont, std::nullopt, 4.0});
  }
  if (!card.note->reason.empty()) {
    lines.push_back({"Note: " + card.note->reason, kTextFont, std::nullopt, 4.0});
  }
  for (const Suspicion& suspicion : card.note->suspicions) {
    lines.push_back({"The photos suggest: " + suspicion.text, kTextFont, std::nullopt, 4.0});
  }
  for (const std::string& remark : card.remarks) {
    lines.push_back({remark, kTextFont, std::nullopt, 4.0});
  }
  return lines;
}

double MarkRoom(const TextLine& line) { return line.mark ? 11.0 : 0.0; }

double TextHeight(Drawing& drawing, const std::vector<TextLine>& lines, double width) {
  double height = 0.0;
  for (const TextLine& line : lines) {
    height += line.gap_above +
              drawing.TextHeight(line.text, width - MarkRoom(line), line.font, kMaxLines);
  }
  return height;
}

void DrawText(Drawing& drawing, const std::vector<TextLine>& lines, const Rect& box) {
  double y = box.top;
  for (const TextLine& line : lines) {
    y += line.gap_above;
    if (line.mark) {
      drawing.Mark(LookOf(*line.mark).shape,
                   {box.left + 4.0, y + 0.5 * drawing.LineHeight(line.font)}, 3.6, kBlack);
    }
    y += drawing.Text(line.text, {box.left + MarkRoom(line), y}, box.width - MarkRoom(line),
                      line.font, kMaxLines);
  }
}

void DrawPhoto(Drawing& drawing, const Rect& box, const NoteCard& card) {
  if (!card.picture_jpeg.empty() && drawing.Jpeg(card.picture_jpeg, box)) {
    drawing.StrokeBox(box, {0.5, kMidGray, {}});
    return;
  }
  drawing.FillBox(box, kPaleGray);
  drawing.StrokeBox(box, {0.5, kMidGray, {}});
  Font font = kFaintFont;
  font.align = TextAlign::kCenter;
  const std::string why = card.no_picture.empty() ? "No picture" : card.no_picture;
  const double height = drawing.TextHeight(why, box.width - 16.0, font, kMaxLines);
  drawing.Text(why, {box.left + 8.0, box.Center().y() - 0.5 * height}, box.width - 16.0, font,
               kMaxLines);
}

void DrawTitle(Drawing& drawing, const Rect& box, const NoteCard& card) {
  const double middle = box.top + 0.5 * kTitleHeight;
  const double name = drawing.LabelWidth(card.note->name, kNameFont);
  drawing.Label(card.note->name, {box.left + kPadding, middle}, kNameFont);
  const Verdict verdict = LeadingVerdict(*card.note);
  const double x = box.left + kPadding + name + 14.0;
  drawing.Mark(LookOf(verdict).shape, {x, middle}, 4.4, kBlack);
  drawing.Label(VerdictPhrase(*card.note), {x + 9.0, middle}, kPhraseFont);
}

double TextWidth(double width) { return width - 2.0 * (kPictureSide + kGap) - 2.0 * kPadding; }

void DrawSection(Drawing& drawing, const Rect& box, const NoteCard& card) {
  if (card.note->lateral_mm) {
    DrawCrossSection(drawing, box, {card.note, card.before, card.target});
  }
}

}  // namespace

double NoteCardHeight(Drawing& drawing, double width, const NoteCard& card) {
  const double text = TextHeight(drawing, TextOf(card), TextWidth(width));
  return kTitleHeight + std::max(kPictureSide, text) + 2.0 * kPadding;
}

void DrawNoteCard(Drawing& drawing, const Rect& box, const NoteCard& card) {
  drawing.FillBox({box.left, box.top, box.width, kTitleHeight}, kPaleGray);
  drawing.StrokeBox(box, {0.6, kMidGray, {}});
  DrawTitle(drawing, box, card);
  const double top = box.top + kTitleHeight + kPadding;
  Rect part{box.left + kPadding, top, kPictureSide, kPictureSide};
  DrawPhoto(drawing, part, card);
  part.left += kPictureSide + kGap;
  DrawSection(drawing, part, card);
  part.left += kPictureSide + kGap;
  part.width = TextWidth(box.width);
  DrawText(drawing, TextOf(card), part);
}

std::string NoteCardPicture(const NoteCard& card, const std::string& caption) {
  constexpr double kScale = 2.5;  // px per pt
  constexpr double kWidth = 600.0;
  constexpr double kTop = 52.0;
  constexpr double kPhotoSide = kCardPhoto_px / kScale;
  constexpr double kLeft = kPhotoSide + 2.0 * kPadding + 4.0;
  constexpr double kColumn = kWidth - kLeft - kPadding;
  const std::vector<TextLine> lines = TextOf(card);
  const auto blank = [&](double height) {
    return cv::Mat(static_cast<int>(std::ceil(height * kScale)), static_cast<int>(kWidth * kScale),
                   CV_8UC3, cv::Scalar::all(255));
  };
  // The cross-section takes what the text leaves beside the photo; the picture grows before it
  // would get too small to read.
  const double text = TextHeight(PixelPage(blank(1.0), kScale).Draw(), lines, kColumn);
  const double section =
      std::clamp(kPhotoSide - text - kPadding, 150.0, std::min(kColumn, kPhotoSide));
  const double height = kTop + std::max(kPhotoSide, section + kPadding + text) + 2.0 * kPadding;
  PixelPage page(blank(height), kScale);
  Drawing& drawing = page.Draw();
  drawing.FillBox({0.0, 0.0, kWidth, kTop}, kPaleGray);
  DrawTitle(drawing, {2.0, 2.0, kWidth, kTitleHeight}, card);
  drawing.Text(caption, {2.0 + kPadding, kTitleHeight + 4.0}, kWidth - 14.0, kTextFont, 1);
  drawing.Text(
      "Photo: solid line: tine as found; dashed: where it should point; ring: pole tip; arrow: "
      "lateral offset, five times enlarged. Section: disc: pole tip; circle: tine; ellipse: ± U (k "
      "= "
      "2); box: tolerance.",
      {2.0 + kPadding, kTitleHeight + 16.0}, kWidth - 14.0, kLegendFont, 2);
  DrawPhoto(drawing, {kPadding, kTop + kPadding, kPhotoSide, kPhotoSide}, card);
  DrawSection(drawing, {kLeft + 0.5 * (kColumn - section), kTop + kPadding, section, section},
              card);
  DrawText(drawing, lines, {kLeft, kTop + section + 2.0 * kPadding, kColumn, text});
  return EncodeJpeg(page.Picture(), 90);
}

}  // namespace tinesight

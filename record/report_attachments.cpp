// The report's part on attached pictures: what the technician photographed at the bench.
#include <algorithm>
#include <opencv2/imgproc.hpp>

#include "alignment/note_name.hpp"
#include "record/picture_file.hpp"
#include "record/report_sections.hpp"
#include "record/text_util.hpp"

namespace tinesight {
namespace {

constexpr int kLargestSide_px = 1000;  // 240 dpi at half of a page's width
constexpr double kGutter = 14.0;
constexpr double kTallest = 190.0;
constexpr double kCaptionGap = 3.0;
constexpr int kCaptionLines = 4;
const Font kCaptionFont{8.0, false, false, kBlack, TextAlign::kLeft};

std::string CaptionOf(const Attachment& attachment) {
  std::string text = attachment.caption.empty() ? attachment.name : attachment.caption;
  if (attachment.midi) text = NoteName(*attachment.midi) + ": " + text;
  if (!attachment.stamp.date.empty()) text += " (" + attachment.stamp.date + ")";
  return CleanText(text);
}

// As wide as its column or as tall as may be.
Rect BoxOf(const AttachedPicture& picture, double width) {
  const double height = std::min(width / picture.aspect, kTallest);
  return {0.0, 0.0, height * picture.aspect, height};
}

void AddRow(PageFlow& flow, const AttachedPicture* first, const AttachedPicture* last) {
  const double width = 0.5 * (flow.Width() - kGutter);
  double tallest = 0.0;
  double caption = 0.0;
  for (const AttachedPicture* picture = first; picture != last; ++picture) {
    tallest = std::max(tallest, BoxOf(*picture, width).height);
    caption = std::max(
        caption, flow.Draw().TextHeight(picture->caption, width, kCaptionFont, kCaptionLines));
  }
  flow.Block(tallest + kCaptionGap + caption, [&](Drawing& drawing, const Rect& row) {
    double left = row.left;
    for (const AttachedPicture* picture = first; picture != last; ++picture) {
      Rect box = BoxOf(*picture, width);
      box.left = left;
      box.top = row.top + tallest - box.height;
      drawing.Jpeg(picture->jpeg, box);
      drawing.StrokeBox(box, {0.5, kMidGray, {}});
      drawing.Text(picture->caption, {left, row.top + tallest + kCaptionGap}, width, kCaptionFont,
                   kCaptionLines);
      left += width + kGutter;
    }
  });
  flow.Gap(9.0);
}

}  // namespace

AttachedPictures CollectAttachedPictures(const ServiceRecord& record, const Visit& visit) {
  AttachedPictures attached;
  for (const Attachment& attachment : record.attachments) {
    const std::string caption = CaptionOf(attachment);
    if (attachment.visit_id && *attachment.visit_id != visit.id) {
      const Visit* other = record.FindVisit(*attachment.visit_id);
      attached.elsewhere.push_back(
          caption + (other == nullptr ? "" : ", at \"" + CleanText(other->name) + "\""));
      continue;
    }
    const Result<std::string> bytes = ReadAttachment(record.file, attachment.id);
    const Result<PlainPicture> picture = bytes.and_then([&](const std::string& stored) {
      return PictureWithoutMetadata(stored, attachment.name, kLargestSide_px);
    });
    if (!picture) {
      attached.elsewhere.push_back(caption + " (no picture that can be shown)");
      continue;
    }
    attached.shown.push_back(
        {picture->jpeg, static_cast<double>(picture->width_px) / picture->height_px, caption});
  }
  return attached;
}

void AddAttachments(PageFlow& flow, const ReportContext& context) {
  const std::vector<AttachedPicture>& shown = context.attached.shown;
  if (!shown.empty()) {
    const double width = 0.5 * (flow.Width() - kGutter);
    flow.Heading("Pictures from the bench", std::min(kTallest, width) + 40.0);
    for (std::size_t i = 0; i < shown.size(); i += 2) {
      AddRow(flow, &shown[i], &shown[i] + std::min<std::size_t>(2, shown.size() - i));
    }
  }
  if (context.attached.elsewhere.empty()) return;
  flow.Subheading("Also kept in the record");
  for (const std::string& text : context.attached.elsewhere) flow.Item(text);
}

}  // namespace tinesight

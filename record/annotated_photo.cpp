#include "record/annotated_photo.hpp"

#include <algorithm>
#include <cmath>
#include <opencv2/imgcodecs.hpp>
#include <optional>
#include <string_view>

#include "calibration/file_io.hpp"
#include "record/canvas.hpp"
#include "record/label_layout.hpp"
#include "record/note_overlay.hpp"
#include "record/overlay_style.hpp"
#include "record/text_util.hpp"

namespace tinesight {
namespace {

using Eigen::Vector2d;
using Eigen::Vector3d;

struct Label {
  Verdict verdict = Verdict::kNotMeasured;
  std::vector<LabelLine> lines;  // the first one has the mark before it
  Vector2d above_px;             // where a leader line from above ends
  Vector2d below_px;             // and one from below
};

class Annotator {
 public:
  Annotator(const cv::Mat& bgr, const PhotoMeasurement& photo, const VisitMeasurement& visit,
            const InstrumentProfile& profile)
      : canvas_(bgr),
        photo_(photo),
        visit_(visit),
        profile_(profile),
        projection_(photo),
        scale_(std::max(0.25, std::max(bgr.cols, bgr.rows) / kReferenceSizePx)) {}

  cv::Mat Draw() {
    for (const int midi : photo_.notes) {
      const auto note = std::find_if(visit_.notes.begin(), visit_.notes.end(),
                                     [&](const auto& n) { return n.midi == midi; });
      if (note == visit_.notes.end()) continue;
      if (note->lateral_mm) {
        DrawMeasured(*note);
      } else {
        AddUnmeasured(*note);
      }
    }
    VerdictCounts counts{};
    for (const Label& label : labels_) ++counts[static_cast<std::size_t>(label.verdict)];
    const double caption_bottom = DrawCaption(canvas_, scale_, photo_, counts);
    const double legend_top = DrawLegend(canvas_, scale_);
    DrawLabels(caption_bottom, legend_top);
    return canvas_.Picture();
  }

 private:
  void DrawMeasured(const NoteMeasurement& note) {
    const auto anchors = DrawNoteOverlay(canvas_, projection_, note, profile_.Find(note.midi),
                                         scale_, kOffsetArrowScale);
    if (!anchors) return;
    Label label = MeasuredLabel(note);
    label.above_px = anchors->above_px;
    label.below_px = anchors->below_px;
    labels_.push_back(std::move(label));
  }

  // On the evenly spaced row of the profile, moved to where the measured pickups are on average.
  Vector3d NominalPickup(int midi) const {
    const auto nominal = [&](int of_midi) {
      return Vector3d((of_midi - profile_.FirstMidi()) * profile_.note_spacing_mm, 0.0, 0.0);
    };
    Vector3d shift = Vector3d::Zero();
    int measured = 0;
    for (const NoteMeasurement& note : visit_.notes) {
      if (!note.lateral_mm) continue;
      shift += note.pickup_harp_mm - nominal(note.midi);
      ++measured;
    }
    return nominal(midi) + shift / std::max(1, measured);
  }

  void AddUnmeasured(const NoteMeasurement& note) {
    // Nothing was found, so the label points to where the measured ones say its pickup should be.
    const Vector3d nominal = NominalPickup(note.midi);
    const auto place = projection_.Project(nominal);
    if (!place || !projection_.OnPhoto(nominal)) return;
    Label label;
    const VerdictLook look = LookOf(label.verdict);
    label.lines = {{note.name, kNameSizePx, kWhite, true},
                   {"not", kTextSizePx, look.color, false},
                   {"measured", kTextSizePx, look.color, false}};
    label.above_px = *place;
    label.below_px = *place;
    canvas_.Mark(look.shape, *place, 18.0 * scale_, look.color);
    labels_.push_back(std::move(label));
  }

  static Label MeasuredLabel(const NoteMeasurement& note) {
    Label label;
    label.verdict = note.lateral_verdict;
    const std::string direction = LateralDirection(note.lateral_mm->value);
    const VerdictLook look = LookOf(label.verdict);
    label.lines = {
        {note.name, kNameSizePx, kWhite, true},
        {FixedDecimals(std::abs(note.lateral_mm->value), 2) + " " +
             (direction.empty() ? "mm" : direction.substr(std::string("toward ").size())),
         kTextSizePx, kWhite, false},
        {"± " + FixedDecimals(note.lateral_mm->expanded_u, 2) + " mm", kTextSizePx, kWhite, false},
        {VerdictWord(note.lateral_verdict, Quantity::kLateral), kTextSizePx, look.color, true}};
    const auto add_adjust = [&](Verdict verdict, Quantity quantity, const char* name) {
      if (verdict != Verdict::kOutOfTolerance) return;
      label.lines.push_back(
          {VerdictWord(verdict, quantity) + " " + name, kTextSizePx, LookOf(verdict).color, false});
    };
    add_adjust(note.height_verdict, Quantity::kHeight, "height");
    add_adjust(note.gap_verdict, Quantity::kGap, "gap");
    return label;
  }

  double MarkRoom(double shrink) const { return 1.1 * kNameSizePx * scale_ * shrink; }

  double LabelWidth(double shrink) {
    double width = 0.0;
    for (const Label& label : labels_) {
      for (const LabelLine& line : label.lines) {
        const double mark = &line == &label.lines.front() ? MarkRoom(shrink) : 0.0;
        width = std::max(
            width, mark + canvas_.TextWidth(line.text, line.size_px * scale_ * shrink, line.bold));
      }
    }
    return width + 2.0 * kPaddingPx * scale_ * shrink;
  }

  double LabelHeight(const Label& label, double shrink) const {
    double height = 1.5 * kPaddingPx;
    for (const LabelLine& line : label.lines) height += 1.15 * line.size_px;
    return height * scale_ * shrink;
  }

  struct Band {
    bool above = true;
    double edge_y_px = 0.0;  // the side toward the notes
    double row_height_px = 0.0;
    double row_gap_px = 0.0;
  };

  Band PlaceBand(double caption_bottom, double legend_top, double row_height, int rows) const {
    double highest = canvas_.Height();
    double lowest = 0.0;
    for (const Label& label : labels_) {
      highest = std::min(highest, label.above_px.y());
      lowest = std::max(lowest, label.below_px.y());
    }
    Band band;
    band.row_height_px = row_height;
    band.row_gap_px = 24.0 * scale_;
    const double height = rows * (row_height + band.row_gap_px);
    const double leader = 0.08 * canvas_.Height();
    band.above = highest - caption_bottom >= std::min(height + 0.5 * leader, legend_top - lowest);
    band.edge_y_px = band.above ? std::max(highest - leader, caption_bottom + height)
                                : std::min(lowest + leader, legend_top - height);
    return band;
  }

  void DrawLabels(double caption_bottom, double legend_top) {
    if (labels_.empty()) return;
    std::sort(labels_.begin(), labels_.end(),
              [](const Label& a, const Label& b) { return a.above_px.x() < b.above_px.x(); });
    LabelBand row{10.0 * scale_, canvas_.Width() - 10.0 * scale_, LabelWidth(1.0), 16.0 * scale_};
    const double shrink = LabelShrink(labels_.size(), row);
    row.label_width_px = LabelWidth(shrink);
    row.gap_px *= shrink;

    double row_height = 0.0;
    for (const Label& label : labels_) {
      row_height = std::max(row_height, LabelHeight(label, shrink));
    }
    std::vector<double> targets;
    for (const Label& label : labels_) targets.push_back(label.above_px.x());
    Band band = PlaceBand(caption_bottom, legend_top, row_height, 2);
    if (!band.above) {
      std::sort(labels_.begin(), labels_.end(),
                [](const Label& a, const Label& b) { return a.below_px.x() < b.below_px.x(); });
      targets.clear();
      for (const Label& label : labels_) targets.push_back(label.below_px.x());
    }
    const std::vector<LabelPlace> places = PlaceLabels(targets, row);
    for (std::size_t i = 0; i < labels_.size(); ++i) {
      DrawLeader(labels_[i], places[i], band);
    }
    for (std::size_t i = 0; i < labels_.size(); ++i) {
      DrawLabel(labels_[i], places[i], band, row.label_width_px, shrink);
    }
  }

  // y of the side of a row that looks toward the notes.
  static double RowEdge(const Band& band, int row) {
    const double offset = row * (band.row_height_px + band.row_gap_px);
    return band.above ? band.edge_y_px - offset : band.edge_y_px + offset;
  }

  void DrawLeader(const Label& label, const LabelPlace& place, const Band& band) {
    // Straight through the gap of the nearer row first, then over to the note.
    const LineStyle style{kWhite, std::max(1.0, 2.5 * scale_), {}, 0.6};
    canvas_.Polyline({{place.center_x_px, RowEdge(band, place.row)},
                      {place.center_x_px, band.edge_y_px},
                      band.above ? label.above_px : label.below_px},
                     style);
  }

  void DrawLabel(const Label& label, const LabelPlace& place, const Band& band, double width,
                 double shrink) {
    const double edge = RowEdge(band, place.row);
    const double height = LabelHeight(label, shrink);
    const double s = scale_ * shrink;
    const double left = place.center_x_px - 0.5 * width;
    double y = band.above ? edge - height : edge;
    canvas_.Box({left, y}, {width, height}, kBlack, 0.8, 10.0 * s);
    const VerdictLook look = LookOf(label.verdict);
    // A bar in the verdict's color on the side toward the note ties box and leader together.
    canvas_.Box({left, band.above ? edge - 6.0 * s : edge}, {width, 6.0 * s}, look.color, 1.0);
    y += 0.5 * kPaddingPx * s;
    double x = left + kPaddingPx * s;
    const double mark = 0.42 * kNameSizePx * s;
    canvas_.Mark(look.shape, {x + mark, y + 0.62 * kNameSizePx * s}, mark, look.color);
    for (const LabelLine& line : label.lines) {
      y += 1.15 * line.size_px * s;
      const bool first = &line == &label.lines.front();
      canvas_.Text(line.text, {x + (first ? MarkRoom(shrink) : 0.0), y - 0.2 * line.size_px * s},
                   line.size_px * s, line.color, line.bold);
    }
  }

  Canvas canvas_;
  const PhotoMeasurement& photo_;
  const VisitMeasurement& visit_;
  const InstrumentProfile& profile_;
  PhotoProjection projection_;
  double scale_;
  std::vector<Label> labels_;
};

}  // namespace

Result<cv::Mat> AnnotatePhoto(const cv::Mat& bgr, const PhotoMeasurement& photo,
                              const VisitMeasurement& visit, const InstrumentProfile& profile) {
  if (!photo.used) return Fail(photo.file + ": was refused, so there is nothing to draw on it");
  if (bgr.type() != CV_8UC3 || bgr.cols != photo.camera.width_px ||
      bgr.rows != photo.camera.height_px) {
    return Fail(photo.file + ": its size is not that of its camera, so nothing can be drawn on it");
  }
  return Annotator(bgr, photo, visit, profile).Draw();
}

Result<void> WriteJpeg(const cv::Mat& bgr, const std::filesystem::path& file) {
  std::vector<unsigned char> bytes;
  try {
    if (!cv::imencode(".jpg", bgr, bytes, {cv::IMWRITE_JPEG_QUALITY, 90})) {
      return Fail(file.string() + ": the picture cannot be encoded as JPEG");
    }
  } catch (const cv::Exception& error) {
    return Fail(file.string() + ": the picture cannot be encoded as JPEG: " + error.err);
  }
  return WriteFileAtomically(
      file, std::string_view(reinterpret_cast<const char*>(bytes.data()), bytes.size()));
}

}  // namespace tinesight

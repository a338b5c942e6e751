#include "record/cross_section.hpp"

#include <Eigen/Eigenvalues>
#include <algorithm>
#include <cmath>

#include "record/overlay_style.hpp"

namespace tinesight {
namespace {

using Eigen::Vector2d;

const Font kAxisFont{6.5, false, false, kDarkGray, TextAlign::kCenter};
constexpr double kEdgeRoom = 10.0;  // for the words at the four sides
// However far off a note is, the pole tip stays recognizable.
constexpr double kLargestHalfRange_mm = 8.0;

Vector2d PlaceOf(const NoteMeasurement& note, const NoteProfile* target) {
  const double height = note.height_mm      ? note.height_mm->value
                        : target != nullptr ? target->height_mm
                                            : 0.0;
  return {note.lateral_mm->value, height};
}

class SectionDrawer {
 public:
  SectionDrawer(Drawing& drawing, const Rect& box, const CrossSection& section)
      : drawing_(drawing), frame_(box.Inset(kEdgeRoom)), section_(section) {
    double half_mm = 0.75 * section.note->pole_tip_diameter_mm;
    const auto include = [&](const NoteMeasurement& note) {
      const Vector2d reach = PlaceOf(note, section.target).cwiseAbs() +
                             UncertaintyEllipse(note).cwiseAbs().rowwise().sum();
      half_mm = std::max(
          {half_mm, reach.x(), reach.y(),
           PlaceOf(note, section.target).cwiseAbs().maxCoeff() + 0.5 * note.tine_diameter_mm});
    };
    include(*section.note);
    if (HasBefore()) include(*section.before);
    if (section.target != nullptr) {
      half_mm = std::max(half_mm,
                         std::abs(section.target->height_mm) + section.target->tolerance_height_mm);
      half_mm = std::max(half_mm, section.target->tolerance_lateral_mm);
    }
    half_mm = std::min(1.08 * half_mm, kLargestHalfRange_mm);
    scale_ = 0.5 * std::min(frame_.width, frame_.height) / half_mm;
  }

  void Draw() {
    drawing_.PushClip(frame_);
    DrawPickup();
    DrawTolerance();
    if (HasBefore()) DrawTine(*section_.before, {0.7, kMidGray, {2.0, 1.6}});
    DrawTine(*section_.note, {1.3, kBlack, {}});
    drawing_.StrokeEllipse(At(PlaceOf(*section_.note, section_.target)),
                           OnPage(UncertaintyEllipse(*section_.note)), {0.8, kBlack, {}});
    const VerdictLook look = LookOf(section_.note->lateral_verdict);
    drawing_.Mark(look.shape, At(PlaceOf(*section_.note, section_.target)), 3.0, kBlack);
    drawing_.PopClip();
    drawing_.StrokeBox(frame_, {0.5, kMidGray, {}});
    DrawWords();
  }

 private:
  [[nodiscard]] bool HasBefore() const {
    return section_.before != nullptr && section_.before->lateral_mm;
  }
  [[nodiscard]] Vector2d At(const Vector2d& mm) const {
    return frame_.Center() + scale_ * Vector2d(mm.x(), -mm.y());
  }
  [[nodiscard]] Eigen::Matrix2d OnPage(const Eigen::Matrix2d& axes_mm) const {
    Eigen::Matrix2d axes = scale_ * axes_mm;
    axes.row(1) *= -1.0;
    return axes;
  }

  void DrawPickup() {
    const double radius = 0.5 * section_.note->pole_tip_diameter_mm * scale_;
    drawing_.FillCircle(At({0.0, 0.0}), radius, kLightGray);
    drawing_.StrokeEllipse(At({0.0, 0.0}), Vector2d(radius, radius), {0.7, kDarkGray, {}});
    const Stroke axis{0.4, kMidGray, {}};
    const Vector2d center = At({0.0, 0.0});
    drawing_.Line({frame_.left, center.y()}, {frame_.Right(), center.y()}, axis);
    drawing_.Line({center.x(), frame_.top}, {center.x(), frame_.Bottom()}, axis);
  }

  void DrawTolerance() {
    if (section_.target == nullptr) return;
    const NoteProfile& target = *section_.target;
    const Vector2d corner =
        At({-target.tolerance_lateral_mm, target.height_mm + target.tolerance_height_mm});
    drawing_.StrokeBox({corner.x(), corner.y(), 2.0 * target.tolerance_lateral_mm * scale_,
                        2.0 * target.tolerance_height_mm * scale_},
                       {0.8, kBlack, {4.0, 2.0}});
  }

  void DrawTine(const NoteMeasurement& note, const Stroke& stroke) {
    const double radius = 0.5 * note.tine_diameter_mm * scale_;
    drawing_.StrokeEllipse(At(PlaceOf(note, section_.target)), Vector2d(radius, radius), stroke);
  }

  void DrawWords() {
    drawing_.Label("up (as played)", {frame_.Center().x(), frame_.top - 5.0}, kAxisFont);
    Font font = kAxisFont;
    const double below = frame_.Bottom() + 5.0;
    font.align = TextAlign::kLeft;
    drawing_.Label("bass", {frame_.left, below}, font);
    font.align = TextAlign::kRight;
    drawing_.Label("treble", {frame_.Right(), below}, font);
    // A bar of 1 mm, with its length said beside it.
    const std::string length = "1 mm";
    const double text = drawing_.LabelWidth(length, kAxisFont);
    const double left = frame_.Center().x() - 0.5 * (scale_ + 3.0 + text);
    const Stroke bar{1.0, kBlack, {}};
    drawing_.Line({left, below}, {left + scale_, below}, bar);
    drawing_.Line({left, below - 2.0}, {left, below + 2.0}, bar);
    drawing_.Line({left + scale_, below - 2.0}, {left + scale_, below + 2.0}, bar);
    font.align = TextAlign::kLeft;
    drawing_.Label(length, {left + scale_ + 3.0, below}, font);
    if (!section_.note->height_mm) {
      font.align = TextAlign::kCenter;
      font.color = kBlack;
      drawing_.Label("height not measured", {frame_.Center().x(), frame_.Bottom() - 6.0}, font);
    }
  }

  Drawing& drawing_;
  Rect frame_;
  const CrossSection& section_;
  double scale_ = 1.0;  // pt per mm
};

}  // namespace

Eigen::Matrix2d UncertaintyEllipse(const NoteMeasurement& note) {
  Eigen::Matrix2d axes = Eigen::Matrix2d::Zero();
  if (note.covariance && note.lateral_mm && note.height_mm) {
    const Eigen::SelfAdjointEigenSolver<Eigen::Matrix2d> solver(
        Eigen::Matrix2d(note.covariance->topLeftCorner<2, 2>()));
    return solver.eigenvectors() *
           (2.0 * solver.eigenvalues().cwiseMax(0.0).cwiseSqrt()).asDiagonal();
  }
  if (note.lateral_mm) axes(0, 0) = note.lateral_mm->expanded_u;
  if (note.height_mm) axes(1, 1) = note.height_mm->expanded_u;
  return axes;
}

void DrawCrossSection(Drawing& drawing, const Rect& box, const CrossSection& section) {
  SectionDrawer(drawing, box, section).Draw();
}

}  // namespace tinesight

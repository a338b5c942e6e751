#include <algorithm>
#include <cmath>
#include <filesystem>
#include <string>
#include <vector>

#include "record/text_util.hpp"
#include "viewer/photo_overlay.hpp"
#include "viewer/verdict_look.hpp"
#include "viewer/window/panels.hpp"

namespace tinesight {
namespace {

// The colors of the annotated photos (record/overlay_style.hpp), on photos in both themes.
constexpr std::uint32_t kFound = 0xE69F00;
constexpr std::uint32_t kIdeal = 0x56B4E9;
constexpr std::uint32_t kRing = 0xF0E442;

class PhotoStage {
 public:
  PhotoStage(PanelContext& context, const Area& area, const PhotoMeasurement& photo,
             std::size_t index)
      : c_(context),
        t_(context.theme),
        draw_(*ImGui::GetWindowDrawList()),
        area_(area),
        photo_(photo),
        overlays_(OverlaysOf(photo, context.session.CurrentVisit().MeasurementOfPhoto(index),
                             context.session.Profile())) {}

  void Draw(bool hovered) {
    ViewState& state = c_.state;
    if (state.zoomed_photo != c_.session.PhotoIndex()) FrameNoteInPhoto(c_.session, state);
    if (hovered) Interact();
    KeepInArea(state.photo, SizeOf(photo_), state.stage_px);
    draw_.PushClipRect(area_.corner, area_.End(), true);
    DrawPicture();
    if (state.overlay) {
      for (const NoteOverlay& overlay : overlays_) {
        if (overlay.midi != c_.session.Midi()) DrawOther(overlay);
      }
      for (const NoteOverlay& overlay : overlays_) {
        if (overlay.midi == c_.session.Midi()) DrawSelected(overlay);
      }
    }
    DrawCaption();
    draw_.PopClipRect();
  }

 private:
  ImVec2 At(const Eigen::Vector2d& photo_px) const {
    const Eigen::Vector2d p = c_.state.photo.ToScreen(photo_px);
    return {area_.corner.x + static_cast<float>(p.x()), area_.corner.y + static_cast<float>(p.y())};
  }

  void Interact() {
    const ImGuiIO& io = ImGui::GetIO();
    const Eigen::Vector2d cursor(io.MousePos.x - area_.corner.x, io.MousePos.y - area_.corner.y);
    if (io.MouseWheel != 0.0F) {
      ZoomPhoto(c_.state.photo, cursor, std::pow(1.2, static_cast<double>(io.MouseWheel)),
                SizeOf(photo_), c_.state.stage_px);
    }
    if (ImGui::IsMouseDragging(0, 3.0F) || ImGui::IsMouseDragging(1, 1.0F) ||
        ImGui::IsMouseDragging(2, 1.0F)) {
      c_.state.photo.origin_px += Eigen::Vector2d(io.MouseDelta.x, io.MouseDelta.y);
    }
    const bool clicked = ImGui::IsMouseReleased(0) &&
                         io.MouseDragMaxDistanceSqr[0] < 9.0F * t_.scale * t_.scale;
    const int under = NoteAt(overlays_, c_.state.photo.ToPhoto(cursor),
                             t_.Px(9.0) / c_.state.photo.scale);
    if (under != 0) ImGui::SetMouseCursor(ImGuiMouseCursor_Hand);
    if (clicked && under != 0 && under != c_.session.Midi()) {
      // Where one looks stays where it is.
      const auto zoomed = c_.state.zoomed_photo;
      const auto shown = c_.session.PhotoIndex();
      c_.session.SelectNote(under);
      if (shown) c_.session.SelectPhoto(*shown);
      c_.state.zoomed_photo = zoomed;
    }
  }

  void DrawPicture() {
    draw_.AddRectFilled(area_.corner, area_.End(), t_.palette.stage);
    if (const GlTexture* texture = c_.shelf.Shown()) {
      const Eigen::Vector2d low = Eigen::Vector2d(-0.5, -0.5);
      draw_.AddImage(texture->ForImGui(), At(low), At(SizeOf(photo_) + low));
      return;
    }
    const auto index = c_.session.PhotoIndex();
    const std::string problem = index ? c_.shelf.Store().Problem(*index) : "";
    const std::string text =
        problem.empty() ? "loading " + std::filesystem::path(photo_.file).filename().string() + " …"
                        : problem + "; start `tinesight view` with --photos FOLDER";
    draw_.AddText(t_.fonts.text, t_.fonts.text->FontSize,
                  ImVec2(area_.corner.x + t_.Px(24.0), area_.corner.y + 0.5F * area_.size.y),
                  problem.empty() ? t_.palette.muted : t_.palette.text, text.c_str(), nullptr,
                  area_.size.x - t_.Px(48.0));
  }

  // A line with a dark rim, which stays visible on anything.
  void Line(const Segment& s, ImU32 color, double width) {
    draw_.AddLine(At(s[0]), At(s[1]), IM_COL32(0, 0, 0, 130), t_.Px(width + 2.0));
    draw_.AddLine(At(s[0]), At(s[1]), color, t_.Px(width));
  }

  void Dashed(const Segment& s, ImU32 color, double width, double on, double off) {
    const ImVec2 a = At(s[0]);
    const ImVec2 b = At(s[1]);
    const float length = std::hypot(b.x - a.x, b.y - a.y);
    if (!(length > 0.0F) || length > 20000.0F) return;
    const ImVec2 unit((b.x - a.x) / length, (b.y - a.y) / length);
    const float step = t_.Px(on + off);
    for (float from = 0.0F; from < length; from += step) {
      const float to = std::min(length, from + t_.Px(on));
      const ImVec2 p(a.x + unit.x * from, a.y + unit.y * from);
      const ImVec2 q(a.x + unit.x * to, a.y + unit.y * to);
      draw_.AddLine(p, q, IM_COL32(0, 0, 0, 130), t_.Px(width + 2.0));
      draw_.AddLine(p, q, color, t_.Px(width));
    }
  }

  void Ring(const std::vector<Eigen::Vector2d>& ring, ImU32 color, double width) {
    std::vector<ImVec2> points;
    points.reserve(ring.size());
    for (const Eigen::Vector2d& p : ring) points.push_back(At(p));
    const auto count = static_cast<int>(points.size());
    draw_.AddPolyline(points.data(), count, IM_COL32(0, 0, 0, 130), ImDrawFlags_Closed,
                      t_.Px(width + 2.0));
    draw_.AddPolyline(points.data(), count, color, ImDrawFlags_Closed, t_.Px(width));
  }

  Verdict VerdictOfNote(int midi) const {
    const NoteMeasurement* note = c_.session.CurrentVisit().Find(midi);
    return note != nullptr ? note->lateral_verdict : Verdict::kNotMeasured;
  }

  // The mark stands beyond the ring, on the side away from the tine, so that it hides neither.
  ImVec2 MarkPlace(const NoteOverlay& overlay) const {
    double top = overlay.pickup.y();
    for (const Eigen::Vector2d& p : overlay.target_ring) top = std::min(top, p.y());
    const ImVec2 p = At(Eigen::Vector2d(overlay.pickup.x(), top));
    return {p.x, p.y - t_.Px(16.0)};
  }

  void DrawOther(const NoteOverlay& overlay) {
    const Verdict verdict = VerdictOfNote(overlay.midi);
    draw_.AddLine(At(overlay.found[0]), At(overlay.prolonged[1]), WithOpacity(Ink(kFound), 0.55),
                  t_.Px(1.0));
    const ImVec2 mark = MarkPlace(overlay);
    const ImU32 color = Ink(StyleOnPhoto(verdict));
    draw_.AddCircleFilled(mark, t_.Px(8.5), IM_COL32(0, 0, 0, 120), 24);
    DrawMark(draw_, verdict, mark, t_.Px(5.0), color);
    const std::string name = DisplayName(overlay.midi);
    ImFont* font = t_.fonts.small;
    const ImVec2 size = font->CalcTextSizeA(font->FontSize, FLT_MAX, 0.0F, name.c_str());
    const ImVec2 corner(mark.x - 0.5F * size.x, mark.y - t_.Px(11.0) - size.y);
    draw_.AddRectFilled(ImVec2(corner.x - t_.Px(3.0), corner.y),
                        ImVec2(corner.x + size.x + t_.Px(3.0), corner.y + size.y),
                        IM_COL32(0, 0, 0, 120), t_.Px(3.0));
    draw_.AddText(font, font->FontSize, corner, IM_COL32(255, 255, 255, 220), name.c_str());
  }

  static std::uint32_t StyleOnPhoto(Verdict verdict);

  void DrawSelected(const NoteOverlay& overlay) {
    const ImU32 found = Ink(kFound);
    for (const Segment& edge : overlay.edges) {
      draw_.AddLine(At(edge[0]), At(edge[1]), WithOpacity(found, 0.85), t_.Px(1.0));
    }
    Dashed(overlay.ideal, Ink(kIdeal), 2.0, 9.0, 6.0);
    Dashed(overlay.prolonged, found, 2.0, 4.0, 3.0);
    Line(overlay.found, found, 2.0);
    Ring(overlay.target_ring, Ink(kRing), 2.0);
    DrawArrow(c_.state.magnified_arrow ? overlay.magnified : overlay.offset);
    const Verdict verdict = VerdictOfNote(overlay.midi);
    const ImVec2 mark = MarkPlace(overlay);
    draw_.AddCircleFilled(mark, t_.Px(13.0), IM_COL32(0, 0, 0, 150), 32);
    DrawMark(draw_, verdict, mark, t_.Px(8.0), Ink(StyleOnPhoto(verdict)));
    DrawLabel(overlay, verdict, mark);
  }

  void DrawArrow(const Segment& arrow) {
    const ImVec2 a = At(arrow[0]);
    const ImVec2 b = At(arrow[1]);
    const float length = std::hypot(b.x - a.x, b.y - a.y);
    if (length < 1.0F) return;
    const ImVec2 unit((b.x - a.x) / length, (b.y - a.y) / length);
    const float head = std::min(t_.Px(11.0), 0.6F * length);
    const ImVec2 neck(b.x - unit.x * head, b.y - unit.y * head);
    const auto side = [&](float s) {
      return ImVec2(neck.x - s * 0.5F * head * unit.y, neck.y + s * 0.5F * head * unit.x);
    };
    draw_.AddLine(a, neck, IM_COL32(0, 0, 0, 160), t_.Px(5.0));
    draw_.AddLine(a, neck, IM_COL32_WHITE, t_.Px(3.0));
    draw_.AddTriangleFilled(b, side(1.0F), side(-1.0F), IM_COL32_WHITE);
    draw_.AddTriangle(b, side(1.0F), side(-1.0F), IM_COL32(0, 0, 0, 160), t_.Px(1.0));
  }

  void DrawLabel(const NoteOverlay& overlay, Verdict verdict, ImVec2 mark) {
    const NoteMeasurement* note = c_.session.CurrentVisit().Find(overlay.midi);
    if (note == nullptr || !note->lateral_mm) return;
    const std::string name = DisplayName(overlay.midi) + "  " + VerdictWord(verdict, Quantity::kLateral);
    const std::string figure = MeasuredText(*note->lateral_mm, ChartQuantity::kLateral) + ' ' +
                               LateralDirection(note->lateral_mm->value);
    const ImVec2 wide =
        t_.fonts.bold->CalcTextSizeA(t_.fonts.bold->FontSize, FLT_MAX, 0.0F, figure.c_str());
    // Beside the mark, and inside the picture.
    ImVec2 corner(mark.x + t_.Px(20.0), mark.y - t_.Px(24.0));
    if (corner.x + wide.x + t_.Px(20.0) > area_.End().x) {
      corner.x = mark.x - t_.Px(34.0) - wide.x;
    }
    corner.x = std::max(corner.x, area_.corner.x + t_.Px(6.0));
    corner.y = std::clamp(corner.y, area_.corner.y + t_.Px(34.0), area_.End().y - t_.Px(90.0));
    draw_.AddRectFilled(corner,
                        ImVec2(corner.x + wide.x + t_.Px(16.0), corner.y + t_.Px(44.0)),
                        IM_COL32(0, 0, 0, 175), t_.Px(5.0));
    draw_.AddText(t_.fonts.bold, t_.fonts.bold->FontSize,
                  ImVec2(corner.x + t_.Px(8.0), corner.y + t_.Px(4.0)),
                  Ink(StyleOnPhoto(verdict)), name.c_str());
    draw_.AddText(t_.fonts.text, t_.fonts.text->FontSize,
                  ImVec2(corner.x + t_.Px(8.0), corner.y + t_.Px(23.0)), IM_COL32_WHITE,
                  figure.c_str());
  }

  void DrawCaption() {
    const auto& photos = c_.session.PhotosOfSelection();
    const auto here = std::find(photos.begin(), photos.end(), c_.session.PhotoIndex().value_or(0));
    std::string text = std::filesystem::path(photo_.file).filename().string();
    if (here != photos.end() && photos.size() > 1) {
      text += "   photo " + std::to_string(here - photos.begin() + 1) + " of " +
              std::to_string(photos.size()) + " of this note";
    }
    text += "   " + std::to_string(static_cast<int>(std::lround(100.0 * c_.state.photo.scale))) + " %";
    Tag(draw_, t_, t_.fonts.small,
        ImVec2(area_.corner.x + t_.Px(8.0), area_.corner.y + t_.Px(8.0)), text, t_.palette.text);
    if (!c_.state.overlay) return;
    DrawLegend();
  }

  void DrawLegend() {
    struct Item {
      std::uint32_t color;
      const char* text;
    };
    const Item items[] = {{kFound, "as it is"},
                          {kIdeal, "as it should be"},
                          {kRing, "pole tip"},
                          {0xFFFFFF, c_.state.magnified_arrow ? "offset ×10" : "offset, true"}};
    ImFont* font = t_.fonts.small;
    float x = area_.corner.x + t_.Px(8.0);
    const float y = area_.End().y - t_.Px(28.0);
    float width = t_.Px(8.0);
    for (const Item& item : items) {
      width += font->CalcTextSizeA(font->FontSize, FLT_MAX, 0.0F, item.text).x + t_.Px(38.0);
    }
    draw_.AddRectFilled(ImVec2(x, y), ImVec2(x + width, y + t_.Px(20.0)), IM_COL32(0, 0, 0, 150),
                        t_.Px(4.0));
    x += t_.Px(8.0);
    for (const Item& item : items) {
      draw_.AddLine(ImVec2(x, y + t_.Px(10.0)), ImVec2(x + t_.Px(18.0), y + t_.Px(10.0)),
                    Ink(item.color), t_.Px(3.0));
      x += t_.Px(24.0);
      draw_.AddText(font, font->FontSize, ImVec2(x, y + t_.Px(3.0)), IM_COL32_WHITE, item.text);
      x += font->CalcTextSizeA(font->FontSize, FLT_MAX, 0.0F, item.text).x + t_.Px(14.0);
    }
  }

  PanelContext& c_;
  const Theme& t_;
  ImDrawList& draw_;
  Area area_;
  const PhotoMeasurement& photo_;
  std::vector<NoteOverlay> overlays_;
};

std::uint32_t PhotoStage::StyleOnPhoto(Verdict verdict) { return StyleOf(verdict).on_dark; }

}  // namespace

void DrawPhotoStage(PanelContext& context, const Area& area) {
  const auto index = context.session.PhotoIndex();
  const Theme& t = context.theme;
  ImDrawList& draw = *ImGui::GetWindowDrawList();
  if (!index || !context.session.CurrentVisit().measurement.photos[*index].used) {
    draw.AddRectFilled(area.corner, area.End(), t.palette.stage);
    Tag(draw, t, t.fonts.text, ImVec2(area.corner.x + t.Px(24.0), area.corner.y + t.Px(24.0)),
        "No photo of this visit could be used.", t.palette.text);
    return;
  }
  PhotoStage stage(context, area, context.session.CurrentVisit().measurement.photos[*index],
                   *index);
  stage.Draw(ImGui::IsWindowHovered());
}

}  // namespace tinesight

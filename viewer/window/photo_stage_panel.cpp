#include <algorithm>
#include <array>
#include <cfloat>
#include <cmath>
#include <filesystem>
#include <optional>
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

// In ImGui's storage of the stage: the handle that is held, −1 for none.
constexpr ImGuiID kHeldHandle = 200;

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
    const bool held = state.placing && hovered && DragHandles();
    if (hovered && !held) Interact();
    KeepInArea(state.photo, SizeOf(photo_), state.stage_px);
    draw_.PushClipRect(area_.corner, area_.End(), true);
    DrawPicture();
    if (state.overlay) {
      DrawLegend();
      for (const NoteOverlay& overlay : overlays_) {
        if (overlay.midi != c_.session.Midi()) DrawOther(overlay);
      }
      for (const NoteOverlay& overlay : overlays_) {
        if (overlay.midi == c_.session.Midi()) DrawSelected(overlay);
      }
    }
    if (state.placing) DrawHandles();
    DrawCaption();
    draw_.PopClipRect();
  }

 private:
  // Where the handles are: as they are being dragged, as they were placed, or as it was measured.
  std::optional<HandMark> Mark() const {
    if (c_.state.dragged) return c_.state.dragged;
    const auto index = c_.session.PhotoIndex();
    auto placed = index ? c_.session.MarkOf(*index) : std::nullopt;
    if (placed) return placed;
    const auto overlay = std::find_if(overlays_.begin(), overlays_.end(), [this](const auto& o) {
      return o.midi == c_.session.Midi();
    });
    if (overlay == overlays_.end()) return std::nullopt;
    HandMark mark;
    mark.axis_px = {overlay->found[0] + 0.2 * (overlay->found[1] - overlay->found[0]),
                    overlay->found[1]};
    return mark;
  }

  std::array<Eigen::Vector2d, 3> HandlePlaces(const HandMark& mark) const {
    Eigen::Vector2d pickup = mark.axis_px[1];
    for (const NoteOverlay& overlay : overlays_) {
      if (overlay.midi == c_.session.Midi()) pickup = overlay.pickup;
    }
    return {mark.axis_px[0], mark.axis_px[1], mark.pickup_px.value_or(pickup)};
  }

  // True: a handle is held or was let go, and the mouse is not for the photo.
  bool DragHandles() {
    const auto mark = Mark();
    if (!mark) return false;
    const ImGuiIO& io = ImGui::GetIO();
    const Eigen::Vector2d cursor = c_.state.photo.ToPhoto(
        Eigen::Vector2d(io.MousePos.x - area_.corner.x, io.MousePos.y - area_.corner.y));
    const auto places = HandlePlaces(*mark);
    int& held = *ImGui::GetStateStorage()->GetIntRef(kHeldHandle, -1);
    if (ImGui::IsMouseClicked(0)) {
      held = -1;
      double nearest = t_.Px(14.0) / c_.state.photo.scale;
      for (std::size_t i = 0; i < places.size(); ++i) {
        const double distance = (places[i] - cursor).norm();
        if (distance > nearest) continue;
        nearest = distance;
        held = static_cast<int>(i);
      }
      if (held >= 0) c_.state.dragged = mark;
      // How the cursor came here is no part of the drag.
      return held >= 0;
    }
    if (held < 0 || !c_.state.dragged) return false;
    if (!io.MouseDown[0]) {
      LetGo();
      held = -1;
      return true;
    }
    // Relative, and finer with Shift, so that grabbing a handle off its middle moves nothing.
    const double fine = io.KeyShift ? 0.2 : 1.0;
    const auto index = static_cast<std::size_t>(held);
    const Eigen::Vector2d to =
        places[index] +
        fine / c_.state.photo.scale * Eigen::Vector2d(io.MouseDelta.x, io.MouseDelta.y);
    if (index < 2) {
      c_.state.dragged->axis_px[index] = to;
    } else {
      c_.state.dragged->pickup_px = to;
    }
    return true;
  }

  void LetGo() {
    const HandMark mark = *c_.state.dragged;
    c_.state.dragged.reset();
    const auto done = c_.session.PlaceByHand(*c_.session.PhotoIndex(), mark);
    c_.state.message = done ? DisplayName(c_.session.Midi()) +
                                  ": figures from what was placed by hand; Shift+E takes it back"
                            : done.error().message;
    c_.state.message_is_failure = !done;
    RebuildModel(c_.session, c_.state);
  }

  void DrawHandles() {
    const auto mark = Mark();
    if (!mark) return;
    const auto places = HandlePlaces(*mark);
    draw_.AddLine(At(places[0]), At(places[1]), IM_COL32_WHITE, t_.Px(1.0));
    for (std::size_t i = 0; i < places.size(); ++i) {
      const ImVec2 p = At(places[i]);
      const float r = t_.Px(i == 2 ? 9.0 : 7.0);
      draw_.AddCircle(p, r, IM_COL32(0, 0, 0, 200), 24, t_.Px(4.0));
      draw_.AddCircle(p, r, t_.palette.accent, 24, t_.Px(2.0));
      draw_.AddLine(ImVec2(p.x - r, p.y), ImVec2(p.x + r, p.y), t_.palette.accent);
      draw_.AddLine(ImVec2(p.x, p.y - r), ImVec2(p.x, p.y + r), t_.palette.accent);
    }
    const int held = ImGui::GetStateStorage()->GetInt(kHeldHandle, -1);
    if (c_.state.dragged && held >= 0) DrawMagnifier(places[static_cast<std::size_t>(held)]);
  }

  // What is under the held handle, large, in the corner away from it.
  void DrawMagnifier(const Eigen::Vector2d& place) {
    const GlTexture* texture = c_.shelf.Shown();
    if (texture == nullptr) return;
    const float side = t_.Px(190.0);
    const bool at_left = At(place).x > area_.corner.x + 0.5F * area_.size.x;
    const ImVec2 corner(at_left ? area_.corner.x + t_.Px(10.0) : area_.End().x - side - t_.Px(10.0),
                        area_.corner.y + t_.Px(40.0));
    const double half = 0.5 * side / std::max(4.0, 3.0 * c_.state.photo.scale);
    const Eigen::Vector2d size = SizeOf(photo_);
    const auto uv = [&](double x, double y) {
      return ImVec2(static_cast<float>((x + 0.5) / size.x()),
                    static_cast<float>((y + 0.5) / size.y()));
    };
    const ImVec2 end(corner.x + side, corner.y + side);
    draw_.AddImage(texture->ForImGui(), corner, end, uv(place.x() - half, place.y() - half),
                   uv(place.x() + half, place.y() + half));
    const ImVec2 middle(corner.x + 0.5F * side, corner.y + 0.5F * side);
    const ImU32 hair = WithOpacity(t_.palette.accent, 0.7);
    draw_.AddLine(ImVec2(corner.x, middle.y), ImVec2(end.x, middle.y), hair);
    draw_.AddLine(ImVec2(middle.x, corner.y), ImVec2(middle.x, end.y), hair);
    draw_.AddRect(corner, end, t_.palette.accent, t_.Px(4.0), 0, t_.Px(2.0));
  }

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
    const bool clicked =
        ImGui::IsMouseReleased(0) && io.MouseDragMaxDistanceSqr[0] < 9.0F * t_.scale * t_.scale;
    const int under =
        NoteAt(overlays_, c_.state.photo.ToPhoto(cursor), t_.Px(9.0) / c_.state.photo.scale);
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
    DrawLabel(overlay.midi, verdict);
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

  // In the lower right corner, over the legend: beside its mark it would hide the neighbors' marks.
  void DrawLabel(int midi, Verdict verdict) {
    const NoteMeasurement* note = c_.session.CurrentVisit().Find(midi);
    if (note == nullptr || !note->lateral_mm) return;
    const std::string name = DisplayName(midi) + "  " + VerdictWord(verdict, Quantity::kLateral);
    const std::string figure = MeasuredText(*note->lateral_mm, ChartQuantity::kLateral) + ' ' +
                               LateralDirection(note->lateral_mm->value);
    const float width = t_.Px(16.0) + std::max(WidthOf(t_.fonts.bold, name.c_str()),
                                               WidthOf(t_.fonts.text, figure.c_str()));
    const float line = t_.fonts.text->FontSize + t_.Px(3.0);
    ImVec2 corner(area_.End().x - width - t_.Px(8.0),
                  area_.End().y - 2.0F * line - t_.Px(8.0 + 6.0));
    if (corner.x < legend_end_.x + t_.Px(8.0)) corner.y -= area_.End().y - legend_end_.y;
    draw_.AddRectFilled(corner, ImVec2(corner.x + width, corner.y + 2.0F * line + t_.Px(6.0)),
                        IM_COL32(0, 0, 0, 175), t_.Px(5.0));
    const float x = corner.x + t_.Px(8.0);
    draw_.AddText(t_.fonts.bold, t_.fonts.bold->FontSize, ImVec2(x, corner.y + t_.Px(3.0)),
                  Ink(StyleOnPhoto(verdict)), name.c_str());
    draw_.AddText(t_.fonts.text, t_.fonts.text->FontSize, ImVec2(x, corner.y + t_.Px(3.0) + line),
                  IM_COL32_WHITE, figure.c_str());
  }

  static float WidthOf(ImFont* font, const char* text) {
    return font->CalcTextSizeA(font->FontSize, FLT_MAX, 0.0F, text).x;
  }

  void DrawCaption() {
    const auto& photos = c_.session.PhotosOfSelection();
    const auto here = std::find(photos.begin(), photos.end(), c_.session.PhotoIndex().value_or(0));
    std::string text = std::filesystem::path(photo_.file).filename().string();
    if (here != photos.end() && photos.size() > 1) {
      text += "   photo " + std::to_string(here - photos.begin() + 1) + " of " +
              std::to_string(photos.size()) + " of this note";
    }
    text +=
        "   " + std::to_string(static_cast<int>(std::lround(100.0 * c_.state.photo.scale))) + " %";
    Tag(draw_, t_, t_.fonts.small, ImVec2(area_.corner.x + t_.Px(8.0), area_.corner.y + t_.Px(8.0)),
        text, t_.palette.text);
  }

  // In the lower left corner, in as many rows as the width asks for.
  void DrawLegend() {
    struct Item {
      std::uint32_t color;
      const char* text;
    };
    const std::array items = {
        Item{kFound, "as it is"}, Item{kIdeal, "as it should be"}, Item{kRing, "pole tip"},
        Item{0xFFFFFF, c_.state.magnified_arrow ? "offset ×10" : "offset, true"}};
    ImFont* font = t_.fonts.small;
    const float row = t_.Px(20.0);
    const float most = area_.size.x - t_.Px(16.0);
    std::vector<ImVec2> places;  // from the legend's upper left corner
    ImVec2 next(t_.Px(8.0), 0.0F);
    float width = 0.0F;
    for (const Item& item : items) {
      const float wide = t_.Px(38.0) + WidthOf(font, item.text);
      if (!places.empty() && next.x + wide > most) next = ImVec2(t_.Px(8.0), next.y + row);
      places.push_back(next);
      next.x += wide;
      width = std::max(width, next.x);
    }
    const ImVec2 corner(area_.corner.x + t_.Px(8.0), area_.End().y - next.y - row - t_.Px(8.0));
    legend_end_ = ImVec2(corner.x + width, corner.y);
    draw_.AddRectFilled(corner, ImVec2(corner.x + width, corner.y + next.y + row),
                        IM_COL32(0, 0, 0, 150), t_.Px(4.0));
    for (std::size_t i = 0; i < items.size(); ++i) {
      const ImVec2 at(corner.x + places[i].x, corner.y + places[i].y);
      const float middle = at.y + 0.5F * row;
      draw_.AddLine(ImVec2(at.x, middle), ImVec2(at.x + t_.Px(18.0), middle), Ink(items[i].color),
                    t_.Px(3.0));
      draw_.AddText(font, font->FontSize,
                    ImVec2(at.x + t_.Px(24.0), middle - 0.5F * font->FontSize), IM_COL32_WHITE,
                    items[i].text);
    }
  }

  PanelContext& c_;
  const Theme& t_;
  ImDrawList& draw_;
  Area area_;
  const PhotoMeasurement& photo_;
  std::vector<NoteOverlay> overlays_;
  ImVec2 legend_end_{};  // its right end and upper edge, px
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

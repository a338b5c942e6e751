#include <epoxy/gl.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <filesystem>
#include <string>

#include "viewer/window/panels.hpp"

namespace tinesight {
namespace {

class HarpStage {
 public:
  HarpStage(PanelContext& context, const Area& area)
      : c_(context), t_(context.theme), draw_(*ImGui::GetWindowDrawList()), area_(area) {}

  void Draw(bool hovered) {
    ViewState& state = c_.state;
    if (!state.view_set) {
      state.view = WholeHarpView(state.model, state.stage_px);
      state.view_set = true;
    }
    const Eigen::Matrix4d before = state.view.camera_from_harp.matrix();
    const int under = hovered ? Interact() : 0;
    moved_ = before != state.view.camera_from_harp.matrix();
    draw_.PushClipRect(area_.corner, area_.End(), true);
    const bool over_photo =
        state.at_photo && state.at_photo == c_.session.PhotoIndex() && c_.shelf.Shown() != nullptr;
    if (over_photo) DrawPhotoBehind();
    DrawMeshes(under, over_photo);
    if (state.cameras) DrawCameras();
    DrawMarks(under);
    DrawCaption(over_photo);
    draw_.PopClipRect();
  }

 private:
  ImVec2 Screen(const Eigen::Vector2d& p) const {
    return {area_.corner.x + static_cast<float>(p.x()), area_.corner.y + static_cast<float>(p.y())};
  }

  // Gives the note under the cursor.
  int Interact() {
    const ImGuiIO& io = ImGui::GetIO();
    ViewState& state = c_.state;
    const Eigen::Vector2d cursor(io.MousePos.x - area_.corner.x, io.MousePos.y - area_.corner.y);
    const Eigen::Vector2d delta(io.MouseDelta.x, io.MouseDelta.y);
    ImGuiStorage& memory = *ImGui::GetStateStorage();
    // What was under the cursor when the button went down stays what it is turned round.
    std::array<float*, 3> pivot{};
    for (std::size_t i = 0; i < 3; ++i) {
      pivot[i] = memory.GetFloatRef(100 + static_cast<ImGuiID>(i), 0.0F);
    }
    if (ImGui::IsMouseClicked(0) || ImGui::IsMouseClicked(1) || ImGui::IsMouseClicked(2)) {
      const Eigen::Vector3d point = PointUnder(state, cursor);
      for (std::size_t i = 0; i < 3; ++i)
        *pivot[i] = static_cast<float>(point[static_cast<int>(i)]);
    }
    const Eigen::Vector3d point(*pivot[0], *pivot[1], *pivot[2]);
    if (ImGui::IsMouseDragging(0, t_.Px(3.0)) && !io.KeyShift) {
      Leave();
      const double turn = 3.14159265358979 / std::max(200.0, state.stage_px.y());
      Orbit(state.view, point, turn * delta.x(), -turn * delta.y());
    } else if (ImGui::IsMouseDragging(1, 1.0F) || ImGui::IsMouseDragging(2, 1.0F) ||
               (ImGui::IsMouseDragging(0, t_.Px(3.0)) && io.KeyShift)) {
      Leave();
      const auto before = state.view.Project(point, state.stage_px);
      if (before) Pan(state.view, point, *before + delta, state.stage_px);
    }
    if (io.MouseWheel != 0.0F) {
      Leave();
      Zoom(state.view, PointUnder(state, cursor),
           std::pow(1.18, static_cast<double>(io.MouseWheel)));
    }
    const int under = NoteUnder(state, cursor, t_.Px(10.0));
    if (under != 0) ImGui::SetMouseCursor(ImGuiMouseCursor_Hand);
    const bool clicked =
        ImGui::IsMouseReleased(0) && io.MouseDragMaxDistanceSqr[0] < 9.0F * t_.scale * t_.scale;
    if (clicked && under != 0) SelectNote(c_, under);
    return under;
  }

  void Leave() {
    c_.state.at_photo.reset();
    c_.state.flight.reset();
  }

  void DrawPhotoBehind() {
    const PhotoMeasurement& photo =
        c_.session.CurrentVisit().measurement.photos[*c_.state.at_photo];
    // Where the view's own principal point and focal length put the photo.
    const double height = c_.state.stage_px.y();
    const double scale = c_.state.view.focal.x() * height / photo.camera.fx_px;
    const Eigen::Vector2d center = 0.5 * c_.state.stage_px + height * c_.state.view.shift;
    const Eigen::Vector2d corner =
        center - scale * Eigen::Vector2d(photo.camera.cx_px + 0.5, photo.camera.cy_px + 0.5);
    draw_.AddImage(c_.shelf.Shown()->ForImGui(), Screen(corner),
                   Screen(corner + scale * SizeOf(photo)));
  }

  void DrawMeshes(int under, bool over_photo) {
    HarpRenderer::Frame frame;
    frame.view = c_.state.view;
    frame.area_px = c_.state.stage_px.cast<int>();
    frame.selected_midi = c_.session.Midi();
    frame.hovered_midi = under;
    frame.over_photo = over_photo;
    frame.moving = c_.moving || c_.state.flight || (ImGui::IsAnyMouseDown() && moved_);
    const GlTexture& picture = c_.renderer.Draw(frame, t_);
    // The picture's colors are multiplied by its opacity already.
    draw_.AddCallback(
        [](const ImDrawList*, const ImDrawCmd*) { glBlendFunc(GL_ONE, GL_ONE_MINUS_SRC_ALPHA); },
        nullptr);
    draw_.AddImage(picture.ForImGui(), area_.corner, area_.End(), ImVec2(0, 1), ImVec2(1, 0));
    draw_.AddCallback(ImDrawCallback_ResetRenderState, nullptr);
  }

  void DrawCameras() {
    const auto& photos = c_.session.CurrentVisit().measurement.photos;
    for (std::size_t i = 0; i < photos.size(); ++i) {
      if (photos[i].used) DrawCamera(photos[i], c_.session.PhotoIndex() == i);
    }
  }

  void DrawCamera(const PhotoMeasurement& photo, bool shown) {
    constexpr double kDepthMm = 40.0;
    const Eigen::Isometry3d harp_from_camera = photo.camera_from_harp.inverse();
    const auto eye = c_.state.view.Project(harp_from_camera.translation(), c_.state.stage_px);
    std::array<std::optional<Eigen::Vector2d>, 4> corners;
    for (std::size_t i = 0; i < 4; ++i) {
      const double u = i == 1 || i == 2 ? photo.camera.width_px : 0.0;
      const double v = i >= 2 ? photo.camera.height_px : 0.0;
      const Eigen::Vector3d p(kDepthMm * (u - photo.camera.cx_px) / photo.camera.fx_px,
                              kDepthMm * (v - photo.camera.cy_px) / photo.camera.fy_px, kDepthMm);
      corners[i] = c_.state.view.Project(harp_from_camera * p, c_.state.stage_px);
    }
    const ImU32 color = shown ? t_.palette.accent : WithOpacity(t_.palette.muted, 0.8);
    for (std::size_t i = 0; i < 4; ++i) {
      const auto& a = corners[i];
      const auto& b = corners[(i + 1) % 4];
      if (a && b) draw_.AddLine(Screen(*a), Screen(*b), color, t_.Px(1.3));
      if (a && eye) draw_.AddLine(Screen(*a), Screen(*eye), color, t_.Px(1.0));
    }
    if (!eye) return;
    draw_.AddText(t_.fonts.small, t_.fonts.small->FontSize,
                  ImVec2(Screen(*eye).x + t_.Px(6.0), Screen(*eye).y - t_.Px(6.0)), color,
                  std::filesystem::path(photo.file).stem().string().c_str());
  }

  // A mark over each pickup; names where there is room, always for the selected and hovered note.
  void DrawMarks(int under) {
    float last_name_x = -1e9F;
    for (const HarpNote& note : c_.state.model.notes) {
      const Eigen::Vector3d place = note.pickup_mm + Eigen::Vector3d(0.0, -9.5, 4.0);
      const auto p = c_.state.view.Project(place, c_.state.stage_px);
      if (!p) continue;
      const ImVec2 at = Screen(*p);
      const bool named = note.midi == c_.session.Midi() || note.midi == under;
      DrawMark(draw_, note.verdict, at, t_.Px(named ? 6.5 : 4.5), t_.VerdictColor(note.verdict));
      const std::string name = DisplayName(note.midi);
      ImFont* font = named ? t_.fonts.bold : t_.fonts.small;
      const ImVec2 size = font->CalcTextSizeA(font->FontSize, FLT_MAX, 0.0F, name.c_str());
      const ImVec2 corner(at.x - 0.5F * size.x, at.y - t_.Px(10.0) - size.y);
      if (named) {
        draw_.AddRectFilled(ImVec2(corner.x - t_.Px(5.0), corner.y - t_.Px(1.0)),
                            ImVec2(corner.x + size.x + t_.Px(5.0), corner.y + size.y),
                            WithOpacity(t_.palette.panel, 0.9), t_.Px(4.0));
        draw_.AddText(font, font->FontSize, corner, t_.palette.text, name.c_str());
        last_name_x = at.x + 0.5F * size.x;
      } else if (std::abs(at.x - last_name_x) > 1.0F && corner.x > last_name_x + t_.Px(6.0)) {
        draw_.AddText(font, font->FontSize, corner, t_.palette.muted, name.c_str());
        last_name_x = at.x + 0.5F * size.x;
      }
    }
  }

  void DrawCaption(bool over_photo) {
    std::string text = c_.state.magnification == 1.0
                           ? "offsets true"
                           : "offsets ×" + std::to_string(static_cast<int>(c_.state.magnification));
    if (over_photo) {
      text += "   seen from " +
              std::filesystem::path(
                  c_.session.CurrentVisit().measurement.photos[*c_.state.at_photo].file)
                  .filename()
                  .string();
    } else {
      text += "   blocks, tone bars and bobbins are drawings, not measured";
    }
    Tag(draw_, t_, t_.fonts.small, ImVec2(area_.corner.x + t_.Px(8.0), area_.corner.y + t_.Px(8.0)),
        text, t_.palette.text);
    Tag(draw_, t_, t_.fonts.small, ImVec2(area_.corner.x + t_.Px(8.0), area_.End().y - t_.Px(28.0)),
        "drag: turn   right drag: move   wheel: nearer   click: select", t_.palette.muted);
  }

  PanelContext& c_;
  const Theme& t_;
  ImDrawList& draw_;
  Area area_;
  bool moved_ = false;
};

}  // namespace

void DrawHarpStage(PanelContext& context, const Area& area) {
  HarpStage(context, area).Draw(ImGui::IsWindowHovered());
}

}  // namespace tinesight

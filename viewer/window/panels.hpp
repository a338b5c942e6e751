#pragma once

#include <imgui.h>

#include <Eigen/Core>
#include <filesystem>
#include <optional>
#include <string>

#include "viewer/session.hpp"
#include "viewer/view_state.hpp"
#include "viewer/window/harp_renderer.hpp"
#include "viewer/window/photo_shelf.hpp"
#include "viewer/window/theme.hpp"

namespace tinesight {

/// What a panel draws from and into. Panels keep nothing of their own between frames but what
/// ImGui keeps.
struct PanelContext {
  const Theme& theme;
  Session& session;
  ViewState& state;
  PhotoShelf& shelf;
  HarpRenderer& renderer;
  bool moving = false;  ///< the view of the harp is on its way: quick before fine
};

/// A rectangle of the window, px.
struct Area {
  ImVec2 corner;
  ImVec2 size;
  [[nodiscard]] ImVec2 End() const { return {corner.x + size.x, corner.y + size.y}; }
};

/// A plain window of ours at a fixed place; `background` 0: the panels' color, in which the window
/// is cleared. Always pair with EndPanel.
void BeginPanel(const char* name, const Area& area, ImU32 background, bool scrolls = false);
void EndPanel();

/// The keyboard with a deviation bar for each note: hover tells, a click selects.
void DrawChart(PanelContext& context, const Area& area);
/// The flagged notes, worst first, with their reviews.
void DrawFlaggedList(PanelContext& context, const Area& area);
/// All about the selected note.
void DrawNotePanel(PanelContext& context, const Area& area);
/// The tone that moving a note's tine would give: three sliders and a table, into the note panel.
void DrawWhatIf(PanelContext& context, const NoteMeasurement& note, const NoteProfile& target,
                const ToneProfile& tone);
/// The selected note's figures readable at 2 m, and what became of the last photo.
void DrawLargeType(PanelContext& context, const Area& area);

/// The middle of the window, by `state.stage`: each draws into the current ImGui window, and reads
/// the mouse when that is hovered.
void DrawPhotoStage(PanelContext& context, const Area& area);
void DrawHarpStage(PanelContext& context, const Area& area);
void DrawSectionStage(PanelContext& context, const Area& area);

/// Tine and pole tip as seen from the mount along the harp's z axis, as played, with the
/// uncertainty ellipse and the tolerance: the drawing alone, in the box. Where a place is being
/// tried (`what_if` of this note), the tine is drawn there too, dashed.
void DrawSection(ImDrawList& draw, const Theme& theme, const NoteMeasurement& note,
                 const NoteProfile* target, const std::optional<WhatIf>& what_if, const Area& area);

/// "F♯1 · as found 2024-05-02 · B1.jpg": what an attached picture shows.
[[nodiscard]] std::string PictureCaption(const Session& session, const ViewState& state);

// Small pieces that several panels share.
void SelectNote(PanelContext& context, int midi);
void TextColored(ImU32 color, const std::string& text);
void TextWrapped(const std::string& text);
/// `text` with its lines broken at spaces to fit the width; ImGui alone breaks "1.10°" behind the
/// point as well.
[[nodiscard]] std::string WrapAtSpaces(const ImFont* font, float font_size, const std::string& text,
                                       float width_px);
/// With its first letter large, as a sentence begins.
[[nodiscard]] std::string Capitalized(std::string text);
/// The verdict's mark in the text line, then its word.
void VerdictLabel(const Theme& theme, Verdict verdict, const std::string& word);
/// Text in a box with a background, for pictures. Gives its size.
ImVec2 Tag(ImDrawList& draw, const Theme& theme, ImFont* font, ImVec2 corner,
           const std::string& text, ImU32 color, double background_opacity = 0.78);

}  // namespace tinesight

#pragma once

#include <Eigen/Core>
#include <optional>
#include <string>

#include "viewer/commands.hpp"
#include "viewer/flagged_notes.hpp"
#include "viewer/harp_model.hpp"
#include "viewer/photo_zoom.hpp"
#include "viewer/session.hpp"
#include "viewer/view_3d.hpp"
#include "viewer/what_if.hpp"

namespace tinesight {

/// What the middle of the window shows.
enum class Stage { kPhoto, kHarp, kSection };

/// What stands over the window and is closed by Escape.
enum class Dialog { kNone, kCommandList, kHelp, kCautions, kOpenFile, kFinding, kWork, kFollow };

/// Everything about looking, apart from what is looked at; it knows no window, so that commands can
/// be tested without one.
struct ViewState {
  Stage stage = Stage::kPhoto;
  Dialog dialog = Dialog::kNone;
  ChartQuantity quantity = ChartQuantity::kLateral;
  bool large_type = false;
  bool dark = true;
  double text_scale = 1.0;

  Eigen::Vector2d stage_px = Eigen::Vector2d(800.0, 500.0);  ///< size of the middle, screen px

  // Photo.
  PhotoZoom photo;
  std::optional<std::size_t> zoomed_photo;  ///< the photo that `photo` was set for
  bool overlay = true;
  bool magnified_arrow = true;
  bool placing = false;             ///< the selected note's handles can be dragged
  std::optional<HandMark> dragged;  ///< as it is while a handle is held

  // Harp.
  double magnification = 5.0;
  bool model_stale = false;  ///< notes changed: the window sends the model to the card again
  HarpModel model;
  View3d view;
  bool view_set = false;  ///< false: frame everything when the harp is next shown
  bool cameras = false;
  std::optional<std::size_t> at_photo;  ///< the view is exactly that photo's
  struct Flight {
    View3d from;
    View3d to;
    double t = 0.0;
    std::optional<std::size_t> to_photo;
  };
  std::optional<Flight> flight;

  std::string message;  ///< of the last command, for the status line
  bool message_is_failure = false;

  std::optional<WhatIf> what_if;  ///< of the selected note

  // Following the screwdriver.
  std::string follow_status;   ///< "watching …", "measuring …"; empty: neither
  std::string follow_news;     ///< what became of the last photo, one line
  bool follow_failed = false;  ///< it could not be used

  // What only the window itself can do; it clears what it has done.
  bool wants_quit = false;
  bool wants_reload = false;
  bool wants_picture = false;  ///< attach the current picture
  bool wants_follow = false;   ///< begin or end to follow the screwdriver
};

/// The size of a photo, px.
[[nodiscard]] Eigen::Vector2d SizeOf(const PhotoMeasurement& photo);

/// Builds `model` from the session's visit and magnification.
void RebuildModel(const Session& session, ViewState& state);

/// The photo as it should first be seen: its part with the tines, or the selected note.
void FrameNoteInPhoto(const Session& session, ViewState& state);
void FrameWholePhoto(const Session& session, ViewState& state);

/// From the mount end and the tine side, as the camera of a raised harp sees it, all of it in view.
[[nodiscard]] View3d WholeHarpView(const HarpModel& model, const Eigen::Vector2d& area_px);
/// The same direction, on one note's pickup end.
[[nodiscard]] View3d NoteView(const HarpModel& model, const HarpNote& note, const View3d& from,
                              const Eigen::Vector2d& area_px);
/// From behind the root along the tine's axis toward the pickup.
[[nodiscard]] View3d DownTheTine(const HarpNote& note);

/// The note whose tine is under a screen position, the nearest to the eye within `reach_px`; 0:
/// none.
[[nodiscard]] int NoteUnder(const ViewState& state, const Eigen::Vector2d& position_px,
                            double reach_px);
/// What is under a screen position, to turn round: the first surface met, else the tines' plane at
/// the harp's middle depth.
[[nodiscard]] Eigen::Vector3d PointUnder(const ViewState& state,
                                         const Eigen::Vector2d& position_px);

/// Starts a flight of the harp's view to another one.
void FlyTo(ViewState& state, const View3d& view, std::optional<std::size_t> to_photo = {});
/// Goes on with it by so many seconds; false: there is none.
bool AdvanceFlight(ViewState& state, double seconds);

/// Carries a command out. `session` may be nullptr: nothing is open; commands that need one then
/// say so. The outcome in words is in `state.message`.
void Execute(Command command, Session* session, ViewState& state);

}  // namespace tinesight

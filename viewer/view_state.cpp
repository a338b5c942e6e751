#include "viewer/view_state.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <utility>

#include "alignment/note_name.hpp"
#include "viewer/photo_overlay.hpp"

namespace tinesight {

using Eigen::Vector2d;
using Eigen::Vector3d;

namespace {

constexpr double kFlightSeconds = 0.45;

void Say(ViewState& state, std::string message) {
  state.message = std::move(message);
  state.message_is_failure = false;
}

void SayFailure(ViewState& state, std::string message) {
  state.message = std::move(message);
  state.message_is_failure = true;
}

const PhotoMeasurement* ShownPhoto(const Session& session) {
  const auto index = session.PhotoIndex();
  if (!index) return nullptr;
  const PhotoMeasurement& photo = session.CurrentVisit().measurement.photos[*index];
  return photo.used ? &photo : nullptr;
}

void Select(Session& session, ViewState& state, bool keep_zoom = false) {
  if (!keep_zoom) state.zoomed_photo.reset();
  if (state.stage != Stage::kHarp || !state.view_set) return;
  state.at_photo.reset();
  if (const HarpNote* note = state.model.Find(session.Midi())) {
    // Only when it is out of sight: a view that jumps at each step makes one lose the place.
    const auto place = state.view.Project(note->pickup_mm, state.stage_px);
    const bool seen = place && (place->array() > 20.0).all() &&
                      (place->array() < state.stage_px.array() - 20.0).all();
    if (!seen) FlyTo(state, NoteView(state.model, *note, state.view, state.stage_px));
  }
}

void Decide(Session& session, ViewState& state, ReviewState decision) {
  const std::string name = NoteName(session.Midi());
  if (auto done = session.Decide(decision); !done) {
    return SayFailure(state, done.error().message);
  }
  std::string message = name + ": " + ReviewWord(decision);
  if (decision != ReviewState::kNone && !session.NextUnreviewed()) {
    message += "; all flagged notes are reviewed";
  }
  Select(session, state);
  Say(state, message);
}

void Tell(ViewState& state, const Result<std::string>& outcome) {
  if (outcome) {
    Say(state, *outcome);
  } else {
    SayFailure(state, outcome.error().message);
  }
}

void Magnify(Session& session, ViewState& state, int step) {
  constexpr std::array kSteps = {1.0, 2.0, 5.0, 10.0, 20.0};
  std::size_t nearest = 0;
  for (std::size_t i = 0; i < kSteps.size(); ++i) {
    if (std::abs(kSteps[i] - state.magnification) <
        std::abs(kSteps[nearest] - state.magnification)) {
      nearest = i;
    }
  }
  const auto last = static_cast<int>(kSteps.size()) - 1;
  const int index = std::clamp(static_cast<int>(nearest) + step, 0, last);
  state.magnification = kSteps[static_cast<std::size_t>(index)];
  RebuildModel(session, state);
  Say(state, state.magnification == 1.0
                 ? std::string("offsets are drawn true")
                 : "offsets are drawn " + std::to_string(static_cast<int>(state.magnification)) +
                       " times as large");
}

void ViewFromPhoto(Session& session, ViewState& state) {
  const PhotoMeasurement* photo = ShownPhoto(session);
  if (photo == nullptr) return SayFailure(state, "no photo shows this note");
  // Over the photo only true offsets coincide.
  if (state.magnification != 1.0) {
    state.magnification = 1.0;
    RebuildModel(session, state);
  }
  if (!state.view_set) {
    state.view = WholeHarpView(state.model, state.stage_px);
    state.view_set = true;
  }
  const PhotoZoom zoom = FitPhoto(SizeOf(*photo), state.stage_px);
  FlyTo(state,
        ViewOfPhoto(photo->camera, photo->camera_from_harp, zoom.scale, zoom.origin_px,
                    state.stage_px),
        session.PhotoIndex());
  state.stage = Stage::kHarp;
  Say(state, "the harp as the camera of this photo saw it; offsets true");
}

void Frame(Session& session, ViewState& state, bool all) {
  if (state.stage == Stage::kPhoto) {
    if (all) {
      FrameWholePhoto(session, state);
    } else {
      FrameNoteInPhoto(session, state);
    }
    return;
  }
  state.stage = Stage::kHarp;
  const HarpNote* note = state.model.Find(session.Midi());
  if (all || note == nullptr) {
    return FlyTo(state, WholeHarpView(state.model, state.stage_px));
  }
  FlyTo(state, NoteView(state.model, *note, state.view, state.stage_px));
}

void ZoomBy(Session& session, ViewState& state, double factor) {
  const Vector2d middle = 0.5 * state.stage_px;
  if (state.stage == Stage::kPhoto) {
    if (const PhotoMeasurement* photo = ShownPhoto(session)) {
      ZoomPhoto(state.photo, middle, factor, SizeOf(*photo), state.stage_px);
    }
  } else if (state.stage == Stage::kHarp) {
    state.at_photo.reset();
    Zoom(state.view, PointUnder(state, middle), factor);
  }
}

void ActualSize(Session& session, ViewState& state) {
  const PhotoMeasurement* photo = ShownPhoto(session);
  if (photo == nullptr) return SayFailure(state, "no photo shows this note");
  state.stage = Stage::kPhoto;
  const Vector2d middle = 0.5 * state.stage_px;
  ZoomPhoto(state.photo, middle, 1.0 / state.photo.scale, SizeOf(*photo), state.stage_px);
  // On whole pixels, or every one would be smeared over two.
  state.photo.scale = 1.0;
  state.photo.origin_px = state.photo.origin_px.array().round();
  Say(state, "one pixel of the photo on one of the screen");
}

void NextVisit(Session& session, ViewState& state) {
  const std::size_t count = session.Record().visits.size();
  if (count < 2) return Say(state, "the record has one visit only");
  const int midi = session.Midi();
  session.SelectVisit((session.VisitIndex() + 1) % count);
  session.SelectNote(midi);
  RebuildModel(session, state);
  state.zoomed_photo.reset();
  state.at_photo.reset();
  Say(state, session.CurrentVisit().name);
}

void SetStage(ViewState& state, Stage stage) {
  state.stage = stage;
  state.large_type = false;
}

void TryPlace(const Session& session, ViewState& state, Command command) {
  const NoteMeasurement* note = session.Note();
  const InstrumentProfile* profile = session.Profile();
  const NoteProfile* target = note && profile ? profile->Find(note->midi) : nullptr;
  if (target == nullptr) return SayFailure(state, "no instrument profile to predict the tone from");
  auto& what_if = state.what_if;
  if (!what_if || !StartsFrom(*what_if, *note))
    what_if = StartWhatIf(*note, *target, profile->tone);
  if (!what_if) {
    return SayFailure(state, "the tone needs lateral offset, height and gap, all measured");
  }
  constexpr double kStepMm = 0.1;
  PickupPlace then = what_if->then;
  if (command == Command::kTryTowardTreble) then.lateral_mm += kStepMm;
  if (command == Command::kTryTowardBass) then.lateral_mm -= kStepMm;
  if (command == Command::kTryHigher) then.height_mm += kStepMm;
  if (command == Command::kTryLower) then.height_mm -= kStepMm;
  if (command == Command::kTryWider) then.gap_mm += kStepMm;
  if (command == Command::kTryCloser) then.gap_mm -= kStepMm;
  if (command == Command::kTryAtTarget) then = IdealPlace(*target);
  if (command == Command::kTryAsMeasured) then = what_if->now.place;
  MoveWhatIf(*what_if, then, *target, profile->tone);
  Say(state, NoteName(note->midi) + ", " + WhatIfSummary(*what_if));
}

// Commands that work without anything open; false: not one of those.
bool ExecuteAlone(Command command, ViewState& state) {
  switch (command) {
    case Command::kOpenFile:
      state.dialog = Dialog::kOpenFile;
      return true;
    case Command::kFollow:
      state.wants_follow = true;
      return true;
    case Command::kReload:
      state.wants_reload = true;
      return true;
    case Command::kCommandList:
      state.dialog = Dialog::kCommandList;
      return true;
    case Command::kHelp:
      state.dialog = Dialog::kHelp;
      return true;
    case Command::kCautions:
      state.dialog = Dialog::kCautions;
      return true;
    case Command::kToggleTheme:
      state.dark = !state.dark;
      return true;
    case Command::kLargerText:
      state.text_scale = std::min(3.0, state.text_scale + 0.1);
      return true;
    case Command::kSmallerText:
      state.text_scale = std::max(0.6, state.text_scale - 0.1);
      return true;
    case Command::kNormalText:
      state.text_scale = 1.0;
      return true;
    case Command::kClose:
      if (state.dialog != Dialog::kNone) {
        state.dialog = Dialog::kNone;
      } else {
        state.large_type = false;
        state.placing = false;
        state.dragged.reset();
        state.message.clear();
      }
      return true;
    case Command::kQuit:
      state.wants_quit = true;
      return true;
    default:
      return false;
  }
}

bool ExecuteLook(Command command, Session& session, ViewState& state) {
  switch (command) {
    case Command::kShowPhoto:
      SetStage(state, Stage::kPhoto);
      return true;
    case Command::kShowHarp:
      SetStage(state, Stage::kHarp);
      return true;
    case Command::kShowSection:
      SetStage(state, Stage::kSection);
      return true;
    case Command::kFrameNote:
      Frame(session, state, false);
      return true;
    case Command::kFrameAll:
      Frame(session, state, true);
      return true;
    case Command::kActualSize:
      ActualSize(session, state);
      return true;
    case Command::kZoomIn:
      ZoomBy(session, state, 1.25);
      return true;
    case Command::kZoomOut:
      ZoomBy(session, state, 0.8);
      return true;
    case Command::kLookDownTine:
      state.stage = Stage::kHarp;
      if (const HarpNote* note = state.model.Find(session.Midi())) {
        state.view_set = true;
        FlyTo(state, DownTheTine(*note));
      }
      return true;
    case Command::kViewFromPhoto:
      ViewFromPhoto(session, state);
      return true;
    case Command::kToggleCameras:
      state.cameras = !state.cameras;
      return true;
    case Command::kToggleOverlay:
      state.overlay = !state.overlay;
      return true;
    case Command::kToggleMagnifiedArrow:
      state.magnified_arrow = !state.magnified_arrow;
      Say(state, state.magnified_arrow ? "the arrow is 10 times as long as the offset"
                                       : "the arrow is as long as the offset");
      return true;
    case Command::kMagnifyMore:
      Magnify(session, state, 1);
      return true;
    case Command::kMagnifyLess:
      Magnify(session, state, -1);
      return true;
    case Command::kLargeType:
      state.large_type = !state.large_type;
      return true;
    case Command::kChartLateral:
      state.quantity = ChartQuantity::kLateral;
      return true;
    case Command::kChartHeight:
      state.quantity = ChartQuantity::kHeight;
      return true;
    case Command::kChartGap:
      state.quantity = ChartQuantity::kGap;
      return true;
    case Command::kChartToneBar:
      state.quantity = ChartQuantity::kToneBarYaw;
      return true;
    case Command::kChartDamperLift:
      state.quantity = ChartQuantity::kDamperLift;
      return true;
    default:
      return false;
  }
}

void ExecuteReview(Command command, Session& session, ViewState& state) {
  switch (command) {
    case Command::kNextFlagged:
      session.StepFlagged(1);
      return Select(session, state);
    case Command::kPreviousFlagged:
      session.StepFlagged(-1);
      return Select(session, state);
    case Command::kNextNote:
      session.StepNote(1);
      return Select(session, state);
    case Command::kPreviousNote:
      session.StepNote(-1);
      return Select(session, state);
    case Command::kNextPhoto:
      session.StepPhoto(1);
      state.zoomed_photo.reset();
      return;
    case Command::kPreviousPhoto:
      session.StepPhoto(-1);
      state.zoomed_photo.reset();
      return;
    case Command::kNextVisit:
      return NextVisit(session, state);
    case Command::kAccept:
      return Decide(session, state, ReviewState::kAccepted);
    case Command::kReject:
      return Decide(session, state, ReviewState::kRejected);
    case Command::kNeedsPhoto:
      return Decide(session, state, ReviewState::kNeedsPhoto);
    case Command::kClearReview:
      return Decide(session, state, ReviewState::kNone);
    case Command::kUndo:
      Tell(state, session.Undo());
      return RebuildModel(session, state);
    case Command::kRedo:
      Tell(state, session.Redo());
      return RebuildModel(session, state);
    case Command::kAttachPicture:
      state.wants_picture = true;
      return;
    case Command::kPlaceByHand:
      state.stage = Stage::kPhoto;
      state.placing = !state.placing;
      state.dragged.reset();
      return Say(state, state.placing ? "drag the two points on the tine's axis, or the pole tip's "
                                        "ring; E or Esc ends"
                                      : "");
    case Command::kResetByHand: {
      const auto done = session.ResetByHand();
      RebuildModel(session, state);
      return done ? Say(state, NoteName(session.Midi()) + ": the measured figures again")
                  : SayFailure(state, done.error().message);
    }
    case Command::kAddFinding:
      state.dialog = Dialog::kFinding;
      return;
    case Command::kAddWork:
      state.dialog = Dialog::kWork;
      return;
    case Command::kTryTowardTreble:
    case Command::kTryTowardBass:
    case Command::kTryHigher:
    case Command::kTryLower:
    case Command::kTryWider:
    case Command::kTryCloser:
    case Command::kTryAtTarget:
    case Command::kTryAsMeasured:
      return TryPlace(session, state, command);
    default:
      return;
  }
}

}  // namespace

Vector2d SizeOf(const PhotoMeasurement& photo) {
  return {static_cast<double>(photo.camera.width_px), static_cast<double>(photo.camera.height_px)};
}

void RebuildModel(const Session& session, ViewState& state) {
  state.model_stale = true;
  state.model =
      BuildHarpModel(session.CurrentVisit().measurement, session.Profile(), state.magnification);
}

void FrameWholePhoto(const Session& session, ViewState& state) {
  state.zoomed_photo = session.PhotoIndex();
  if (const PhotoMeasurement* photo = ShownPhoto(session)) {
    state.photo = FitPhoto(SizeOf(*photo), state.stage_px);
  }
}

void FrameNoteInPhoto(const Session& session, ViewState& state) {
  FrameWholePhoto(session, state);
  const PhotoMeasurement* photo = ShownPhoto(session);
  const NoteMeasurement* note = session.Note();
  if (photo == nullptr || note == nullptr) return;
  const InstrumentProfile* profile = session.Profile();
  const auto overlay =
      OverlayOf(*photo, *note, profile != nullptr ? profile->Find(note->midi) : nullptr);
  if (!overlay) return;
  // Tine and pickup with some surroundings, but not so near that one loses the neighbors.
  const Vector2d margin = Vector2d::Constant(5.0 * overlay->tine_width_px + 20.0);
  Vector2d low = overlay->pickup;
  Vector2d high = overlay->pickup;
  for (const Segment& segment : {overlay->found, overlay->prolonged, overlay->ideal}) {
    for (const Vector2d& end : segment) {
      low = low.cwiseMin(end);
      high = high.cwiseMax(end);
    }
  }
  // Below the caption, which would hide the notes' names over the pickups.
  const Vector2d caption_px(0.0, std::min(44.0, 0.2 * state.stage_px.y()));
  state.photo = FitBox(low - margin, high + margin, state.stage_px - caption_px);
  state.photo.origin_px += caption_px;
  const double most = 3.0;
  if (state.photo.scale > most) {
    ZoomPhoto(state.photo, 0.5 * state.stage_px, most / state.photo.scale, SizeOf(*photo),
              state.stage_px);
  }
}

View3d WholeHarpView(const HarpModel& model, const Vector2d& area_px) {
  // From well above the tine side, where the long row takes more of the picture's height.
  const Vector3d from = Vector3d(-0.10, -1.15, -1.0).normalized();
  View3d view = LookAt(model.center_mm + from, model.center_mm, true);
  view.focal = Vector2d(1.9, 1.9);
  // A harp is long and flat: its box's corners fill the picture better than its sphere would.
  FrameSphere(view, model.center_mm, model.radius_mm, area_px);
  for (int i = 0; i < 40; ++i) {
    View3d nearer = view;
    Zoom(nearer, model.center_mm, 1.05);
    bool inside = true;
    for (const HarpNote& note : model.notes) {
      for (const Vector3d& p : {Vector3d(note.root_mm - Vector3d(0, 0, 36)),
                                Vector3d(note.pickup_mm + Vector3d(0, 0, 12))}) {
        const auto place = nearer.Project(p, area_px);
        inside = inside && place && (place->array() > 24.0).all() &&
                 (place->array() < area_px.array() - 24.0).all();
      }
    }
    if (!inside) break;
    view = nearer;
  }
  return view;
}

View3d NoteView(const HarpModel& model, const HarpNote& note, const View3d& from,
                const Vector2d& area_px) {
  View3d view = from;
  // A photo's view may be upside down or turned; the way back to a plain one is part of framing.
  view.focal = WholeHarpView(model, area_px).focal;
  const Vector3d end = note.root_mm + 0.75 * (note.pickup_mm - note.root_mm);
  FrameSphere(view, end, std::max(18.0, 0.4 * (note.pickup_mm - note.root_mm).norm()), area_px);
  return view;
}

View3d DownTheTine(const HarpNote& note) {
  const Vector3d axis = (note.tip_mm - note.root_mm).normalized();
  // From far behind, so that the near and the far end of the tine cover each other; block and tone
  // bar, which stand in the way there, are cut off at the root.
  constexpr double kBehindMm = 700.0;
  View3d view = LookAt(note.root_mm - kBehindMm * axis, note.root_mm, true);
  view.cut_harp_mm = note.root_mm + 0.6 * axis;
  // The pickup's surroundings, 16 mm high, fill the picture.
  view.focal = Vector2d::Constant((kBehindMm + (note.pickup_mm - note.root_mm).norm()) / 16.0);
  return view;
}

int NoteUnder(const ViewState& state, const Vector2d& position_px, double reach_px) {
  int midi = 0;
  double best = reach_px;
  for (const HarpNote& note : state.model.notes) {
    const auto a = state.view.Project(note.root_mm, state.stage_px);
    const auto b = state.view.Project(note.pickup_mm, state.stage_px);
    if (!a || !b) continue;
    const Vector2d along = *b - *a;
    const double t =
        std::clamp((position_px - *a).dot(along) / std::max(along.squaredNorm(), 1e-9), 0.0, 1.0);
    const double distance = (position_px - *a - t * along).norm();
    if (distance >= best) continue;
    best = distance;
    midi = note.midi;
  }
  return midi;
}

Vector3d PointUnder(const ViewState& state, const Vector2d& position_px) {
  const Vector3d eye = state.view.EyeMm();
  const Vector3d ray = state.view.Ray(position_px, state.stage_px);
  if (const auto hit = FirstHit(state.model, eye, ray)) return eye + *hit * ray;
  // As deep as the harp's middle: a ray's camera z is 1.
  const double depth = (state.view.camera_from_harp * state.model.center_mm).z();
  return eye + std::max(depth, 20.0) * ray;
}

void FlyTo(ViewState& state, const View3d& view, std::optional<std::size_t> to_photo) {
  state.at_photo.reset();
  state.flight = ViewState::Flight{state.view_set ? state.view : view, view, 0.0, to_photo};
  state.view_set = true;
}

bool AdvanceFlight(ViewState& state, double seconds) {
  if (!state.flight) return false;
  ViewState::Flight& flight = *state.flight;
  flight.t = std::min(1.0, flight.t + seconds / kFlightSeconds);
  const double eased = flight.t * flight.t * (3.0 - 2.0 * flight.t);
  state.view = Between(flight.from, flight.to, eased);
  if (flight.t >= 1.0) {
    state.at_photo = flight.to_photo;
    state.flight.reset();
  }
  return true;
}

void Execute(Command command, Session* session, ViewState& state) {
  if (ExecuteAlone(command, state)) return;
  if (session == nullptr) {
    return SayFailure(state, "nothing is open yet; Ctrl+O opens a service record");
  }
  if (ExecuteLook(command, *session, state)) return;
  ExecuteReview(command, *session, state);
}

}  // namespace tinesight

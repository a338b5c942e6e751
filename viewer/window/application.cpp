#include "viewer/window/application.hpp"

#include <epoxy/gl.h>

#include <algorithm>
#include <cmath>
#include <exception>
#include <opencv2/imgcodecs.hpp>
#include <opencv2/imgproc.hpp>
#include <utility>

#include "alignment/note_name.hpp"
#include "calibration/file_io.hpp"

namespace tinesight {
namespace {

namespace fs = std::filesystem;

Result<std::string> Encoded(const std::string& extension, const std::vector<std::uint8_t>& rgba,
                            const Eigen::Vector2i& size_px) {
  try {
    cv::Mat picture(size_px.y(), size_px.x(), CV_8UC4, const_cast<std::uint8_t*>(rgba.data()));
    cv::Mat bgr;
    cv::cvtColor(picture, bgr, cv::COLOR_RGBA2BGR);
    cv::flip(bgr, bgr, 0);  // OpenGL's rows run upward
    std::vector<std::uint8_t> bytes;
    cv::imencode(extension, bgr, bytes,
                 {cv::IMWRITE_JPEG_QUALITY, 90, cv::IMWRITE_PNG_COMPRESSION, 9});
    return std::string(bytes.begin(), bytes.end());
  } catch (const std::exception& error) {
    return Fail(std::string("the picture can't be encoded: ") + error.what());
  }
}

}  // namespace

Result<std::unique_ptr<Application>> Application::Make(const ViewRequest& request) {
  std::unique_ptr<Application> app(new Application);
  app->request_ = request;
  if (!request.instrument.empty()) {
    auto profile = ReadInstrumentProfile(request.instrument);
    if (!profile) return tl::unexpected(profile.error());
    app->profile_ = std::move(*profile);
  }
  const bool picture = !request.screenshot.empty() || request.hidden;
  if (!picture) app->settings_ = ReadSettings(SettingsFile());
  if (request.width_px > 0) app->settings_.width_px = request.width_px;
  if (request.height_px > 0) app->settings_.height_px = request.height_px;
  app->state_.dark = app->settings_.dark && !request.light;
  app->state_.text_scale = app->settings_.text_scale;
  app->state_.stage = request.scene;
  app->state_.large_type = request.large_type;
  // A file that can't be read is told before a window flashes up; so is a folder to be watched.
  if (!request.file.empty()) {
    if (auto opened = app->Open(request.file); !opened) return tl::unexpected(opened.error());
    if (auto selected = app->SelectAsRequested(); !selected) {
      return tl::unexpected(selected.error());
    }
  }
  if (auto begun = app->BeginAsRequested(); !begun) return tl::unexpected(begun.error());
  DesktopWindow::Options options;
  options.width_px = app->settings_.width_px;
  options.height_px = app->settings_.height_px;
  options.visible = !picture;
  auto window = DesktopWindow::Open(options);
  if (!window) return tl::unexpected(window.error());
  app->window_ = std::move(*window);
  auto imgui = ImGuiBridge::Make(*app->window_);
  if (!imgui) return tl::unexpected(imgui.error());
  app->imgui_ = std::move(*imgui);
  auto renderer = HarpRenderer::Make();
  if (!renderer) return tl::unexpected(renderer.error());
  app->renderer_ = std::move(*renderer);
  app->shelf_ = std::make_unique<PhotoShelf>();
  if (app->session_) app->shelf_->SetVisit(*app->session_, request.photos);
  if (auto themed = app->RemakeTheme(); !themed) return tl::unexpected(themed.error());
  if (!request.new_photos.empty()) app->follower_.Measure(request.new_photos, app->Target());
  return app;
}

Application::~Application() = default;

Result<void> Application::Open(const fs::path& file) {
  auto document = OpenDocument(file, profile_ ? &*profile_ : nullptr);
  if (!document) return tl::unexpected(document.error());
  session_.emplace(std::move(*document));
  state_.zoomed_photo.reset();
  state_.view_set = false;
  state_.at_photo.reset();
  open_problem_.clear();
  settings_.last_file = fs::absolute(file);
  std::error_code code;
  record_time_ = fs::last_write_time(file, code);
  RebuildModel(*session_, state_);
  shown_visit_ = session_->VisitIndex();
  if (shelf_) shelf_->SetVisit(*session_, request_.photos);
  if (window_) window_->SetTitle(file.filename().string() + " – Tinesight");
  return {};
}

Result<void> Application::SelectAsRequested() {
  const auto& visits = session_->Record().visits;
  if (!request_.visit.empty()) {
    const auto visit = std::find_if(visits.begin(), visits.end(),
                                    [this](const Visit& v) { return v.name == request_.visit; });
    if (visit == visits.end()) {
      std::string names;
      for (const Visit& v : visits) names += (names.empty() ? "\"" : ", \"") + v.name + '"';
      return Fail(request_.file.string() + ": no visit \"" + request_.visit + "\"; there are " +
                  names);
    }
    session_->SelectVisit(static_cast<std::size_t>(visit - visits.begin()));
  }
  if (!request_.note.empty()) {
    const auto midi = ParseNoteName(request_.note);
    if (!midi || session_->CurrentVisit().Find(*midi) == nullptr) {
      return Fail("--note " + request_.note + ": the visit \"" + session_->CurrentVisit().name +
                  "\" has no such note");
    }
    session_->SelectNote(*midi);
  }
  if (!request_.photo.empty()) {
    const auto& photos = session_->CurrentVisit().measurement.photos;
    const auto photo =
        std::find_if(photos.begin(), photos.end(), [this](const PhotoMeasurement& p) {
          return p.used && fs::path(p.file).filename() == request_.photo;
        });
    if (photo == photos.end()) {
      return Fail("--photo " + request_.photo + ": the visit \"" + session_->CurrentVisit().name +
                  "\" used no such photo");
    }
    session_->SelectPhoto(static_cast<std::size_t>(photo - photos.begin()));
  }
  shown_visit_ = session_->VisitIndex();
  if (request_.magnification) state_.magnification = *request_.magnification;
  RebuildModel(*session_, state_);
  return {};
}

Result<void> Application::RemakeTheme() {
  // A picture's size is what was asked for, whatever screen it is made on.
  const double content = request_.screenshot.empty() ? window_->ContentScale() : 1.0;
  const double scale = content * state_.text_scale;
  if (scale == theme_scale_ && state_.dark == theme_dark_) return {};
  auto theme = MakeTheme(state_.dark, scale);
  if (!theme) return tl::unexpected(theme.error());
  theme_ = *theme;
  theme_scale_ = scale;
  theme_dark_ = state_.dark;
  imgui_->FontsChanged();
  return {};
}

Result<void> Application::Run() {
  double last = window_->Now();
  int frames_to_draw = 3;
  while (!window_->CloseWanted() && !state_.wants_quit) {
    const bool moving = frames_to_draw > 0 || state_.flight;
    window_->WaitForEvents(moving ? 0.0 : 0.1);
    if (window_->Minimized()) continue;
    if (!window_->Input().Empty() || window_->TakeDirty()) frames_to_draw = 3;
    if (session_ && shelf_->Update(*session_)) frames_to_draw = std::max(frames_to_draw, 2);
    if (FollowRecord()) frames_to_draw = 3;
    // A blinking cursor in a field.
    if (ImGui::GetIO().WantTextInput) frames_to_draw = std::max(frames_to_draw, 1);
    if (TakeDropped()) frames_to_draw = 3;
    if (Follow()) frames_to_draw = 3;
    if (frames_to_draw <= 0 && !state_.flight) continue;
    if (auto themed = RemakeTheme(); !themed) return themed;
    const double now = window_->Now();
    const FrameInput input = NextInput();
    Frame(input, now - last);
    window_->SwapBuffers();
    last = now;
    frames_to_draw = input.more ? 3 : frames_to_draw - 1;
    if (attach_next_) AttachPicture();
  }
  Remember();
  return {};
}

// A dialog's field takes the keyboard a frame or two after the dialog was opened; what is typed
// until then waits for it.
FrameInput Application::NextInput() {
  const bool has_field = state_.dialog == Dialog::kCommandList ||
                         state_.dialog == Dialog::kOpenFile || state_.dialog == Dialog::kWork ||
                         state_.dialog == Dialog::kFollow;
  constexpr int kMostHeld = 5;
  if (has_field && !ImGui::GetIO().WantTextInput && held_frames_ < kMostHeld) {
    ++held_frames_;
    FrameInput held = window_->Input().Held();
    held.more = true;
    return held;
  }
  if (!has_field) held_frames_ = 0;
  return window_->Input().NextFrame();
}

bool Application::FollowRecord() {
  if (!session_ || !session_->KeepsDecisions() || window_->Now() < next_look_) return false;
  next_look_ = window_->Now() + 1.0;
  std::error_code code;
  const auto time = fs::last_write_time(session_->Record().file, code);
  if (code || time == record_time_) return false;
  record_time_ = time;
  const auto photos = [](const ServiceRecord& record) {
    std::size_t count = record.visits.size();
    for (const Visit& visit : record.visits) count += visit.measurement.photos.size();
    return count;
  };
  // Our own decisions change the file as well; only photos are news.
  auto record = ReadServiceRecord(session_->Record().file);
  if (!record || photos(*record) == photos(session_->Record())) return false;
  const bool new_visit = record->visits.size() > session_->Record().visits.size();
  const int midi = session_->Midi();
  session_->TakeNewer(std::move(*record));
  if (new_visit) session_->SelectVisit(session_->Record().visits.size() - 1);
  session_->SelectNote(midi);
  ShowSessionAnew();
  Say("new photos were measured: " + session_->CurrentVisit().name, false);
  return true;
}

void Application::Frame(const FrameInput& input, double seconds, bool scene_only) {
  AdvanceFlight(state_, std::min(seconds, 0.1));
  imgui_->NewFrame(input, seconds);
  RunCommands(input);
  if (session_ && std::exchange(state_.model_stale, false)) renderer_->SetModel(state_.model);
  if (session_ && shown_visit_ != session_->VisitIndex()) {
    shelf_->SetVisit(*session_, request_.photos);
    shown_visit_ = session_->VisitIndex();
  }
  if (scene_only) {
    const Eigen::Vector2i size = window_->SizePx();
    DrawStage({ImVec2(0, 0), ImVec2(static_cast<float>(size.x()), static_cast<float>(size.y()))});
  } else {
    DrawWindow();
  }
  if (!scene_only) DrawFollowDialog();
  imgui_->Render(theme_.palette.panel);
}

void Application::RunCommands(const FrameInput& input) {
  Session* session = session_ ? &*session_ : nullptr;
  for (const Chord& chord : input.chords) {
    const CommandInfo* info = CommandOf(chord);
    if (info == nullptr) continue;
    // Typing is for the field, and what stands over the window keeps the other keys.
    const bool always = info->command == Command::kClose || info->command == Command::kQuit;
    const bool typing = ImGui::GetIO().WantTextInput || state_.dialog != Dialog::kNone;
    if (typing && !always) continue;
    Execute(info->command, session, state_);
  }
  if (std::exchange(state_.wants_reload, false)) Reload();
  if (std::exchange(state_.wants_picture, false)) attach_next_ = true;
  if (std::exchange(state_.wants_follow, false)) ToggleFollow();
}

// The open file anew, with the selection as it was; or the last one, where none is open.
void Application::Reload() {
  const fs::path file = session_ ? session_->Record().file : settings_.last_file;
  if (file.empty()) return Say("there is no file to read again; Ctrl+O opens one", true);
  const bool was_open = session_.has_value();
  const int midi = was_open ? session_->Midi() : 0;
  const std::size_t visit = was_open ? session_->VisitIndex() : 0;
  if (auto opened = Open(file); !opened) {
    open_problem_ = opened.error().message;
    return Say(opened.error().message, true);
  }
  if (was_open) {
    session_->SelectVisit(visit);
    session_->SelectNote(midi);
    RebuildModel(*session_, state_);
  }
  Say("read again", false);
}

void Application::DrawWindow() {
  const ImVec2 size = ImGui::GetIO().DisplaySize;
  const float gap = theme_.Px(6.0);
  if (!session_) {
    BeginPanel("##startpage", {ImVec2(0, 0), size}, theme_.palette.panel, true);
    const auto file = DrawStartPage(theme_, state_, settings_.last_file, open_problem_);
    EndPanel();
    auto chosen = dialogs_.Draw(theme_, nullptr, state_);
    if (!chosen) chosen = file;
    if (chosen) {
      if (auto opened = Open(*chosen); !opened) open_problem_ = opened.error().message;
    }
    return;
  }
  PanelContext context{theme_, *session_, state_, *shelf_, *renderer_};
  const float top = theme_.Px(42.0);
  const float status = theme_.Px(26.0);
  const float chart = std::min(theme_.Px(settings_.chart_height), 0.3F * size.y);
  const float list = std::min(theme_.Px(settings_.list_width), 0.25F * size.x);
  const float note = std::min(theme_.Px(settings_.note_width), 0.33F * size.x);
  const float middle_height = size.y - top - chart - status - 2.0F * gap;
  const float left = gap + list + gap;
  Area stage{ImVec2(left, top), ImVec2(size.x - left - gap - note - gap, middle_height)};
  DrawTopBar({ImVec2(0, 0), ImVec2(size.x, top)});
  if (state_.large_type) {
    // Read from afar, and nothing clicked: it takes the panels' place too.
    stage = {ImVec2(gap, top), ImVec2(size.x - 2.0F * gap, middle_height)};
  } else {
    DrawFlaggedList(context, {ImVec2(gap, top), ImVec2(list, middle_height)});
    DrawNotePanel(context, {ImVec2(stage.End().x + gap, top), ImVec2(note, middle_height)});
  }
  DrawStage(stage);
  DrawChart(context, {ImVec2(gap, stage.End().y + gap), ImVec2(size.x - 2.0F * gap, chart)});
  DrawStatus({ImVec2(0, size.y - status), ImVec2(size.x, status)});
  DrawSplitters(stage);
  if (const auto file = dialogs_.Draw(theme_, &*session_, state_)) {
    if (auto opened = Open(*file); !opened) {
      state_.message = opened.error().message;
      state_.message_is_failure = true;
    }
  }
}

void Application::DrawTopBar(const Area& area) {
  BeginPanel("##top", area, theme_.palette.backdrop);
  ImGui::SetCursorPos(ImVec2(theme_.Px(14.0), theme_.Px(8.0)));
  ImGui::AlignTextToFramePadding();
  ImGui::PushFont(theme_.fonts.bold);
  ImGui::TextUnformatted(session_->Record().file.filename().string().c_str());
  ImGui::PopFont();
  ImGui::SameLine(0.0F, theme_.Px(14.0));
  const auto& visits = session_->Record().visits;
  const std::string visit = session_->CurrentVisit().name;
  if (visits.size() > 1) {
    if (ImGui::Button((visit + "  ▾").c_str())) {
      Execute(Command::kNextVisit, &*session_, state_);
    }
    if (ImGui::IsItemHovered()) ImGui::SetTooltip("next visit, key V");
  } else {
    TextColored(theme_.palette.muted, visit);
  }
  // The three ways to look, in the middle over the stage.
  const auto stage_button = [&](const char* label, Stage stage, Command command) {
    const bool chosen = state_.stage == stage && !state_.large_type;
    ImGui::PushStyleColor(ImGuiCol_Button,
                          chosen ? theme_.palette.accent_soft : theme_.palette.raised);
    ImGui::PushStyleColor(ImGuiCol_Text, chosen ? theme_.palette.text : theme_.palette.muted);
    if (ImGui::Button(label)) Execute(command, &*session_, state_);
    ImGui::PopStyleColor(2);
    if (ImGui::IsItemHovered()) {
      ImGui::SetTooltip("key %s", ChordText(InfoOf(command).chord).c_str());
    }
  };
  ImGui::SameLine(std::max(0.42F * area.size.x, ImGui::GetItemRectMax().x + theme_.Px(20.0)));
  stage_button("Photo", Stage::kPhoto, Command::kShowPhoto);
  ImGui::SameLine(0.0F, theme_.Px(4.0));
  stage_button("Harp", Stage::kHarp, Command::kShowHarp);
  ImGui::SameLine(0.0F, theme_.Px(4.0));
  stage_button("Section", Stage::kSection, Command::kShowSection);
  const char* commands = "Commands  Ctrl+K";
  const char* cautions = "Cautions";
  const float width =
      ImGui::CalcTextSize(commands).x + ImGui::CalcTextSize(cautions).x + theme_.Px(60.0);
  ImGui::SameLine(area.size.x - width);
  if (ImGui::Button(cautions)) state_.dialog = Dialog::kCautions;
  ImGui::SameLine();
  if (ImGui::Button(commands)) state_.dialog = Dialog::kCommandList;
  EndPanel();
}

void Application::DrawStage(const Area& area) {
  const ImVec2 whole(std::round(area.size.x), std::round(area.size.y));
  const Area stage{ImVec2(std::round(area.corner.x), std::round(area.corner.y)), whole};
  const Eigen::Vector2d size_px(std::max(1.0F, whole.x), std::max(1.0F, whole.y));
  if (size_px != state_.stage_px && !state_.large_type) {
    // What was fitted to the area is fitted anew.
    state_.stage_px = size_px;
    state_.zoomed_photo.reset();
    if (state_.at_photo) {
      const PhotoMeasurement& photo = session_->CurrentVisit().measurement.photos[*state_.at_photo];
      const PhotoZoom zoom = FitPhoto(SizeOf(photo), size_px);
      state_.view =
          ViewOfPhoto(photo.camera, photo.camera_from_harp, zoom.scale, zoom.origin_px, size_px);
    }
  }
  stage_area_ = stage;
  ImGui::PushStyleVar(ImGuiStyleVar_WindowPadding, ImVec2(0, 0));
  BeginPanel("##stage", stage, 0);
  ImGui::PopStyleVar();
  PanelContext context{theme_, *session_, state_, *shelf_, *renderer_, timing_};
  if (state_.large_type) {
    DrawLargeType(context, stage);
  } else if (state_.stage == Stage::kPhoto) {
    DrawPhotoStage(context, stage);
  } else if (state_.stage == Stage::kHarp) {
    DrawHarpStage(context, stage);
  } else {
    DrawSectionStage(context, stage);
  }
  EndPanel();
}

void Application::DrawStatus(const Area& area) {
  BeginPanel("##status", area, theme_.palette.backdrop);
  ImGui::SetCursorPos(ImVec2(theme_.Px(14.0), theme_.Px(4.0)));
  ImGui::PushFont(theme_.fonts.small);
  if (!state_.message.empty()) {
    TextColored(state_.message_is_failure ? theme_.VerdictColor(Verdict::kOutOfTolerance)
                                          : theme_.palette.text,
                (state_.message_is_failure ? "! " : "") + state_.message);
  } else {
    TextColored(theme_.palette.muted,
                "N next flagged   A accept   R reject   P another photo   Ctrl+Z undo   F frame   "
                "1 2 3 photo, harp, section   F1 help");
  }
  const auto [done, all] = shelf_->Store().Progress();
  std::string progress = state_.follow_status;
  if (done < all && progress.empty() && request_.screenshot.empty()) {
    progress = "loading photos, " + std::to_string(done) + " of " + std::to_string(all);
  }
  if (!progress.empty()) {
    ImGui::SameLine(area.size.x - ImGui::CalcTextSize(progress.c_str()).x - theme_.Px(14.0));
    TextColored(theme_.palette.muted, progress);
  }
  ImGui::PopFont();
  EndPanel();
}

void Application::DrawSplitters(const Area& stage) {
  const float gap = theme_.Px(6.0);
  // The window is cleared in the panels' color; only what lies between them is painted.
  ImDrawList& back = *ImGui::GetBackgroundDrawList();
  const ImVec2 whole = ImGui::GetIO().DisplaySize;
  const auto paint = [&](float left, float top, float right, float bottom) {
    back.AddRectFilled(ImVec2(left, top), ImVec2(right, bottom), theme_.palette.backdrop);
  };
  paint(0, stage.corner.y, gap, whole.y);
  paint(whole.x - gap, stage.corner.y, whole.x, whole.y);
  paint(0, stage.End().y, whole.x, stage.End().y + gap);
  if (!state_.large_type) {
    paint(stage.corner.x - gap, stage.corner.y, stage.corner.x, stage.End().y);
    paint(stage.End().x, stage.corner.y, stage.End().x + gap, stage.End().y);
  }
  const auto splitter = [&](const char* name, ImVec2 corner, ImVec2 size, bool sideways) {
    BeginPanel(name, {corner, size}, 0);
    ImGui::SetCursorPos(ImVec2(0, 0));
    ImGui::InvisibleButton("##grip", size);
    const bool active = ImGui::IsItemActive();
    if (active || ImGui::IsItemHovered()) {
      ImGui::GetWindowDrawList()->AddRectFilled(
          corner, ImVec2(corner.x + size.x, corner.y + size.y),
          WithOpacity(theme_.palette.accent, active ? 0.6 : 0.3), theme_.Px(3.0));
    }
    EndPanel();
    if (!active) return 0.0;
    const ImVec2 delta = ImGui::GetIO().MouseDelta;
    return static_cast<double>((sideways ? delta.x : delta.y) / theme_.scale);
  };
  ImGui::PushStyleVar(ImGuiStyleVar_WindowMinSize, ImVec2(1, 1));
  ImGui::PushStyleVar(ImGuiStyleVar_WindowPadding, ImVec2(0, 0));
  const ImVec2 upright(gap, stage.size.y);
  if (!state_.large_type) {
    settings_.list_width = std::clamp(
        settings_.list_width +
            splitter("##split1", ImVec2(stage.corner.x - gap, stage.corner.y), upright, true),
        120.0, 600.0);
    settings_.note_width =
        std::clamp(settings_.note_width -
                       splitter("##split2", ImVec2(stage.End().x, stage.corner.y), upright, true),
                   220.0, 800.0);
  }
  const ImVec2 flat(ImGui::GetIO().DisplaySize.x, gap);
  settings_.chart_height = std::clamp(
      settings_.chart_height - splitter("##split3", ImVec2(0, stage.End().y), flat, false), 100.0,
      500.0);
  ImGui::PopStyleVar(2);
}

std::vector<std::uint8_t> Application::ReadPixels(const Eigen::Vector2i& corner_px,
                                                  const Eigen::Vector2i& size_px) const {
  std::vector<std::uint8_t> rgba(static_cast<std::size_t>(size_px.x()) *
                                 static_cast<std::size_t>(size_px.y()) * 4);
  glPixelStorei(GL_PACK_ALIGNMENT, 1);
  const int bottom = window_->SizePx().y() - corner_px.y() - size_px.y();
  glReadPixels(corner_px.x(), bottom, size_px.x(), size_px.y(), GL_RGBA, GL_UNSIGNED_BYTE,
               rgba.data());
  return rgba;
}

void Application::AttachPicture() {
  attach_next_ = false;
  const std::string caption = PictureCaption(*session_, state_);
  // Drawn once more without what stands over it, then read before it is shown.
  const Dialog dialog = std::exchange(state_.dialog, Dialog::kNone);
  FrameInput still;
  Frame(still, 0.0);
  state_.dialog = dialog;
  glReadBuffer(GL_BACK);
  const Eigen::Vector2i corner(static_cast<int>(stage_area_.corner.x),
                               static_cast<int>(stage_area_.corner.y));
  const Eigen::Vector2i size(static_cast<int>(stage_area_.size.x),
                             static_cast<int>(stage_area_.size.y));
  const auto jpeg = Encoded(".jpg", ReadPixels(corner, size), size);
  state_.message_is_failure = true;
  if (!jpeg) {
    state_.message = jpeg.error().message;
    return;
  }
  Attachment attachment;
  attachment.midi = session_->Midi();
  attachment.name = NoteName(session_->Midi()) +
                    (state_.stage == Stage::kPhoto  ? "_photo"
                     : state_.stage == Stage::kHarp ? "_harp"
                                                    : "_section") +
                    ".jpg";
  std::replace(attachment.name.begin(), attachment.name.end(), '#', 's');
  attachment.media_type = "image/jpeg";
  attachment.caption = caption;
  const auto kept = session_->Attach(attachment, *jpeg);
  state_.message = kept ? "attached to the record: " + caption : kept.error().message;
  state_.message_is_failure = !kept;
}

Result<void> Application::WriteScreenshot(const fs::path& file) {
  const FrameInput nothing;
  if (session_) shelf_->WaitForAll(*session_);
  const bool scene_only = !request_.whole_window && session_;
  // The first frame settles the layout; what depends on the stage's size comes after it.
  Frame(nothing, 0.01, scene_only);
  if (session_) {
    if (request_.whole_photo) FrameWholePhoto(*session_, state_);
    if (request_.down_the_tine) Execute(Command::kLookDownTine, &*session_, state_);
    if (request_.from_camera) Execute(Command::kViewFromPhoto, &*session_, state_);
    state_.message.clear();
    AdvanceFlight(state_, 100.0);
  }
  Frame(nothing, 0.01, scene_only);
  Frame(nothing, 0.01, scene_only);
  glReadBuffer(GL_BACK);
  const Eigen::Vector2i size = window_->SizePx();
  const auto png = Encoded(".png", ReadPixels({0, 0}, size), size);
  if (!png) return tl::unexpected(png.error());
  return WriteFileAtomically(file, *png);
}

std::vector<double> Application::TimeFrames(int count) {
  std::vector<double> seconds;
  const FrameInput nothing;
  if (session_) shelf_->WaitForAll(*session_);
  Frame(nothing, 0.01);
  timing_ = true;
  for (int i = 0; i < count; ++i) {
    const double start = window_->Now();
    if (state_.stage == Stage::kHarp) Orbit(state_.view, state_.model.center_mm, 0.02, 0.01);
    if (state_.stage == Stage::kPhoto) state_.photo.origin_px.x() += i % 2 == 0 ? 3.0 : -3.0;
    Frame(nothing, 0.01);
    window_->SwapBuffers();
    glFinish();
    seconds.push_back(window_->Now() - start);
  }
  return seconds;
}

void Application::LoadEverything() {
  if (!session_) return;
  const FrameInput nothing;
  const auto settle = [&] {
    do {
      if (shelf_->Update(*session_)) Frame(nothing, 0.01);
      window_->WaitForEvents(0.01);
    } while (!shelf_->Settled());
  };
  settle();
  for (std::size_t i = 0; i < session_->PhotosOfSelection().size(); ++i) {
    Execute(Command::kNextPhoto, &*session_, state_);
    settle();
  }
}

void Application::Remember() {
  settings_.dark = state_.dark;
  settings_.text_scale = state_.text_scale;
  const Eigen::Vector2i size = window_->SizePx();
  settings_.width_px = std::max(640, size.x());
  settings_.height_px = std::max(400, size.y());
  // Not worth a failure: the work itself is in the record.
  (void)WriteSettings(settings_, SettingsFile());
}

}  // namespace tinesight

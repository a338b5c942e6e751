#include "viewer/window/dialogs.hpp"

#include <imgui_stdlib.h>

#include <algorithm>
#include <array>

#include "viewer/window/dialog_parts.hpp"
#include "viewer/window/panels.hpp"

namespace tinesight {
namespace {

namespace fs = std::filesystem;

bool EnterPressed() {
  return ImGui::IsKeyPressed(ImGui::GetKeyIndex(ImGuiKey_Enter), false) ||
         ImGui::IsKeyPressed(ImGui::GetKeyIndex(ImGuiKey_KeyPadEnter), false);
}

// A radio button a choice; several in a line.
template <typename Value>
void Choice(const char* label, Value& value, Value choice) {
  if (ImGui::RadioButton(label, value == choice)) value = choice;
}

void DrawKeys(const Theme& t) {
  std::string group;
  for (const CommandInfo& info : AllCommands()) {
    if (group != info.group) {
      group = info.group;
      ImGui::Dummy(ImVec2(0.0F, t.Px(6.0)));
      ImGui::PushFont(t.fonts.bold);
      TextColored(t.palette.accent, group);
      ImGui::PopFont();
    }
    ImGui::TextUnformatted(info.name);
    ImGui::SameLine();
    const std::string chord = ChordText(info.chord);
    ImGui::SetCursorPosX(t.Px(430.0) - ImGui::CalcTextSize(chord.c_str()).x);
    TextColored(t.palette.muted, chord);
  }
}

void DrawHelp(const Theme& t) {
  Title(t, "Help");
  TextWrapped(
      "The list at the left holds the notes that are not plainly in tolerance, the worst first. "
      "Look at each in its photos, then accept its figures (A), reject them (R), or say that it "
      "needs another photo (P); the next note comes by itself. Every decision is in the record at "
      "once, and Ctrl+Z takes it back.");
  ImGui::Dummy(ImVec2(0.0F, t.Px(4.0)));
  TextWrapped(
      "Over the photo: orange is the tine as it was found with its outline, dashed blue where its "
      "axis should be, yellow the pole tip, the white arrow the lateral offset. Where the orange "
      "outline does not lie on the tine's edges, the note was misread: reject it.");
  ImGui::Dummy(ImVec2(0.0F, t.Px(4.0)));
  TextWrapped(
      "A verdict is told by shape and word as well as by color: a disc is in tolerance, a diamond "
      "is to be corrected, a triangle is uncertain, a cross was not measured. On the keyboard, the "
      "bar is the deviation from the target, the thin line U (k = 2), the band the tolerance; a "
      "hollow bar is the visit before.");
  DrawKeys(t);
}

void DrawCautions(const Theme& t) {
  Title(t, "Cautions");
  constexpr std::array kCautions = {
      "This is a measuring tool, not a service manual. Where the instrument's maker or local rules "
      "say otherwise, they are right.",
      "Mains voltage. Cabinets with a built-in amplifier or power supply carry mains and stored "
      "charge after the plug is out. Unplug before you open anything; leave work inside to someone "
      "licensed for it where you live.",
      "A raised harp is heavy and has a long lever. Set every prop and check it by hand before you "
      "reach or lean under the harp; never rest the phone, the rig or your weight on it; keep "
      "children and pets away.",
      "Steel under tension at eye height. Springs, screws and a tine that comes loose fly. Wear "
      "glasses when you loosen a tone bar or move a tine in its block, and keep your face out of "
      "the line of the tines.",
      "Small turns. Correct by the figure, then measure again. Never bend a tine to center it, and "
      "keep tuning springs where they were, or retune.",
      "Solvents, old solder and dust. Old grommets and felt shed dust, old solder holds lead, and "
      "cleaners dissolve finishes and irritate lungs: ventilate, wear gloves, wash your hands, and "
      "don't blow dust about.",
      "Magnets. Pickups hold strong magnets: watch out with screwdriver tips near coil wire as "
      "fine "
      "as hair, and with pacemakers."};
  for (const char* caution : kCautions) {
    TextWrapped(caution);
    ImGui::Dummy(ImVec2(0.0F, t.Px(4.0)));
  }
}

}  // namespace

bool BeginDialog(const Theme& t, const char* name, double width, double height, bool fresh) {
  const ImVec2 display = ImGui::GetIO().DisplaySize;
  const ImVec2 size(std::min(t.Px(width), display.x - t.Px(24.0)),
                    std::min(t.Px(height), display.y - t.Px(24.0)));
  ImGui::SetNextWindowPos(ImVec2(0, 0));
  ImGui::SetNextWindowSize(display);
  ImGui::PushStyleColor(ImGuiCol_WindowBg, IM_COL32(0, 0, 0, t.palette.dark ? 140 : 90));
  ImGui::Begin("##dim", nullptr,
               ImGuiWindowFlags_NoDecoration | ImGuiWindowFlags_NoMove |
                   ImGuiWindowFlags_NoSavedSettings | ImGuiWindowFlags_NoNav);
  if (fresh) ImGui::SetWindowFocus();
  const bool away = ImGui::IsWindowHovered() && ImGui::IsMouseClicked(0);
  ImGui::End();
  ImGui::PopStyleColor();
  ImGui::SetNextWindowPos(ImVec2(0.5F * (display.x - size.x), 0.42F * (display.y - size.y)));
  ImGui::SetNextWindowSize(size);
  ImGui::PushStyleVar(ImGuiStyleVar_WindowRounding, t.Px(9.0));
  ImGui::PushStyleVar(ImGuiStyleVar_WindowBorderSize, 1.0F);
  ImGui::PushStyleVar(ImGuiStyleVar_WindowPadding, ImVec2(t.Px(20.0), t.Px(16.0)));
  // Fields and choices that are not taken are as dark as what they lie on.
  ImGui::PushStyleVar(ImGuiStyleVar_FrameBorderSize, 1.0F);
  ImGui::PushStyleColor(ImGuiCol_Border, WithOpacity(t.palette.muted, 0.6));
  ImGui::Begin(name, nullptr,
               ImGuiWindowFlags_NoTitleBar | ImGuiWindowFlags_NoResize | ImGuiWindowFlags_NoMove |
                   ImGuiWindowFlags_NoCollapse | ImGuiWindowFlags_NoSavedSettings);
  if (fresh || ImGui::IsWindowAppearing()) ImGui::SetWindowFocus();
  return !away;
}

fs::path TypedPath(const std::string& text) {
  const char* home = std::getenv("HOME");
  if (text.starts_with("~/") && home != nullptr) return home + text.substr(1);
  return text;
}

void EndDialog() {
  ImGui::End();
  ImGui::PopStyleColor();
  ImGui::PopStyleVar(4);
}

void Title(const Theme& t, const char* text) {
  ImGui::PushFont(t.fonts.title);
  ImGui::TextUnformatted(text);
  ImGui::PopFont();
  ImGui::Dummy(ImVec2(0.0F, t.Px(4.0)));
}

std::optional<fs::path> Dialogs::Draw(const Theme& t, Session* session, ViewState& state) {
  fresh_ = state.dialog != drawn_;
  if (fresh_) desktop_.Cancel();
  drawn_ = state.dialog;
  if (fresh_) {
    text_.clear();
    problem_.clear();
    chosen_ = 0;
    finding_ = Finding{};
    finding_.part = FindingPart::kGrommet;
    if (session != nullptr) finding_.midi = session->Midi();
  }
  std::optional<fs::path> file;
  switch (state.dialog) {
    case Dialog::kNone:
      break;
    case Dialog::kCommandList:
      DrawCommandList(t, session, state);
      break;
    case Dialog::kHelp:
    case Dialog::kCautions:
      if (!BeginDialog(t, "##page", 560.0, 680.0, fresh_)) state.dialog = Dialog::kNone;
      drawn_ == Dialog::kHelp ? DrawHelp(t) : DrawCautions(t);
      EndDialog();
      break;
    case Dialog::kOpenFile:
      file = DrawOpen(t, state);
      break;
    case Dialog::kFinding:
      if (session != nullptr) DrawFinding(t, *session, state);
      break;
    case Dialog::kWork:
      if (session != nullptr) DrawWork(t, *session, state);
      break;
    case Dialog::kFollow:
      break;  // FollowDialog's
  }
  return file;
}

void Dialogs::DrawCommandList(const Theme& t, Session* session, ViewState& state) {
  if (!BeginDialog(t, "##commands", 520.0, 460.0, fresh_)) state.dialog = Dialog::kNone;
  if (fresh_) ImGui::SetKeyboardFocusHere();
  ImGui::SetNextItemWidth(-1.0F);
  if (ImGui::InputTextWithHint("##search", "search the commands", &text_)) chosen_ = 0;
  const auto found = SearchCommands(text_);
  const auto last = static_cast<int>(found.size()) - 1;
  const int step = (ImGui::IsKeyPressed(ImGui::GetKeyIndex(ImGuiKey_DownArrow)) ? 1 : 0) -
                   (ImGui::IsKeyPressed(ImGui::GetKeyIndex(ImGuiKey_UpArrow)) ? 1 : 0);
  chosen_ = std::clamp(chosen_ + step, 0, std::max(0, last));
  std::optional<Command> run;
  if (EnterPressed() && !found.empty()) run = found[static_cast<std::size_t>(chosen_)]->command;
  ImGui::BeginChild("##found", ImVec2(0, 0), false, ImGuiWindowFlags_NoNav);
  for (int i = 0; i <= last; ++i) {
    const CommandInfo& info = *found[static_cast<std::size_t>(i)];
    if (ImGui::Selectable(info.name, i == chosen_)) run = info.command;
    if (i == chosen_ && step != 0) ImGui::SetScrollHereY(0.5F);
    ImGui::SameLine();
    const std::string chord = ChordText(info.chord);
    ImGui::SetCursorPosX(ImGui::GetWindowContentRegionMax().x -
                         ImGui::CalcTextSize(chord.c_str()).x);
    TextColored(t.palette.muted, chord);
  }
  if (found.empty()) TextColored(t.palette.muted, "no command has these words");
  ImGui::EndChild();
  EndDialog();
  if (!run) return;
  state.dialog = Dialog::kNone;
  Execute(*run, session, state);
}

std::optional<fs::path> Dialogs::DrawOpen(const Theme& t, ViewState& state) {
  if (!BeginDialog(t, "##open", 640.0, 190.0, fresh_)) state.dialog = Dialog::kNone;
  Title(t, "Open");
  TextWrapped(
      "Path of a service record (.tinerec) or of a result (.json); a file can also be "
      "dropped on the window.");
  if (fresh_) {
    ImGui::SetKeyboardFocusHere();
    (void)desktop_.Open(DesktopDialog::Kind::kFile, "Open a service record");
  }
  ImGui::SetNextItemWidth(-1.0F);
  bool entered = ImGui::InputText("##path", &text_, ImGuiInputTextFlags_EnterReturnsTrue);
  if (const auto chosen = desktop_.Poll()) {
    text_ = chosen->string();
    entered = true;
  }
  const bool pressed = ImGui::Button("Open");
  ImGui::SameLine();
  if (ImGui::Button("Cancel")) state.dialog = Dialog::kNone;
  EndDialog();
  if (!(entered || pressed) || text_.empty()) return std::nullopt;
  state.dialog = Dialog::kNone;
  return TypedPath(text_);
}

void Dialogs::DrawFinding(const Theme& t, Session& session, ViewState& state) {
  if (!BeginDialog(t, "##finding", 600.0, 420.0, fresh_)) state.dialog = Dialog::kNone;
  Title(t, ("Finding at " + DisplayName(finding_.midi)).c_str());
  constexpr std::array kParts = {FindingPart::kGrommet,  FindingPart::kSpring,
                                 FindingPart::kTineSeat, FindingPart::kHammerTip,
                                 FindingPart::kScrew,    FindingPart::kInPlaceOfGrommet,
                                 FindingPart::kOther};
  for (std::size_t i = 0; i < kParts.size(); ++i) {
    if (i % 4 != 0) ImGui::SameLine();
    const FindingPart before = finding_.part;
    Choice(PartWord(kParts[i]).c_str(), finding_.part, kParts[i]);
    if (finding_.part != before) finding_.state.clear();
  }
  ImGui::Separator();
  const auto& states = StatesOf(finding_.part);
  for (std::size_t i = 0; i < states.size(); ++i) {
    if (i % 4 != 0) ImGui::SameLine();
    Choice(states[i].c_str(), finding_.state, states[i]);
  }
  if (finding_.part == FindingPart::kSpring) {
    ImGui::SetNextItemWidth(t.Px(200.0));
    ImGui::InputTextWithHint("##grade", "grade, like light or heavy", &finding_.state);
    ImGui::SameLine();
    ImGui::Checkbox("doubled", &finding_.doubled);
  }
  const bool has_place =
      finding_.part == FindingPart::kGrommet || finding_.part == FindingPart::kSpring ||
      finding_.part == FindingPart::kScrew || finding_.part == FindingPart::kInPlaceOfGrommet;
  if (has_place) {
    ImGui::Separator();
    Choice("either screw", finding_.place, ScrewPlace::kEither);
    ImGui::SameLine();
    Choice("forward screw", finding_.place, ScrewPlace::kForward);
    ImGui::SameLine();
    Choice("rear screw", finding_.place, ScrewPlace::kRear);
  } else {
    finding_.place = ScrewPlace::kEither;
  }
  ImGui::Separator();
  Choice("before the work", finding_.stage, WorkStage::kBefore);
  ImGui::SameLine();
  Choice("after the work", finding_.stage, WorkStage::kAfter);
  ImGui::SetNextItemWidth(-1.0F);
  const bool entered = ImGui::InputTextWithHint("##remark", "remark", &finding_.text,
                                                ImGuiInputTextFlags_EnterReturnsTrue);
  DrawProblem(t);
  const bool pressed = ImGui::Button("Enter in the record");
  ImGui::SameLine();
  if (ImGui::Button("Cancel")) state.dialog = Dialog::kNone;
  EndDialog();
  if (!entered && !pressed) return;
  if (!states.empty() && finding_.state.empty()) {
    problem_ = "Say which: " + states.front() + (states.size() > 1 ? ", " + states[1] + " …" : "");
    return;
  }
  Entered(session.AddFinding(finding_),
          DisplayName(finding_.midi) + ": " + FindingText(finding_) + ", entered", state);
}

void Dialogs::DrawProblem(const Theme& t) const {
  if (problem_.empty()) return;
  ImGui::PushStyleColor(ImGuiCol_Text, t.VerdictColor(Verdict::kOutOfTolerance));
  TextWrapped(problem_);
  ImGui::PopStyleColor();
}

void Dialogs::Entered(const Result<void>& kept, const std::string& done, ViewState& state) {
  if (!kept) {
    problem_ = kept.error().message;
    return;
  }
  state.message = done;
  state.message_is_failure = false;
  state.dialog = Dialog::kNone;
}

void Dialogs::DrawWork(const Theme& t, Session& session, ViewState& state) {
  if (!BeginDialog(t, "##work", 560.0, 190.0, fresh_)) state.dialog = Dialog::kNone;
  Title(t, ("Work done at " + DisplayName(session.Midi())).c_str());
  if (fresh_) ImGui::SetKeyboardFocusHere();
  ImGui::SetNextItemWidth(-1.0F);
  const bool entered = ImGui::InputTextWithHint("##work", "what was done, or a remark", &text_,
                                                ImGuiInputTextFlags_EnterReturnsTrue);
  DrawProblem(t);
  const bool pressed = ImGui::Button("Enter in the record");
  ImGui::SameLine();
  if (ImGui::Button("Cancel")) state.dialog = Dialog::kNone;
  EndDialog();
  if ((!entered && !pressed) || text_.empty()) return;
  Entered(session.AddWork(text_), "entered in the record: " + text_, state);
}

std::optional<fs::path> DrawStartPage(const Theme& t, ViewState& state, const fs::path& last_file,
                                      const std::string& problem) {
  std::optional<fs::path> file;
  const float width = std::min(t.Px(640.0), ImGui::GetWindowWidth() - t.Px(40.0));
  ImGui::SetCursorPos(ImVec2(0.5F * (ImGui::GetWindowWidth() - width), t.Px(70.0)));
  ImGui::BeginChild("##start", ImVec2(width, 0.0F));
  Title(t, "Tinesight");
  TextWrapped("See every tine of the harp over its photo, and decide note by note.");
  ImGui::Dummy(ImVec2(0.0F, t.Px(10.0)));
  if (!problem.empty()) {
    TextColored(t.VerdictColor(Verdict::kOutOfTolerance), "That could not be opened:");
    TextWrapped(problem);
    ImGui::Dummy(ImVec2(0.0F, t.Px(10.0)));
  }
  if (!state.follow_news.empty()) {
    if (state.follow_failed) {
      TextColored(t.VerdictColor(Verdict::kOutOfTolerance), "The photo could not be used:");
    }
    TextWrapped(state.follow_news);
  }
  if (!state.follow_status.empty()) TextColored(t.palette.accent, state.follow_status);
  if (ImGui::Button("Open a service record …  Ctrl+O")) state.dialog = Dialog::kOpenFile;
  if (!last_file.empty()) {
    if (ImGui::Button(("Open " + last_file.filename().string() + " again  " +
                       ChordText(InfoOf(Command::kReload).chord))
                          .c_str())) {
      file = last_file;
    }
    ImGui::SameLine();
    TextColored(t.palette.muted, last_file.parent_path().string());
  }
  ImGui::Dummy(ImVec2(0.0F, t.Px(16.0)));
  ImGui::PushFont(t.fonts.bold);
  ImGui::TextUnformatted("No record yet? Then, in this order:");
  ImGui::PopFont();
  constexpr std::array kSteps = {
      "1.  Print the strips for the phone rig:  tinesight strips --pdf strips.pdf --rig "
      "rig_nominal.json",
      "2.  Calibrate the phone from a dozen photos of the rig:  tinesight calibrate PHOTO…",
      "3.  Swing the harp up, clamp the rig, take two photos of each register.",
      "4.  Measure:  tinesight measure PHOTO… --camera camera.json --rig rig.json --instrument "
      "instrument.json --damper harp-raised --record piano.tinerec --visit \"as found\"",
      "5.  Open piano.tinerec here, or drop it on this window. Photos dropped here are measured "
      "too."};
  for (const char* step : kSteps) TextWrapped(step);
  ImGui::Dummy(ImVec2(0.0F, t.Px(16.0)));
  TextWrapped("Before you open the instrument, read the cautions.");
  if (ImGui::Button("Cautions  F2")) state.dialog = Dialog::kCautions;
  ImGui::SameLine();
  if (ImGui::Button("Help  F1")) state.dialog = Dialog::kHelp;
  ImGui::SameLine();
  if (ImGui::Button("Commands  Ctrl+K")) state.dialog = Dialog::kCommandList;
  ImGui::EndChild();
  return file;
}

}  // namespace tinesight

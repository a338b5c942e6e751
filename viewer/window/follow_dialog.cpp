#include "viewer/window/follow_dialog.hpp"

#include <imgui.h>
#include <imgui_stdlib.h>

#include "viewer/window/dialog_parts.hpp"
#include "viewer/window/panels.hpp"

namespace tinesight {

void FollowDialog::Fill(const MeasureFiles& files, const std::filesystem::path& folder,
                        bool has_instrument, bool asks_folder) {
  base_ = files;
  texts_ = {files.camera.string(), files.rig.string(), files.instrument.string(), folder.string()};
  has_instrument_ = has_instrument;
  asks_folder_ = asks_folder;
  drawn_ = false;
  problem_.clear();
}

MeasureFiles FollowDialog::Files() const {
  MeasureFiles files = base_;
  files.camera = TypedPath(texts_[kCamera]);
  files.rig = TypedPath(texts_[kRig]);
  files.instrument = TypedPath(texts_[kInstrument]);
  return files;
}

std::filesystem::path FollowDialog::Folder() const { return TypedPath(texts_[kFolder]); }

bool FollowDialog::DrawField(const Theme& t, Field field, const char* label, bool fresh) {
  static const bool kDesktop = DesktopDialog::Available();
  ImGui::PushID(label);
  TextColored(t.palette.muted, label);
  if (fresh) ImGui::SetKeyboardFocusHere();
  ImGui::SetNextItemWidth(kDesktop ? -t.Px(90.0) : -1.0F);
  const bool entered =
      ImGui::InputText("##path", &texts_[field], ImGuiInputTextFlags_EnterReturnsTrue);
  if (kDesktop) {
    ImGui::SameLine();
    if (ImGui::Button("Choose …") &&
        desktop_.Open(field == kFolder ? DesktopDialog::Kind::kFolder : DesktopDialog::Kind::kFile,
                      label)) {
      choosing_ = field;
    }
  }
  ImGui::PopID();
  return entered;
}

bool FollowDialog::Draw(const Theme& t, ViewState& state) {
  if (state.dialog != Dialog::kFollow) {
    drawn_ = false;
    desktop_.Cancel();
    return false;
  }
  const bool fresh = !drawn_;
  drawn_ = true;
  if (!BeginDialog(t, "##follow", 620.0, has_instrument_ ? 320.0 : 380.0, fresh))
    state.dialog = Dialog::kNone;
  Title(t, asks_folder_ ? "Follow the screwdriver" : "Measure the photos");
  TextWrapped(asks_folder_
                  ? "Each photo that comes into the folder is measured by itself, and what is left "
                    "to turn stands here in large type. Turn a little, take a photo, look again."
                  : "What the photos are measured with:");
  if (const auto chosen = desktop_.Poll()) texts_[choosing_] = chosen->string();
  bool start = DrawField(t, kCamera, "camera file, from tinesight calibrate", fresh);
  start |= DrawField(t, kRig, "rig file, from tinesight calibrate", false);
  if (!has_instrument_) start |= DrawField(t, kInstrument, "instrument profile", false);
  if (asks_folder_) start |= DrawField(t, kFolder, "folder that new photos come into", false);
  if (!problem_.empty()) {
    ImGui::PushStyleColor(ImGuiCol_Text, t.VerdictColor(Verdict::kOutOfTolerance));
    TextWrapped(problem_);
    ImGui::PopStyleColor();
  }
  start |= ImGui::Button("Start");
  ImGui::SameLine();
  if (ImGui::Button("Cancel")) state.dialog = Dialog::kNone;
  EndDialog();
  return start;
}

}  // namespace tinesight

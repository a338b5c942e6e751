#include "viewer/window/imgui_bridge.hpp"

#include <epoxy/gl.h>
#define GLFW_INCLUDE_NONE
#include <GLFW/glfw3.h>
#include <backends/imgui_impl_opengl3.h>
#include <imgui.h>

#include <algorithm>

namespace tinesight {
namespace {

void MapKeys(ImGuiIO& io) {
  io.KeyMap[ImGuiKey_Tab] = GLFW_KEY_TAB;
  io.KeyMap[ImGuiKey_LeftArrow] = GLFW_KEY_LEFT;
  io.KeyMap[ImGuiKey_RightArrow] = GLFW_KEY_RIGHT;
  io.KeyMap[ImGuiKey_UpArrow] = GLFW_KEY_UP;
  io.KeyMap[ImGuiKey_DownArrow] = GLFW_KEY_DOWN;
  io.KeyMap[ImGuiKey_PageUp] = GLFW_KEY_PAGE_UP;
  io.KeyMap[ImGuiKey_PageDown] = GLFW_KEY_PAGE_DOWN;
  io.KeyMap[ImGuiKey_Home] = GLFW_KEY_HOME;
  io.KeyMap[ImGuiKey_End] = GLFW_KEY_END;
  io.KeyMap[ImGuiKey_Insert] = GLFW_KEY_INSERT;
  io.KeyMap[ImGuiKey_Delete] = GLFW_KEY_DELETE;
  io.KeyMap[ImGuiKey_Backspace] = GLFW_KEY_BACKSPACE;
  io.KeyMap[ImGuiKey_Space] = GLFW_KEY_SPACE;
  io.KeyMap[ImGuiKey_Enter] = GLFW_KEY_ENTER;
  io.KeyMap[ImGuiKey_Escape] = GLFW_KEY_ESCAPE;
  io.KeyMap[ImGuiKey_KeyPadEnter] = GLFW_KEY_KP_ENTER;
  io.KeyMap[ImGuiKey_A] = GLFW_KEY_A;
  io.KeyMap[ImGuiKey_C] = GLFW_KEY_C;
  io.KeyMap[ImGuiKey_V] = GLFW_KEY_V;
  io.KeyMap[ImGuiKey_X] = GLFW_KEY_X;
  io.KeyMap[ImGuiKey_Y] = GLFW_KEY_Y;
  io.KeyMap[ImGuiKey_Z] = GLFW_KEY_Z;
}

void ConnectClipboard(ImGuiIO& io, DesktopWindow& window) {
  io.ClipboardUserData = &window;
  io.GetClipboardTextFn = [](void* user) {
    static std::string text;  // ImGui keeps the pointer until the next call
    text = static_cast<DesktopWindow*>(user)->Clipboard();
    return text.c_str();
  };
  io.SetClipboardTextFn = [](void* user, const char* text) {
    static_cast<DesktopWindow*>(user)->SetClipboard(text);
  };
}

}  // namespace

Result<std::unique_ptr<ImGuiBridge>> ImGuiBridge::Make(DesktopWindow& window) {
  IMGUI_CHECKVERSION();
  ImGui::CreateContext();
  std::unique_ptr<ImGuiBridge> bridge(new ImGuiBridge(window));
  ImGuiIO& io = ImGui::GetIO();
  io.IniFilename = nullptr;  // what is remembered is in our own settings
  io.LogFilename = nullptr;
  io.ConfigFlags |= ImGuiConfigFlags_NavEnableKeyboard | ImGuiConfigFlags_NoMouseCursorChange;
  MapKeys(io);
  ConnectClipboard(io, window);
  if (!ImGui_ImplOpenGL3_Init("#version 330 core")) {
    return Fail("the graphics driver refuses OpenGL 3.3");
  }
  return bridge;
}

ImGuiBridge::~ImGuiBridge() {
  if (ImGui::GetIO().BackendRendererUserData != nullptr) ImGui_ImplOpenGL3_Shutdown();
  ImGui::DestroyContext();
}

void ImGuiBridge::FontsChanged() {
  ImGui_ImplOpenGL3_DestroyFontsTexture();
  ImGui_ImplOpenGL3_CreateFontsTexture();
}

void ImGuiBridge::NewFrame(const FrameInput& input, double seconds) {
  ImGuiIO& io = ImGui::GetIO();
  const Eigen::Vector2i size = window_.SizePx();
  io.DisplaySize = ImVec2(static_cast<float>(size.x()), static_cast<float>(size.y()));
  io.DeltaTime = static_cast<float>(std::clamp(seconds, 1e-4, 0.1));
  io.MousePos =
      ImVec2(static_cast<float>(input.cursor_px.x()), static_cast<float>(input.cursor_px.y()));
  for (std::size_t i = 0; i < input.buttons.size(); ++i) io.MouseDown[i] = input.buttons[i];
  io.MouseWheel = static_cast<float>(input.scroll);
  std::copy(input.keys.begin(), input.keys.end(), std::begin(io.KeysDown));
  const auto held = [&](int left, int right) {
    return input.keys[static_cast<std::size_t>(left)] ||
           input.keys[static_cast<std::size_t>(right)];
  };
  io.KeyCtrl = held(GLFW_KEY_LEFT_CONTROL, GLFW_KEY_RIGHT_CONTROL);
  io.KeyShift = held(GLFW_KEY_LEFT_SHIFT, GLFW_KEY_RIGHT_SHIFT);
  io.KeyAlt = held(GLFW_KEY_LEFT_ALT, GLFW_KEY_RIGHT_ALT);
  for (const char32_t letter : input.letters) io.AddInputCharacter(static_cast<unsigned>(letter));
  ImGui_ImplOpenGL3_NewFrame();
  ImGui::NewFrame();
}

void ImGuiBridge::Render(unsigned background) {
  ImGui::Render();
  const Eigen::Vector2i size = window_.SizePx();
  const ImVec4 color = ImGui::ColorConvertU32ToFloat4(background);
  glBindFramebuffer(GL_FRAMEBUFFER, 0);
  glViewport(0, 0, size.x(), size.y());
  glDisable(GL_SCISSOR_TEST);
  glClearColor(color.x, color.y, color.z, 1.0F);
  glClear(GL_COLOR_BUFFER_BIT);
  ImGui_ImplOpenGL3_RenderDrawData(ImGui::GetDrawData());
}

}  // namespace tinesight

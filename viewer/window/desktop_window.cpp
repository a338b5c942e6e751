#include "viewer/window/desktop_window.hpp"

#include <epoxy/gl.h>
// After epoxy, whose OpenGL declarations it would repeat.
#define GLFW_INCLUDE_NONE
#include <GLFW/glfw3.h>

#include <algorithm>
#include <cctype>

namespace tinesight {
namespace {

// Why the window library refused, as it last said.
std::string& LastProblem() {
  static std::string problem;
  return problem;
}

DesktopWindow& Self(GLFWwindow* window) {
  return *static_cast<DesktopWindow*>(glfwGetWindowUserPointer(window));
}

// The letter that the key carries on this keyboard, so that commands follow its labels.
int KeyMeaning(int key, int scancode) {
  if (key >= GLFW_KEY_KP_0 && key <= GLFW_KEY_KP_9) return '0' + key - GLFW_KEY_KP_0;
  if (key == GLFW_KEY_KP_ADD) return '+';
  if (key == GLFW_KEY_KP_SUBTRACT) return '-';
  if (key == GLFW_KEY_KP_ENTER) return kKeyEnter;
  if (key >= GLFW_KEY_ESCAPE) return key;
  const char* name = glfwGetKeyName(key, scancode);
  if (name != nullptr && name[0] != '\0' && name[1] == '\0') {
    return std::toupper(static_cast<unsigned char>(name[0]));
  }
  return key;
}

void OnKey(GLFWwindow* window, int key, int scancode, int action, int modifiers) {
  Chord chord;
  chord.key = KeyMeaning(key, scancode);
  chord.control = (modifiers & GLFW_MOD_CONTROL) != 0;
  chord.shift = (modifiers & GLFW_MOD_SHIFT) != 0;
  chord.alt = (modifiers & GLFW_MOD_ALT) != 0;
  Self(window).Input().Add(InputEvent::Key{key, action != GLFW_RELEASE, chord});
}

void OnLetter(GLFWwindow* window, unsigned int code) {
  Self(window).Input().Add(InputEvent::Letter{static_cast<char32_t>(code)});
}

// Window coordinates are not pixels on every system.
Eigen::Vector2d PixelsPerUnit(GLFWwindow* window) {
  int width = 1;
  int height = 1;
  int width_px = 1;
  int height_px = 1;
  glfwGetWindowSize(window, &width, &height);
  glfwGetFramebufferSize(window, &width_px, &height_px);
  return {static_cast<double>(width_px) / std::max(1, width),
          static_cast<double>(height_px) / std::max(1, height)};
}

void OnMove(GLFWwindow* window, double x, double y) {
  Self(window).Input().Add(
      InputEvent::Move{Eigen::Vector2d(x, y).cwiseProduct(PixelsPerUnit(window))});
}

void OnButton(GLFWwindow* window, int button, int action, int /*modifiers*/) {
  Self(window).Input().Add(InputEvent::Button{button, action == GLFW_PRESS});
}

void OnScroll(GLFWwindow* window, double /*x*/, double y) {
  Self(window).Input().Add(InputEvent::Scroll{y});
}

}  // namespace

Result<std::unique_ptr<DesktopWindow>> DesktopWindow::Open(const Options& options) {
  glfwSetErrorCallback([](int /*code*/, const char* text) { LastProblem() = text; });
  if (glfwInit() == GLFW_FALSE) {
    return Fail(
        "no window can be opened: " + LastProblem() +
        "; start it in a desktop session, or use `xvfb-run -a tinesight view … --screenshot "
        "NAME.png` where there is no screen");
  }
  glfwWindowHint(GLFW_CONTEXT_VERSION_MAJOR, 3);
  glfwWindowHint(GLFW_CONTEXT_VERSION_MINOR, 3);
  glfwWindowHint(GLFW_OPENGL_PROFILE, GLFW_OPENGL_CORE_PROFILE);
  glfwWindowHint(GLFW_OPENGL_FORWARD_COMPAT, GLFW_TRUE);
  glfwWindowHint(GLFW_VISIBLE, options.visible ? GLFW_TRUE : GLFW_FALSE);
  glfwWindowHint(GLFW_DEPTH_BITS, 0);
  GLFWwindow* window = glfwCreateWindow(options.width_px, options.height_px, options.title.c_str(),
                                        nullptr, nullptr);
  if (window == nullptr) {
    const std::string problem = LastProblem();
    glfwTerminate();
    return Fail("no window with OpenGL 3.3 can be opened: " + problem +
                "; install the graphics driver, or Mesa's software renderer (package "
                "libgl1-mesa-dri)");
  }
  glfwMakeContextCurrent(window);
  glfwSwapInterval(options.visible ? 1 : 0);
  return std::unique_ptr<DesktopWindow>(new DesktopWindow(window));
}

DesktopWindow::DesktopWindow(GLFWwindow* window) : window_(window) { InstallCallbacks(); }

DesktopWindow::~DesktopWindow() {
  glfwDestroyWindow(window_);
  glfwTerminate();
}

void DesktopWindow::InstallCallbacks() {
  glfwSetWindowUserPointer(window_, this);
  glfwSetKeyCallback(window_, OnKey);
  glfwSetCharCallback(window_, OnLetter);
  glfwSetCursorPosCallback(window_, OnMove);
  glfwSetMouseButtonCallback(window_, OnButton);
  glfwSetScrollCallback(window_, OnScroll);
  glfwSetWindowFocusCallback(window_, [](GLFWwindow* window, int focused) {
    if (focused == GLFW_FALSE) Self(window).input_.ReleaseAll();
  });
  glfwSetWindowRefreshCallback(window_, [](GLFWwindow* window) { Self(window).dirty_ = true; });
  glfwSetFramebufferSizeCallback(window_, [](GLFWwindow* window, int /*width*/, int /*height*/) {
    Self(window).dirty_ = true;
  });
  glfwSetDropCallback(window_, [](GLFWwindow* window, int count, const char** files) {
    for (int i = 0; i < count; ++i) Self(window).dropped_.emplace_back(files[i]);
  });
}

void DesktopWindow::WaitForEvents(double seconds) {
  if (seconds <= 0.0 || !input_.Empty()) {
    glfwPollEvents();
  } else {
    glfwWaitEventsTimeout(seconds);
  }
}

Eigen::Vector2i DesktopWindow::SizePx() const {
  Eigen::Vector2i size;
  glfwGetFramebufferSize(window_, &size.x(), &size.y());
  return size;
}

double DesktopWindow::ContentScale() const {
  float x = 1.0F;
  float y = 1.0F;
  glfwGetWindowContentScale(window_, &x, &y);
  return std::clamp(static_cast<double>(std::max(x, y)), 0.5, 4.0);
}

bool DesktopWindow::CloseWanted() const { return glfwWindowShouldClose(window_) != GLFW_FALSE; }

bool DesktopWindow::Minimized() const {
  return glfwGetWindowAttrib(window_, GLFW_ICONIFIED) != GLFW_FALSE;
}

bool DesktopWindow::TakeDirty() { return std::exchange(dirty_, false); }

std::vector<std::string> DesktopWindow::TakeDropped() { return std::exchange(dropped_, {}); }

void DesktopWindow::SetTitle(const std::string& title) {
  glfwSetWindowTitle(window_, title.c_str());
}

void DesktopWindow::SwapBuffers() { glfwSwapBuffers(window_); }

std::string DesktopWindow::Clipboard() const {
  const char* text = glfwGetClipboardString(window_);
  return text != nullptr ? text : "";
}

void DesktopWindow::SetClipboard(const std::string& text) {
  glfwSetClipboardString(window_, text.c_str());
}

double DesktopWindow::Now() const { return glfwGetTime(); }

}  // namespace tinesight

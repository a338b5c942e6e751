#include "viewer/input_queue.hpp"

#include <set>

namespace tinesight {
namespace {

// ImGui moves the keyboard to the next field one frame after Tab, and the field reads in the frame
// after that.
constexpr int kTabFrames = 2;

// Takes events into a frame until one contradicts what the frame has already seen.
class FrameFiller {
 public:
  explicit FrameFiller(FrameInput& frame) : frame_(frame) {}

  bool operator()(const InputEvent::Key& event) {
    if (event.key < 0 || event.key >= kInputKeys) return true;
    if (tab_) return false;
    // A second change of the same key waits; so do keys after letters and clicks, whose order
    // matters (click into a field, then type).
    if (keys_.contains(event.key) || !buttons_.empty()) return false;
    bool& held = frame_.keys[static_cast<std::size_t>(event.key)];
    if (held != event.down) keys_.insert(event.key);
    held = event.down;
    if (event.down && event.chord.key != 0) frame_.chords.push_back(event.chord);
    tab_ = event.down && event.key == kKeyTab;
    return true;
  }
  bool operator()(const InputEvent::Letter& event) {
    if (tab_ || !buttons_.empty()) return false;
    frame_.letters.push_back(event.code);
    return true;
  }
  bool operator()(const InputEvent::Move& event) {
    if (!buttons_.empty() || frame_.scroll != 0.0) return false;
    frame_.cursor_px = event.position_px;
    moved_ = true;
    return true;
  }
  bool operator()(const InputEvent::Button& event) {
    if (event.button < 0 || event.button >= kInputButtons) return true;
    if (buttons_.contains(event.button) || !frame_.chords.empty() || !frame_.letters.empty()) {
      return false;
    }
    // What is dragged follows the cursor as long as the button is down: it must see the last place.
    if (!event.down && moved_) return false;
    buttons_.insert(event.button);
    frame_.buttons[static_cast<std::size_t>(event.button)] = event.down;
    return true;
  }
  bool operator()(const InputEvent::Scroll& event) {
    frame_.scroll += event.steps;
    return true;
  }

  [[nodiscard]] bool Tab() const { return tab_; }

 private:
  FrameInput& frame_;
  std::set<int> keys_;
  std::set<int> buttons_;
  bool moved_ = false;
  bool tab_ = false;
};

}  // namespace

void InputQueue::Add(InputEvent::Move event) {
  // Only the last place of an uninterrupted move matters.
  if (!events_.empty() && std::holds_alternative<InputEvent::Move>(events_.back().what)) {
    events_.pop_back();
  }
  events_.push_back({event});
}

void InputQueue::ReleaseAll() {
  for (int key = 0; key < kInputKeys; ++key) {
    if (now_.keys[static_cast<std::size_t>(key)]) Add(InputEvent::Key{key, false, {}});
  }
  for (int button = 0; button < kInputButtons; ++button) {
    if (now_.buttons[static_cast<std::size_t>(button)]) Add(InputEvent::Button{button, false});
  }
}

FrameInput InputQueue::NextFrame() {
  now_.scroll = 0.0;
  now_.letters.clear();
  now_.chords.clear();
  if (settling_frames_ > 0) {
    --settling_frames_;
    now_.more = true;
    return now_;
  }
  FrameFiller fill(now_);
  while (!events_.empty() && std::visit(fill, events_.front().what)) events_.pop_front();
  if (fill.Tab()) settling_frames_ = kTabFrames;
  now_.more = !events_.empty() || settling_frames_ > 0;
  return now_;
}

FrameInput InputQueue::Held() const {
  FrameInput held = now_;
  held.scroll = 0.0;
  held.letters.clear();
  held.chords.clear();
  return held;
}

}  // namespace tinesight

#pragma once

#include <Eigen/Core>
#include <array>
#include <cstdint>
#include <deque>
#include <variant>
#include <vector>

#include "viewer/commands.hpp"

namespace tinesight {

/// One thing that a hand did, in the order it was done.
struct InputEvent {
  struct Key {
    int key = 0;  ///< the window library's number
    bool down = false;
    Chord chord;  ///< what it means on this keyboard; key 0: nothing
  };
  struct Letter {
    char32_t code = 0;
  };
  struct Move {
    Eigen::Vector2d position_px;
  };
  struct Button {
    int button = 0;  ///< 0 left, 1 right, 2 middle
    bool down = false;
  };
  struct Scroll {
    double steps = 0.0;  ///< + away from the hand
  };
  std::variant<Key, Letter, Move, Button, Scroll> what;
};

inline constexpr int kInputKeys = 512;
inline constexpr int kInputButtons = 3;

/// What one frame sees.
struct FrameInput {
  Eigen::Vector2d cursor_px = Eigen::Vector2d::Constant(-1.0);
  std::array<bool, kInputButtons> buttons{};
  std::array<bool, kInputKeys> keys{};
  double scroll = 0.0;
  std::vector<char32_t> letters;
  std::vector<Chord> chords;  ///< keys that went down (or repeat), with their modifiers
  bool more = false;          ///< events are left for the next frame: draw it at once
};

/// Hands events to frames so that none is lost when a frame is slow: a key or button that went down
/// and up between two frames is down in one frame and up in the next, and a click lands where the
/// cursor was when it was made.
class InputQueue {
 public:
  void Add(InputEvent::Key event) { events_.push_back({event}); }
  void Add(InputEvent::Letter event) { events_.push_back({event}); }
  void Add(InputEvent::Move event);
  void Add(InputEvent::Button event) { events_.push_back({event}); }
  void Add(InputEvent::Scroll event) { events_.push_back({event}); }
  /// The window lost the keyboard: everything held is let go.
  void ReleaseAll();

  [[nodiscard]] bool Empty() const { return events_.empty(); }
  [[nodiscard]] FrameInput NextFrame();
  /// What is held now, and nothing new: for a frame that must leave the events for later.
  [[nodiscard]] FrameInput Held() const;

 private:
  std::deque<InputEvent> events_;
  FrameInput now_;
  int settling_frames_ = 0;  // to be drawn before anything new is handed out
};

}  // namespace tinesight

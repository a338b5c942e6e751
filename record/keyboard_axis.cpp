#include "record/keyboard_axis.hpp"

#include "alignment/note_name.hpp"

namespace tinesight {
namespace {

bool IsBlackKey(int midi) {
  const int key = midi % 12;
  return key == 1 || key == 3 || key == 6 || key == 8 || key == 10;
}

}  // namespace

void DrawKeyboard(Drawing& drawing, const Keyboard& keyboard, double top) {
  for (int midi = keyboard.first; midi <= keyboard.last; ++midi) {
    const Rect key{keyboard.X(midi) - 0.5 * keyboard.key, top, keyboard.key,
                   IsBlackKey(midi) ? 0.62 * kKeyboardHeight : kKeyboardHeight};
    drawing.FillBox(key, IsBlackKey(midi) ? kBlack : kWhite);
    drawing.StrokeBox(key, {0.4, kDarkGray, {}});
    Font font = kTickFont;
    font.align = TextAlign::kCenter;
    const bool end = midi == keyboard.first || midi == keyboard.last;
    // A name beside the first or last key's would run into it.
    const bool near_end = midi - keyboard.first < 3 || keyboard.last - midi < 3;
    if (end || (midi % 12 == 0 && !near_end)) {
      drawing.Label(NoteName(midi), {keyboard.X(midi), top + kKeyboardHeight + 5.5}, font);
    }
  }
  drawing.StrokeBox({keyboard.left, top, keyboard.Right() - keyboard.left, kKeyboardHeight},
                    {0.5, kDarkGray, {}});
}

}  // namespace tinesight

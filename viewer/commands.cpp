#include "viewer/commands.hpp"

#include <algorithm>
#include <array>
#include <cassert>
#include <cctype>

namespace tinesight {
namespace {

constexpr Chord Plain(int key) { return {key, false, false, false}; }
constexpr Chord Shift(int key) { return {key, false, true, false}; }
constexpr Chord Alt(int key) { return {key, false, false, true}; }
constexpr Chord Control(int key) { return {key, true, false, false}; }

constexpr std::array kCommands = {
    CommandInfo{Command::kNextFlagged, "Next flagged note", "Review", Plain('N'), "worst"},
    CommandInfo{Command::kPreviousFlagged, "Previous flagged note", "Review", Shift('N'), "back"},
    CommandInfo{Command::kAccept, "Accept the note's figures", "Review", Plain('A'), "right agree"},
    CommandInfo{Command::kReject, "Reject the note's figures", "Review", Plain('R'), "wrong"},
    CommandInfo{Command::kNeedsPhoto, "Note needs another photo", "Review", Plain('P'), "again"},
    CommandInfo{Command::kClearReview, "Clear the note's review", "Review", Plain(kKeyBackspace),
                "remove"},
    CommandInfo{Command::kUndo, "Undo", "Review", Control('Z'), "withdraw"},
    CommandInfo{Command::kRedo, "Redo", "Review", {'Z', true, true, false}, "restore"},
    CommandInfo{Command::kAddFinding, "Enter a finding", "Review", Plain('I'),
                "grommet spring screw hammer"},
    CommandInfo{Command::kAddWork, "Enter work done", "Review", Plain('W'), "remark"},
    CommandInfo{Command::kAttachPicture, "Attach this picture to the record", "Review", Plain('S'),
                "save screenshot image"},
    CommandInfo{Command::kPlaceByHand, "Place a misread tine by hand", "Review", Plain('E'),
                "edit edges correct drag"},
    CommandInfo{Command::kResetByHand, "Take back what was placed by hand", "Review", Shift('E'),
                "reset original"},
    CommandInfo{Command::kNextNote, "Next note", "Move", Plain(kKeyRight), "treble up"},
    CommandInfo{Command::kPreviousNote, "Previous note", "Move", Plain(kKeyLeft), "bass down"},
    CommandInfo{Command::kNextPhoto, "Next photo of the note", "Move", Plain(kKeyPageDown),
                "station"},
    CommandInfo{Command::kPreviousPhoto, "Previous photo of the note", "Move", Plain(kKeyPageUp),
                "back"},
    CommandInfo{Command::kNextVisit, "Next visit", "Move", Plain('V'), "as found left"},
    CommandInfo{Command::kShowPhoto, "Show the photo", "Look", Plain('1'), "picture"},
    CommandInfo{Command::kShowHarp, "Show the harp in 3D", "Look", Plain('2'), "model orbit"},
    CommandInfo{Command::kShowSection, "Show the section at the pickup", "Look", Plain('3'),
                "cross ellipse"},
    CommandInfo{Command::kFrameNote, "Frame the selected note", "Look", Plain('F'), "fit zoom"},
    CommandInfo{Command::kFrameAll, "Frame everything", "Look", Shift('F'), "fit whole"},
    CommandInfo{Command::kActualSize, "Photo at 1:1", "Look", Plain('0'), "actual size pixel"},
    CommandInfo{Command::kZoomIn, "Zoom in", "Look", Plain('+'), "nearer"},
    CommandInfo{Command::kZoomOut, "Zoom out", "Look", Plain('-'), "farther"},
    CommandInfo{Command::kLookDownTine, "Look down the tine's axis", "Look", Plain('D'), "along"},
    CommandInfo{Command::kViewFromPhoto, "See the harp from the photo's camera", "Look", Plain('C'),
                "fly"},
    CommandInfo{Command::kToggleCameras, "Show or hide the cameras", "Look", Shift('C'), "frusta"},
    CommandInfo{Command::kToggleOverlay, "Show or hide what was measured", "Look", Plain('O'),
                "overlay"},
    CommandInfo{Command::kToggleMagnifiedArrow, "Offset arrow true or 10 times", "Look", Plain('X'),
                "magnify"},
    CommandInfo{Command::kMagnifyMore, "Magnify offsets more", "Look", Plain('M'), "3D harp"},
    CommandInfo{Command::kMagnifyLess, "Magnify offsets less", "Look", Shift('M'), "3D harp true"},
    CommandInfo{Command::kLargeType, "Large type for the bench", "Look", Plain('B'), "big"},
    CommandInfo{Command::kFollow, "Follow the screwdriver: watch a folder", "Look", Shift('B'),
                "measure new photos bench"},
    CommandInfo{Command::kChartLateral, "Chart: lateral offset", "Chart", Plain('L'), "bars"},
    CommandInfo{Command::kChartHeight, "Chart: height", "Chart", Plain('H'), "bars"},
    CommandInfo{Command::kChartGap, "Chart: gap", "Chart", Plain('G'), "bars"},
    CommandInfo{Command::kChartToneBar, "Chart: tone bar yaw", "Chart", Plain('Y'), "bars skew"},
    CommandInfo{Command::kChartDamperLift, "Chart: damper lift", "Chart", Plain('U'), "bars"},
    CommandInfo{Command::kTryTowardTreble, "Try 0.1 mm toward treble", "What if", Alt(kKeyRight),
                "tone sound predict lateral"},
    CommandInfo{Command::kTryTowardBass, "Try 0.1 mm toward bass", "What if", Alt(kKeyLeft),
                "tone sound predict lateral"},
    CommandInfo{Command::kTryHigher, "Try 0.1 mm higher", "What if", Alt(kKeyUp),
                "tone sound predict height"},
    CommandInfo{Command::kTryLower, "Try 0.1 mm lower", "What if", Alt(kKeyDown),
                "tone sound predict height"},
    CommandInfo{Command::kTryWider, "Try the gap 0.1 mm wider", "What if", Alt(kKeyPageUp),
                "tone sound predict"},
    CommandInfo{Command::kTryCloser, "Try the gap 0.1 mm closer", "What if", Alt(kKeyPageDown),
                "tone sound predict"},
    CommandInfo{Command::kTryAtTarget, "Try the note at its target", "What if", Alt('T'),
                "tone sound predict ideal"},
    CommandInfo{Command::kTryAsMeasured, "Back to the note as measured", "What if", Alt('M'),
                "tone sound predict reset try"},
    CommandInfo{Command::kOpenFile, "Open a file", "Window", Control('O'), "record"},
    CommandInfo{Command::kReload, "Read the file again", "Window", Plain(kKeyF1 + 4), "reload"},
    CommandInfo{Command::kCommandList, "List of commands", "Window", Control('K'), "search find"},
    CommandInfo{Command::kHelp, "Help", "Window", Plain(kKeyF1), "keys what"},
    CommandInfo{Command::kCautions, "Cautions", "Window", Plain(kKeyF1 + 1), "safety danger"},
    CommandInfo{Command::kToggleTheme, "Light or dark", "Window", Plain('T'), "theme colors"},
    CommandInfo{Command::kLargerText, "Larger text", "Window", Control('+'), "zoom scale font"},
    CommandInfo{Command::kSmallerText, "Smaller text", "Window", Control('-'), "zoom scale font"},
    CommandInfo{Command::kNormalText, "Normal text", "Window", Control('0'), "zoom scale font"},
    CommandInfo{Command::kClose, "Close what is open", "Window", Plain(kKeyEscape), "cancel"},
    CommandInfo{Command::kQuit, "Quit", "Window", Control('Q'), "exit"},
};

std::string Lower(std::string_view text) {
  std::string lower(text);
  std::transform(lower.begin(), lower.end(), lower.begin(),
                 [](unsigned char c) { return static_cast<char>(std::tolower(c)); });
  return lower;
}

std::vector<std::string> Words(std::string_view text) {
  std::vector<std::string> words;
  std::string word;
  for (const char c : Lower(text) + ' ') {
    if (c != ' ' && c != ':') {
      word += c;
    } else if (!word.empty()) {
      words.push_back(std::move(word));
      word.clear();
    }
  }
  return words;
}

bool Matches(const CommandInfo& info, const std::vector<std::string>& query) {
  const auto words =
      Words(std::string(info.name) + ' ' + info.group + ' ' + static_cast<const char*>(info.also));
  return std::all_of(query.begin(), query.end(), [&](const std::string& part) {
    return std::any_of(words.begin(), words.end(),
                       [&](const std::string& word) { return word.starts_with(part); });
  });
}

}  // namespace

std::string ChordText(const Chord& chord) {
  std::string text;
  if (chord.control) text += "Ctrl+";
  if (chord.alt) text += "Alt+";
  if (chord.shift) text += "Shift+";
  switch (chord.key) {
    case kKeyEscape:
      return text + "Esc";
    case kKeyEnter:
      return text + "Enter";
    case kKeyBackspace:
      return text + "Backspace";
    case kKeyRight:
      return text + "Right";
    case kKeyLeft:
      return text + "Left";
    case kKeyDown:
      return text + "Down";
    case kKeyUp:
      return text + "Up";
    case kKeyPageUp:
      return text + "Page Up";
    case kKeyPageDown:
      return text + "Page Down";
    default:
      break;
  }
  if (chord.key >= kKeyF1) return text + 'F' + std::to_string(chord.key - kKeyF1 + 1);
  return text + static_cast<char>(chord.key);
}

std::span<const CommandInfo> AllCommands() { return kCommands; }

const CommandInfo& InfoOf(Command command) {
  const auto* found =
      std::find_if(kCommands.begin(), kCommands.end(),
                   [&](const CommandInfo& info) { return info.command == command; });
  assert(found != kCommands.end());
  return *found;
}

const CommandInfo* CommandOf(const Chord& chord) {
  Chord wanted = chord;
  if (wanted.key == '=') wanted.key = '+';  // the same key on many keyboards, without Shift
  if (wanted.key == '+') wanted.shift = false;
  const auto* found = std::find_if(kCommands.begin(), kCommands.end(),
                                   [&](const CommandInfo& info) { return info.chord == wanted; });
  return found == kCommands.end() ? nullptr : found;
}

std::vector<const CommandInfo*> SearchCommands(std::string_view query) {
  const auto words = Words(query);
  std::vector<const CommandInfo*> found;
  for (const CommandInfo& info : kCommands) {
    if (Matches(info, words)) found.push_back(&info);
  }
  const std::string start = Lower(query);
  std::stable_partition(found.begin(), found.end(), [&](const CommandInfo* info) {
    return Lower(info->name).starts_with(start);
  });
  return found;
}

}  // namespace tinesight

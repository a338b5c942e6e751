#pragma once

#include <span>
#include <string>
#include <string_view>
#include <vector>

namespace tinesight {

/// Everything the window can do. Each has a name in the command list and a key.
enum class Command {
  kNextFlagged,
  kPreviousFlagged,
  kAccept,
  kReject,
  kNeedsPhoto,
  kClearReview,
  kUndo,
  kRedo,
  kNextNote,
  kPreviousNote,
  kNextPhoto,
  kPreviousPhoto,
  kShowPhoto,
  kShowHarp,
  kShowSection,
  kFrameNote,
  kFrameAll,
  kActualSize,
  kLookDownTine,
  kViewFromPhoto,
  kToggleCameras,
  kToggleOverlay,
  kToggleMagnifiedArrow,
  kMagnifyMore,
  kMagnifyLess,
  kZoomIn,
  kZoomOut,
  kChartLateral,
  kChartHeight,
  kChartGap,
  kChartToneBar,
  kChartDamperLift,
  kTryTowardTreble,
  kTryTowardBass,
  kTryHigher,
  kTryLower,
  kTryWider,
  kTryCloser,
  kTryAtTarget,
  kTryAsMeasured,
  kNextVisit,
  kAttachPicture,
  kAddFinding,
  kPlaceByHand,
  kResetByHand,
  kAddWork,
  kLargeType,
  kFollow,
  kOpenFile,
  kReload,
  kCommandList,
  kHelp,
  kCautions,
  kToggleTheme,
  kLargerText,
  kSmallerText,
  kNormalText,
  kClose,
  kQuit,
};

/// Key numbers: letters and digits are their ASCII codes; the others are those that window
/// libraries use above them.
inline constexpr int kKeyEscape = 256;
inline constexpr int kKeyEnter = 257;
inline constexpr int kKeyTab = 258;
inline constexpr int kKeyBackspace = 259;
inline constexpr int kKeyRight = 262;
inline constexpr int kKeyLeft = 263;
inline constexpr int kKeyDown = 264;
inline constexpr int kKeyUp = 265;
inline constexpr int kKeyPageUp = 266;
inline constexpr int kKeyPageDown = 267;
inline constexpr int kKeyF1 = 290;

struct Chord {
  int key = 0;
  bool control = false;
  bool shift = false;
  bool alt = false;
  friend bool operator==(const Chord&, const Chord&) = default;
};

/// "Ctrl+Shift+Z", "Right".
[[nodiscard]] std::string ChordText(const Chord& chord);

struct CommandInfo {
  Command command;
  const char* name;   ///< "Accept the note"
  const char* group;  ///< "Review"
  Chord chord;
  const char* also = "";  ///< further words that find it
};

/// Every command, in the order of the help page.
[[nodiscard]] std::span<const CommandInfo> AllCommands();
[[nodiscard]] const CommandInfo& InfoOf(Command command);
/// The command of a chord; nullptr: none. A second key may stand for some ('=' for '+').
[[nodiscard]] const CommandInfo* CommandOf(const Chord& chord);

/// The commands that a search finds: every word of `query` begins a word of name, group or `also`,
/// in any case. Those whose name begins with the query come first. An empty query finds all.
[[nodiscard]] std::vector<const CommandInfo*> SearchCommands(std::string_view query);

}  // namespace tinesight

#pragma once

// For record/ alone: the words that stand in a record for the states of our enumerations.
#include <array>
#include <string>
#include <string_view>
#include <utility>

#include "record/service_record.hpp"

namespace tinesight {

template <typename Enum, std::size_t kCount>
using WordTable = std::array<std::pair<Enum, std::string_view>, kCount>;

inline constexpr WordTable<FindingPart, 7> kPartWords{{
    {FindingPart::kGrommet, "grommet"},
    {FindingPart::kSpring, "spring"},
    {FindingPart::kTineSeat, "tine seat"},
    {FindingPart::kHammerTip, "hammer tip"},
    {FindingPart::kScrew, "screw"},
    {FindingPart::kInPlaceOfGrommet, "in place of grommet"},
    {FindingPart::kOther, "remark"},
}};
inline constexpr WordTable<WorkStage, 2> kStageWords{{
    {WorkStage::kBefore, "before"},
    {WorkStage::kAfter, "after"},
}};
inline constexpr WordTable<ScrewPlace, 3> kPlaceWords{{
    {ScrewPlace::kEither, ""},
    {ScrewPlace::kForward, "forward"},
    {ScrewPlace::kRear, "rear"},
}};
inline constexpr WordTable<WorkTask, 7> kTaskWords{{
    {WorkTask::kSlidePickup, "slide-pickup"},
    {WorkTask::kSquareBar, "square-bar"},
    {WorkTask::kTurnTine, "turn-tine"},
    {WorkTask::kTurnEither, "turn-either"},
    {WorkTask::kBothScrews, "both-screws"},
    {WorkTask::kForwardScrew, "forward-screw"},
    {WorkTask::kGap, "gap"},
}};
inline constexpr WordTable<ReviewState, 4> kReviewWords{{
    {ReviewState::kNone, "none"},
    {ReviewState::kAccepted, "accepted"},
    {ReviewState::kRejected, "rejected"},
    {ReviewState::kNeedsPhoto, "needs photo"},
}};
inline constexpr WordTable<SuspicionKind, 4> kSuspicionWords{{
    {SuspicionKind::kToneBarLow, "tone bar low"},
    {SuspicionKind::kCrookedInBlock, "crooked in block"},
    {SuspicionKind::kToneBarSkewed, "tone bar skewed"},
    {SuspicionKind::kPickupOutOfLine, "pickup out of line"},
}};

template <typename Enum, std::size_t kCount>
std::string_view WordOf(const WordTable<Enum, kCount>& table, Enum value) {
  for (const auto& [state, word] : table) {
    if (state == value) return word;
  }
  return table.front().second;
}

/// The state of a word; the table's first for any other (the tables' CHECKs let none in).
template <typename Enum, std::size_t kCount>
Enum StateOf(const WordTable<Enum, kCount>& table, std::string_view word) {
  for (const auto& [state, own] : table) {
    if (own == word) return state;
  }
  return table.front().first;
}

}  // namespace tinesight

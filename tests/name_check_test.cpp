#include "alignment/name_check.hpp"

#include <gtest/gtest.h>

#include <cmath>

namespace tinesight {
namespace {

// 17 tines, every block's edge found `beside_mm` farther along z than where it is looked for.
std::vector<NoteObservation> Row(double beside_mm, std::size_t found = 17) {
  std::vector<NoteObservation> notes(17);
  for (std::size_t i = 0; i < notes.size(); ++i) {
    notes[i].axis.resize(2);
    if (i >= found) continue;
    notes[i].block_edge.emplace();
    notes[i].block_beside_mm = beside_mm + 0.3 * std::cos(2.0 * static_cast<double>(i));
  }
  return notes;
}

// Blocks of 8 mm seen from 17 degrees above: an edge that is looked for at 4.5 mm over the tine and
// stands at 4 seems 0.5 / tan 17° = 1.6 mm nearer to the mount.
const BlockSight kLow{std::tan(17.0 * M_PI / 180.0), 8.0};

TEST(LengthMismatch, IsNoneWhereBlocksStandWhereTheProfileSays) {
  EXPECT_FALSE(LengthMismatch(Row(-1.6), kLow));
  EXPECT_FALSE(LengthMismatch(Row(-1.6 + 3.0), kLow));
  EXPECT_FALSE(LengthMismatch(Row(-1.6 - 3.0), kLow));
  EXPECT_FALSE(LengthMismatch(Row(-1.6, 14), kLow));  // some hidden, as in life
}

TEST(LengthMismatch, SaysHowFarAndWhichWay) {
  // Nearer to the pickup: the tine is shorter.
  EXPECT_EQ(LengthMismatch(Row(-1.6 + 4.6), kLow),
            "its tines are some 5 mm shorter than the profile's");
  EXPECT_EQ(LengthMismatch(Row(-1.6 - 6.3), kLow),
            "its tines are some 6 mm longer than the profile's");
}

TEST(LengthMismatch, CountsTheBlocksThatAreThere) {
  EXPECT_EQ(LengthMismatch(Row(-1.6, 9), kLow),
            "only 9 of its 17 tines come out of their blocks where the profile's lengths say");
}

// From 6 to 8 mm of height the edge may seem 1.6 to 4.9 mm nearer to the mount.
TEST(LengthMismatch, AllowsForBlocksOfUnknownHeight) {
  const BlockSight unknown{kLow.tan_elevation, 0.0};
  EXPECT_FALSE(LengthMismatch(Row(-7.0), unknown));
  EXPECT_TRUE(LengthMismatch(Row(-7.0), kLow));
  EXPECT_TRUE(LengthMismatch(Row(-9.5), unknown));
  EXPECT_TRUE(LengthMismatch(Row(+3.0), unknown));
}

TEST(LengthMismatch, SaysNothingOfAFewTines) {
  std::vector<NoteObservation> notes = Row(20.0);
  notes.resize(5);
  EXPECT_FALSE(LengthMismatch(notes, kLow));
}

}  // namespace
}  // namespace tinesight

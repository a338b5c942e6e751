#include "alignment/note_name.hpp"

#include <gtest/gtest.h>

namespace tinesight {
namespace {

TEST(NoteName, NamesTheNotesThatTheTradeKnows) {
  EXPECT_EQ(NoteName(28), "E1");
  EXPECT_EQ(NoteName(30), "F#1");
  EXPECT_EQ(NoteName(60), "C4");
  EXPECT_EQ(NoteName(69), "A4");
  EXPECT_EQ(NoteName(100), "E7");
  EXPECT_EQ(NoteName(0), "C-1");
  EXPECT_EQ(NoteName(127), "G9");
  EXPECT_EQ(NoteName(-1), "B-2");
}

TEST(ParseNoteName, ReadsBackEveryName) {
  for (int midi = 0; midi <= 127; ++midi) {
    EXPECT_EQ(ParseNoteName(NoteName(midi)), midi) << NoteName(midi);
  }
}

TEST(ParseNoteName, ReadsFlatsSignsAndSmallLetters) {
  for (const char* name : {"F#1", "f#1", "Gb1", "gb1", "F\u266F1", "G\u266D1"}) {
    EXPECT_EQ(ParseNoteName(name), 30) << name;
  }
  EXPECT_EQ(ParseNoteName("bb1"), 34);  // B flat, not two letters B
  EXPECT_EQ(ParseNoteName("b1"), 35);
  EXPECT_EQ(ParseNoteName("Cb4"), 59);  // the octave number changes at C
  EXPECT_EQ(ParseNoteName("B#3"), 60);
}

TEST(ParseNoteName, RefusesWhatIsNoName) {
  for (const char* name : {"", "E", "H1", "1", "E1 ", " E1", "E#", "E##1", "E1x", "E10", "E-", "-1",
                           "Cb-1", "G#9", "E--1", "\u266F1", "28", "E\u00b9"}) {
    EXPECT_EQ(ParseNoteName(name), std::nullopt) << '"' << name << '"';
  }
}

}  // namespace
}  // namespace tinesight

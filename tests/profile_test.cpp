#include "alignment/profile.hpp"

#include <gtest/gtest.h>

#include <array>
#include <nlohmann/json.hpp>
#include <string>

#include "alignment/key_spelling.hpp"
#include "tests/temp_folder.hpp"

namespace tinesight {
namespace {

using Json = nlohmann::json;

Json Note(int midi) {
  return {{"midi", midi},
          {"tine_length_mm", 157.0},
          {"tine_diameter_mm", 1.9},
          {"pole_tip_diameter_mm", 3.0},
          {"bobbin_diameter_mm", 13.6},
          {"gap_mm", 1.6},
          {"height_mm", 1.2},
          {"tolerance_lateral_mm", 0.5},
          {"tolerance_height_mm", 0.45},
          {"tolerance_gap_mm", 0.4}};
}

Json Instrument() {
  Json upper = Note(31);
  upper["tine_length_mm"] = 140.0;
  upper["gap_mm"] = 1.3;
  return {{"name", "bench"}, {"note_spacing_mm", 13.7}, {"notes", {Note(28), upper}}};
}

class Profile : public ::testing::Test {
 protected:
  Result<InstrumentProfile> Read(const std::string& text) {
    return ReadInstrumentProfile(folder_.Write("instrument.json", text));
  }

  // The message of the refusal, or a text that no test expects.
  std::string Refusal(const std::string& text) {
    const Result<InstrumentProfile> profile = Read(text);
    if (profile) return "was accepted";
    EXPECT_EQ(profile.error().message.find('\n'), std::string::npos);
    return profile.error().message;
  }
  std::string Refusal(const Json& json) { return Refusal(json.dump()); }

  std::string RefusalOfUpperNote(const char* key, const Json& value) {
    Json json = Instrument();
    json["notes"][1][key] = value;
    return Refusal(json);
  }

  testing::TempFolder folder_;
};

TEST_F(Profile, ReadsWhatTheFileSays) {
  const Result<InstrumentProfile> profile = Read(Instrument().dump());
  ASSERT_TRUE(profile) << profile.error().message;
  EXPECT_EQ(profile->name, "bench");
  EXPECT_EQ(profile->note_spacing_mm, 13.7);
  EXPECT_DOUBLE_EQ(profile->screw_pitch_mm, 0.79375);  // #8-32, ASME B1.1
  EXPECT_EQ(profile->FirstMidi(), 28);
  EXPECT_EQ(profile->LastMidi(), 31);
  const NoteProfile* note = profile->Find(28);
  ASSERT_NE(note, nullptr);
  EXPECT_EQ(note->midi, 28);
  EXPECT_EQ(note->tine_length_mm, 157.0);
  EXPECT_EQ(note->bobbin_diameter_mm, 13.6);
  EXPECT_EQ(note->tolerance_lateral_mm, 0.5);
  EXPECT_EQ(note->tolerance_height_mm, 0.45);
  EXPECT_EQ(note->tolerance_gap_mm, 0.4);
  EXPECT_EQ(profile->Find(27), nullptr);
  EXPECT_EQ(profile->Find(32), nullptr);
  EXPECT_EQ(InstrumentProfile{}.Find(28), nullptr);
}

TEST_F(Profile, InterpolatesLengthsGeometricallyAndTheRestLinearly) {
  const Result<InstrumentProfile> profile = Read(Instrument().dump());
  ASSERT_TRUE(profile) << profile.error().message;
  ASSERT_EQ(profile->notes.size(), 4u);
  for (std::size_t i = 0; i < 4; ++i) EXPECT_EQ(profile->notes[i].midi, 28 + static_cast<int>(i));
  const double ratio = profile->Find(29)->tine_length_mm / 157.0;
  EXPECT_NEAR(profile->Find(30)->tine_length_mm / profile->Find(29)->tine_length_mm, ratio, 1e-12);
  EXPECT_NEAR(ratio * ratio * ratio, 140.0 / 157.0, 1e-12);
  EXPECT_NEAR(profile->Find(29)->gap_mm, 1.5, 1e-12);
  EXPECT_NEAR(profile->Find(30)->gap_mm, 1.4, 1e-12);
  EXPECT_EQ(profile->Find(31)->tine_length_mm, 140.0);
}

TEST_F(Profile, RefusesALengthThatItsNeighborsContradict) {
  Json json = Instrument();  // 157 mm at E1, 140 mm at G1
  json["notes"].insert(json["notes"].begin() + 1, Note(30));
  json["notes"][1]["tine_length_mm"] = 145.5;
  EXPECT_TRUE(Read(json.dump()));
  json["notes"][1]["tine_length_mm"] = 100.0;  // as real instruments' may lie, if barely
  EXPECT_TRUE(Read(json.dump()));
  for (const double slipped : {14.55, 300.0}) {
    json["notes"][1]["tine_length_mm"] = slipped;
    EXPECT_EQ(Refusal(json), "instrument.json: note 30 (F#1): tine_length_mm is " +
                                 std::string(slipped < 100.0 ? "14.55" : "300") +
                                 " between 157 and 140 of its neighbors; check all three");
  }
}

TEST_F(Profile, NotesMaySayTheirOwnScrews) {
  Json json = Instrument();
  json["screw_spacing_mm"] = 60.0;
  json["notes"][1]["screw_spacing_mm"] = 30.0;
  json["notes"][1]["root_ahead_of_rear_screw_mm"] = 36.0;
  const Result<InstrumentProfile> profile = Read(json.dump());
  ASSERT_TRUE(profile) << profile.error().message;
  EXPECT_EQ(profile->Find(28)->screw_spacing_mm, 60.0);
  EXPECT_EQ(profile->Find(28)->root_ahead_of_rear_screw_mm, 30.0);  // as usual
  EXPECT_EQ(profile->Find(31)->screw_spacing_mm, 30.0);
  EXPECT_NEAR(profile->Find(29)->screw_spacing_mm, 50.0, 1e-12);
  EXPECT_NEAR(profile->Find(30)->root_ahead_of_rear_screw_mm, 34.0, 1e-12);
  EXPECT_EQ(RefusalOfUpperNote("screw_spacing_mm", 0.0),
            "instrument.json: note 31 (G1): screw_spacing_mm is 0; it must lie between 3 and 300");
}

// The demo instrument's rear screws stand 18.5 mm behind the root of long tines and 36.5 mm behind
// that of short ones, forward screws 48 mm ahead and 19 mm behind; M4 (scene/layout.py).
TEST_F(Profile, KnowsTheScrewsOfTheSampleInstrument) {
  const auto profile = ReadInstrumentProfile(std::filesystem::path(TINESIGHT_SOURCE_DIR) /
                                             "sample_images" / "instrument.json");
  ASSERT_TRUE(profile) << profile.error().message;
  EXPECT_EQ(profile->screw_pitch_mm, 0.7);
  const NoteProfile& lowest = profile->notes.front();
  EXPECT_EQ(lowest.screw_spacing_mm, 66.5);
  EXPECT_EQ(lowest.root_ahead_of_rear_screw_mm, 18.5);
  for (const int midi : {60, 61, 100}) {
    EXPECT_EQ(profile->Find(midi)->screw_spacing_mm, 17.5) << midi;
    EXPECT_EQ(profile->Find(midi)->root_ahead_of_rear_screw_mm, 36.5) << midi;
  }
  EXPECT_EQ(profile->Find(58)->root_ahead_of_rear_screw_mm, 18.5);
}

TEST_F(Profile, ReadsScrewsAndPriors) {
  Json json = Instrument();
  json["screw_pitch_mm"] = 0.7;  // M4, ISO 261
  json["screw_spacing_mm"] = 35.0;
  json["root_ahead_of_rear_screw_mm"] = 20;  // whole numbers are numbers too
  json["block_height_mm"] = 7.5;
  json["prior_u"] = {{"gap_mm", 0.2}, {"tine_yaw_deg", 0.7}};
  json["a_key_of_tomorrow"] = "ignored";
  const Result<InstrumentProfile> profile = Read(json.dump());
  ASSERT_TRUE(profile) << profile.error().message;
  EXPECT_EQ(profile->screw_pitch_mm, 0.7);
  EXPECT_EQ(profile->notes.front().screw_spacing_mm, 35.0);
  EXPECT_EQ(profile->notes.back().root_ahead_of_rear_screw_mm, 20.0);
  EXPECT_EQ(profile->block_height_mm, 7.5);
  EXPECT_EQ(profile->prior_u.gap_mm, 0.2);
  EXPECT_EQ(profile->prior_u.tine_yaw_deg, 0.7);
  EXPECT_EQ(profile->prior_u.height_mm, PriorUncertainty{}.height_mm);
}

TEST_F(Profile, ReadsFromWhereOnSomethingIsSuspect) {
  Json json = Instrument();
  json["suspicion"] = {{"tone_bar_low_mm", 0.8}};
  Result<InstrumentProfile> profile = Read(json.dump());
  ASSERT_TRUE(profile) << profile.error().message;
  EXPECT_EQ(profile->suspicion.tone_bar_low_mm, 0.8);
  EXPECT_EQ(profile->suspicion.crooked_deg, SuspicionProfile{}.crooked_deg);
  json["suspicion"] = {{"pickup_out_mm", 0}};
  profile = Read(json.dump());
  ASSERT_FALSE(profile);
  EXPECT_EQ(profile.error().message,
            "instrument.json: suspicion: pickup_out_mm is 0; it must lie between 0.01 and 20");
}

TEST_F(Profile, ReadsHowTheWorkshopPlaysAndListens) {
  Json json = Instrument();
  Result<InstrumentProfile> profile = Read(json.dump());
  ASSERT_TRUE(profile) << profile.error().message;
  EXPECT_TRUE(profile->tone.is_default);
  json["tone"] = {{"amplitude_hard_mm", 1.1}, {"target_second_harmonic_db", -9}};
  profile = Read(json.dump());
  ASSERT_TRUE(profile) << profile.error().message;
  EXPECT_FALSE(profile->tone.is_default);
  EXPECT_EQ(profile->tone.amplitude_hard_mm, 1.1);
  EXPECT_EQ(profile->tone.target_second_harmonic_db, -9.0);
  EXPECT_EQ(profile->tone.amplitude_soft_mm, ToneProfile{}.amplitude_soft_mm);
  json["tone"] = {{"amplitude_soft_mm", 0.9}};
  profile = Read(json.dump());
  ASSERT_FALSE(profile);
  EXPECT_EQ(profile.error().message,
            "instrument.json: tone: amplitude_soft_mm, amplitude_medium_mm and amplitude_hard_mm "
            "are 0.9, 0.4 and 0.8; each must be more than the one before");
  json["tone"] = {{"audible_level_db", 0}};
  profile = Read(json.dump());
  ASSERT_FALSE(profile);
  EXPECT_EQ(profile.error().message,
            "instrument.json: tone: audible_level_db is 0; it must lie between 0.1 and 30");
}

TEST_F(Profile, ComputesALengthThatIsMissing) {
  Json json = Instrument();
  json["notes"][0].erase("tine_length_mm");
  const Result<InstrumentProfile> profile = Read(json.dump());
  ASSERT_TRUE(profile) << profile.error().message;
  // 1.9 mm at E1 with the spring at 0.2 of the tine's mass, see cantilever_test.
  EXPECT_NEAR(profile->Find(28)->tine_length_mm, 156.85, 0.01);
}

TEST_F(Profile, RefusesAbsurdValuesByNoteAndKey) {
  EXPECT_EQ(RefusalOfUpperNote("tine_length_mm", -3),
            "instrument.json: note 31 (G1): tine_length_mm is -3; it must lie between 5 and 400");
  // A given length of 0 is a slip, not a missing length.
  EXPECT_EQ(RefusalOfUpperNote("tine_length_mm", 0),
            "instrument.json: note 31 (G1): tine_length_mm is 0; it must lie between 5 and 400");
  EXPECT_EQ(RefusalOfUpperNote("tolerance_lateral_mm", 0),
            "instrument.json: note 31 (G1): tolerance_lateral_mm is 0; it must lie between 0.005 "
            "and 10");
  EXPECT_EQ(RefusalOfUpperNote("bobbin_diameter_mm", 2.0),
            "instrument.json: note 31 (G1): bobbin_diameter_mm is 2; it must not be less than "
            "pole_tip_diameter_mm, 3");
  for (const char* key :
       {"tine_length_mm", "tine_diameter_mm", "pole_tip_diameter_mm", "bobbin_diameter_mm",
        "gap_mm", "height_mm", "tolerance_lateral_mm", "tolerance_height_mm", "tolerance_gap_mm"}) {
    for (const double absurd : {-1000.0, 1e4, 1e300}) {
      const std::string refusal = RefusalOfUpperNote(key, absurd);
      EXPECT_NE(refusal.find("note 31 (G1): " + std::string(key) + " is "), std::string::npos)
          << refusal;
    }
  }
}

TEST_F(Profile, RefusesBobbinsThatOverlap) {
  EXPECT_EQ(RefusalOfUpperNote("bobbin_diameter_mm", 16.1),
            "instrument.json: note 31 (G1): bobbin_diameter_mm is 16.1, wider than "
            "note_spacing_mm, 13.7: neighbors would overlap; measure both again");
  Json touching = Instrument();  // as far as a caliper tells
  touching["notes"][1]["bobbin_diameter_mm"] = 13.8;
  EXPECT_TRUE(Read(touching.dump()));
}

TEST_F(Profile, RefusesMissingKeysByNote) {
  for (const char* key :
       {"tine_diameter_mm", "pole_tip_diameter_mm", "bobbin_diameter_mm", "gap_mm", "height_mm",
        "tolerance_lateral_mm", "tolerance_height_mm", "tolerance_gap_mm"}) {
    Json json = Instrument();
    json["notes"][0].erase(key);
    const std::string refusal = Refusal(json);
    EXPECT_NE(refusal.find("note 28 (E1): " + std::string(key) + " is missing"), std::string::npos)
        << refusal;
  }
  Json json = Instrument();
  json.erase("note_spacing_mm");
  EXPECT_NE(Refusal(json).find("note_spacing_mm is missing"), std::string::npos);
  json = Instrument();
  json["notes"][1].erase("midi");
  EXPECT_NE(Refusal(json).find("entry 2 of notes has no midi"), std::string::npos);
  json = Instrument();
  json.erase("notes");
  EXPECT_NE(Refusal(json).find("notes is missing"), std::string::npos);
}

// A misspelt key that may be absent would leave the usual value, or a computed length, unnoticed.
TEST_F(Profile, RefusesKeysThatAreMisspelt) {
  const auto misspelt = [](Json json, const std::string& key, const std::string& as) {
    json[as] = json[key];
    json.erase(key);
    return json;
  };
  Json json = Instrument();
  json["notes"][1] = misspelt(json["notes"][1], "tine_length_mm", "tine_lenght_mm");
  EXPECT_EQ(Refusal(json),
            "instrument.json: note 31 (G1): there is no key tine_lenght_mm; correct it if "
            "tine_length_mm is meant, else give it another name");
  json = Instrument();
  json["block_heigth_mm"] = 8.0;
  EXPECT_NE(Refusal(json).find("block_height_mm is meant"), std::string::npos);
  json = Instrument();
  json["prior"] = {{"gap_mm", 0.2}};
  EXPECT_NE(Refusal(json).find("prior_u is meant"), std::string::npos);
  for (const auto& [group, key, meant] :
       {std::array{"prior_u", "tine_yaw_degs", "tine_yaw_deg"},
        std::array{"suspicion", "croked_deg", "crooked_deg"},
        std::array{"tone", "amplitude_sof_mm", "amplitude_soft_mm"}}) {
    json = Instrument();
    json[group][key] = 0.5;
    EXPECT_NE(Refusal(json).find(std::string(meant) + " is meant"), std::string::npos) << group;
  }
}

TEST_F(Profile, LetsUsersAddKeysOfTheirOwn) {
  Json json = Instrument();
  ASSERT_TRUE(json.contains("name"));
  json["block_width_mm"] = 7.0;
  json["remarks"] = "new grommets";
  json["date"] = "2026-11-29";  // two letters off "name", where that is absent
  json.erase("name");
  json["notes"][1]["name"] = "G1";
  json["notes"][1]["weight_mm"] = 3.0;  // height_mm is there
  EXPECT_TRUE(Read(json.dump()));
}

// Hand-counted; kitten and sitting are the textbooks' example (from memory).
TEST(LettersApart, CountsLeftOutPutInAndChanged) {
  EXPECT_EQ(LettersApart("", ""), 0);
  EXPECT_EQ(LettersApart("", "gap"), 3);
  EXPECT_EQ(LettersApart("gap", ""), 3);
  EXPECT_EQ(LettersApart("kitten", "sitting"), 3);
  EXPECT_EQ(LettersApart("lenght", "length"), 2);
  EXPECT_EQ(LettersApart("gap_mm", "gap_m"), 1);
}

TEST_F(Profile, RefusesWrongTypes) {
  EXPECT_EQ(RefusalOfUpperNote("gap_mm", "1.6"),
            "instrument.json: note 31 (G1): gap_mm is \"1.6\", not a number; it must lie between "
            "0.05 and 20");
  for (const Json& value : {Json(nullptr), Json(true), Json::array({1.6}), Json::object()}) {
    EXPECT_NE(RefusalOfUpperNote("gap_mm", value).find("gap_mm is "), std::string::npos);
  }
  for (const Json& midi : {Json("E1"), Json(28.5), Json(-1), Json(128), Json(nullptr)}) {
    EXPECT_NE(RefusalOfUpperNote("midi", midi).find("whole number between 0 and 127"),
              std::string::npos);
  }
  for (const char* key : {"notes", "prior_u", "name", "note_spacing_mm", "screw_pitch_mm"}) {
    Json json = Instrument();
    json[key] = true;
    EXPECT_NE(Refusal(json).find(key), std::string::npos) << key;
  }
  Json json = Instrument();
  json["notes"] = Json::array();
  EXPECT_NE(Refusal(json).find("at least one note"), std::string::npos);
  json["notes"] = {1, 2};
  EXPECT_NE(Refusal(json).find("entry 1 of notes is 1"), std::string::npos);
  EXPECT_NE(Refusal(Json::array()).find("one JSON object"), std::string::npos);
}

TEST_F(Profile, RefusesNotesTwiceOrOutOfOrder) {
  EXPECT_EQ(RefusalOfUpperNote("midi", 28),
            "instrument.json: note 28 (E1) is listed twice; list each note once, in ascending "
            "order");
  EXPECT_EQ(RefusalOfUpperNote("midi", 27),
            "instrument.json: note 27 (D#1) stands after a higher note; list each note once, in "
            "ascending order");
}

TEST_F(Profile, RefusesAbsurdPriorsAndScrews) {
  Json json = Instrument();
  json["prior_u"] = {{"gap_mm", 0.0}};
  EXPECT_EQ(Refusal(json),
            "instrument.json: prior_u: gap_mm is 0; it must lie between 0.001 and 20");
  json = Instrument();
  json["screw_pitch_mm"] = 32;  // threads per inch instead of the pitch
  EXPECT_EQ(Refusal(json), "instrument.json: screw_pitch_mm is 32; it must lie between 0.1 and 3");
}

TEST_F(Profile, RefusesWhatIsNoJson) {
  for (const std::string text : {"{\"notes\":[", "NaN", "{\"note_spacing_mm\": NaN}",
                                 "{\"note_spacing_mm\": 1e999}", "hello\nworld", "\xff\xfe"}) {
    EXPECT_NE(Refusal(text).find("instrument.json: not valid JSON: "), std::string::npos) << text;
  }
  EXPECT_NE(Refusal(std::string()).find("empty or not readable"), std::string::npos);
  EXPECT_NE(Refusal(std::string(5u << 20, ' ')).find("too large"), std::string::npos);
  const Result<InstrumentProfile> missing = ReadInstrumentProfile(folder_ / "none.json");
  ASSERT_FALSE(missing);
  EXPECT_NE(missing.error().message.find("no such instrument profile"), std::string::npos);
  const Result<InstrumentProfile> folder = ReadInstrumentProfile(folder_.Path());
  ASSERT_FALSE(folder);
  EXPECT_NE(folder.error().message.find("this is a folder"), std::string::npos);
}

}  // namespace
}  // namespace tinesight

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <nlohmann/json.hpp>
#include <vector>

#include "calibration/rig.hpp"
#include "tests/temp_folder.hpp"

namespace tinesight {
namespace {

using nlohmann::json;
using ::testing::AllOf;
using testing::ExpectOneLine;
using ::testing::HasSubstr;
using testing::TempFolder;

json TagJson(int id, double left_mm, double top_mm, double z_mm, double side_mm = 12.0) {
  const double right_mm = left_mm + side_mm;
  const double bottom_mm = top_mm + side_mm;
  return {{"id", id},
          {"corners_mm",
           {{left_mm, top_mm, z_mm},
            {right_mm, top_mm, z_mm},
            {right_mm, bottom_mm, z_mm},
            {left_mm, bottom_mm, z_mm}}},
          {"u_mm", 0.02}};
}

json RigJson() {
  return {{"tags", {TagJson(0, 0, -31, 30), TagJson(1, 18, -31, 30), TagJson(40, 0, 19, -160)}},
          {"points", {{{"id", 7}, {"xyz_mm", {15.0, -25.0, 30.0}}, {"u_mm", 0.03}}}}};
}

TEST(RigFile, ReadsTagsAndPoints) {
  const TempFolder folder;
  const auto rig = ReadRig(folder.Write("rig.json", RigJson().dump()));
  ASSERT_TRUE(rig) << rig.error().message;
  ASSERT_EQ(rig->tags.size(), 3U);
  const RigTag* tag = rig->FindTag(40);
  ASSERT_NE(tag, nullptr);
  EXPECT_EQ(tag->corners_mm[2], Eigen::Vector3d(12, 31, -160));  // bottom-right
  EXPECT_EQ(tag->CenterMm(), Eigen::Vector3d(6, 25, -160));
  EXPECT_EQ(tag->u_mm, 0.02);
  EXPECT_EQ(rig->FindTag(2), nullptr);
  const RigPoint* point = rig->FindPoint(7);
  ASSERT_NE(point, nullptr);
  EXPECT_EQ(point->position_mm, Eigen::Vector3d(15, -25, 30));
  EXPECT_EQ(point->u_mm, 0.03);
  EXPECT_EQ(rig->FindPoint(8), nullptr);
}

TEST(RigFile, NeedsNeitherPointsNorUncertainties) {
  json root = RigJson();
  root.erase("points");
  root["tags"][0].erase("u_mm");
  const TempFolder folder;
  const auto rig = ReadRig(folder.Write("rig.json", root.dump()));
  ASSERT_TRUE(rig) << rig.error().message;
  EXPECT_TRUE(rig->points.empty());
  EXPECT_EQ(rig->tags[0].u_mm, RigTag{}.u_mm);
}

TEST(RigFile, ComesBackBitForBit) {
  Rig rig;
  RigTag tag;
  tag.id = 586;
  // Surveyed, so a little off square, and in no special direction.
  tag.corners_mm = {Eigen::Vector3d(0.1 / 3, 0, 0), Eigen::Vector3d(12.02, 0.01, 1.0 / 7),
                    Eigen::Vector3d(12, 11.97, 0.2), Eigen::Vector3d(0, 12.01, -0.05)};
  tag.u_mm = 0.0123456789012345;
  rig.tags.push_back(tag);
  rig.points.push_back({3, Eigen::Vector3d(1.0 / 3, 2.0 / 3, -1e-7), 0.01});
  const TempFolder folder;
  const auto file = folder.Path() / "rig.json";
  const auto written = WriteRig(rig, file);
  ASSERT_TRUE(written) << written.error().message;
  const auto read = ReadRig(file);
  ASSERT_TRUE(read) << read.error().message;
  ASSERT_EQ(read->tags.size(), 1U);
  EXPECT_EQ(read->tags[0].id, 586);
  for (std::size_t i = 0; i < 4; ++i) {
    EXPECT_EQ(read->tags[0].corners_mm[i], tag.corners_mm[i]);
  }
  EXPECT_EQ(read->tags[0].u_mm, tag.u_mm);
  ASSERT_EQ(read->points.size(), 1U);
  EXPECT_EQ(read->points[0].position_mm, rig.points[0].position_mm);
}

struct BadRig {
  const char* what;
  json root;
  std::vector<std::string> said;
};

json Changed(const char* pointer, const json& value) {
  json root = RigJson();
  root[json::json_pointer(pointer)] = value;
  return root;
}

std::vector<BadRig> BadRigs() {
  json no_corners = RigJson();
  no_corners["tags"][1].erase("corners_mm");
  json no_position = RigJson();
  no_position["points"][0].erase("xyz_mm");
  const json collinear = {{0, 0, 0}, {4, 0, 0}, {8, 0, 0}, {12, 0, 0}};
  const json bow_tie = {{0, 0, 0}, {12, 0, 0}, {0, 12, 0}, {12, 12, 0}};
  const json oblong = {{0, 0, 0}, {18, 0, 0}, {18, 12, 0}, {0, 12, 0}};
  const json rhombus = {{0, 0, 0}, {12, 0, 0}, {18, 10.4, 0}, {6, 10.4, 0}};
  const json folded = {{0, 0, 0}, {12, 0, 0}, {12, 12, 0}, {0, 12, 9}};
  const json point = {{0, 0, 0}, {0, 0, 0}, {0, 0, 0}, {0, 0, 0}};
  return {
      {"no list", json::object(), {"no list \"tags\""}},
      {"empty", {{"tags", json::array()}}, {"lists no tags"}},
      {"twice the same tag", Changed("/tags/1/id", 0), {"tag 0", "twice"}},
      {"twice the same point",
       Changed("/points/1", {{"id", 7}, {"xyz_mm", {0, 0, 0}}}),
       {"point 7", "twice"}},
      {"an id beyond the family", Changed("/tags/1/id", 587), {"entry 2 of tags", "id is 587"}},
      {"half an id", Changed("/tags/1/id", 1.5), {"entry 2 of tags", "whole number"}},
      {"no corners", no_corners, {"tag 1", "corners_mm"}},
      {"two coordinates", Changed("/tags/1/corners_mm/2", {1, 2}), {"tag 1", "[x, y, z]"}},
      {"no number", Changed("/tags/1/corners_mm/2/0", nullptr), {"tag 1", "corners_mm is null"}},
      {"in micrometers", Changed("/tags/1/corners_mm/2/0", 30000), {"tag 1", "30000"}},
      {"collinear", Changed("/tags/1/corners_mm", collinear), {"tag 1", "no square"}},
      {"wrong order", Changed("/tags/1/corners_mm", bow_tie), {"tag 1", "no square", "top-left"}},
      {"oblong", Changed("/tags/1/corners_mm", oblong), {"tag 1", "no square"}},
      {"rhombus", Changed("/tags/1/corners_mm", rhombus), {"tag 1", "no square"}},
      {"not flat", Changed("/tags/1/corners_mm", folded), {"tag 1", "no square"}},
      {"no size", Changed("/tags/1/corners_mm", point), {"tag 1", "apart"}},
      {"one place",
       Changed("/tags/1/corners_mm", RigJson()["tags"][0]["corners_mm"]),
       {"tags 0 and 1", "same place"}},
      {"no uncertainty", Changed("/tags/1/u_mm", 0), {"tag 1", "u_mm is 0"}},
      {"no position", no_position, {"point 7", "xyz_mm is missing"}},
      {"points no list", Changed("/points", 3), {"points must be a list"}},
      {"a tag that is a number", Changed("/tags/1", 3), {"entry 2 of tags"}},
  };
}

TEST(RigFile, RefusesWhatCannotBeARigByName) {
  const TempFolder folder;
  for (const BadRig& bad : BadRigs()) {
    const auto rig = ReadRig(folder.Write("bad rig.json", bad.root.dump()));
    ASSERT_FALSE(rig) << bad.what;
    ExpectOneLine(rig.error().message);
    EXPECT_THAT(rig.error().message, HasSubstr("bad rig.json"));
    for (const std::string& part : bad.said) {
      EXPECT_THAT(rig.error().message, HasSubstr(part)) << bad.what;
    }
  }
}

TEST(RigFile, IsNotWrittenWithACornerThatIsNotANumber) {
  Rig rig;
  RigTag tag;
  tag.corners_mm = {Eigen::Vector3d(0, 0, 0), Eigen::Vector3d(12, 0, 0), Eigen::Vector3d(12, 12, 0),
                    Eigen::Vector3d(0, std::nan(""), 0)};
  rig.tags.push_back(tag);
  const TempFolder folder;
  const auto written = WriteRig(rig, folder.Path() / "rig.json");
  ASSERT_FALSE(written);
  EXPECT_THAT(written.error().message, AllOf(HasSubstr("tag 0"), HasSubstr("not a number")));
  EXPECT_EQ(folder.FileCount(), 0U);
}

}  // namespace
}  // namespace tinesight

#include "record/sha256.hpp"

#include <gtest/gtest.h>

#include "tests/temp_folder.hpp"

namespace tinesight {
namespace {

// FIPS 180-2, appendix B.1 to B.3; the examples of FIPS 180-4 (published beside the standard) are
// the same.
TEST(Sha256, GivesTheStandardsExamples) {
  EXPECT_EQ(HexDigits(Sha256("abc")),
            "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
  EXPECT_EQ(HexDigits(Sha256("abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq")),
            "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1");
  EXPECT_EQ(HexDigits(Sha256(std::string(1000000, 'a'))),
            "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0");
}

TEST(Sha256, OfAFileIsThatOfItsBytes) {
  const tinesight::testing::TempFolder folder;
  const std::string bytes("a\0b\r\n\xFF", 6);
  const auto digest = Sha256OfFile(folder.Write("bytes", bytes));
  ASSERT_TRUE(digest);
  EXPECT_EQ(*digest, Sha256(bytes));
  EXPECT_FALSE(Sha256OfFile(folder / "missing"));
}

}  // namespace
}  // namespace tinesight

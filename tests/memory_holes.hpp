#pragma once

#include <algorithm>
#include <random>
#include <vector>

namespace tinesight::test {

/// Blocks of many sizes with holes between: while they are held, what is allocated lies in another
/// order. `seed` chooses which.
inline std::vector<std::vector<char>> HolesInMemory(unsigned seed) {
  constexpr std::size_t kBlocks = 4000;
  constexpr std::size_t kLargest = 2048;  // bytes
  std::mt19937 random(seed);
  std::vector<std::vector<char>> blocks;
  for (std::size_t i = 0; i < kBlocks; ++i) blocks.emplace_back(1 + random() % kLargest);
  std::shuffle(blocks.begin(), blocks.end(), random);
  blocks.resize(kBlocks / 2);
  return blocks;
}

}  // namespace tinesight::test

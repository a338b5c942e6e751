#include "app/commands.hpp"

namespace tinesight {

void AddStripsCommand(CLI::App&, int&) {}

}  // namespace tinesight

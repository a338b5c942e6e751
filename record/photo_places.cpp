#include "record/photo_places.hpp"

#include <system_error>

namespace tinesight {

namespace fs = std::filesystem;

std::vector<fs::path> PhotoPlaces(const std::string& recorded, const fs::path& record) {
  const fs::path named(recorded);
  std::vector<fs::path> places = {named};
  std::error_code code;
  const fs::path beside = fs::absolute(record, code).parent_path();
  if (code) return places;
  if (named.is_relative()) {
    fs::path folder = beside;
    places.push_back(folder / named);
    while (folder.has_relative_path()) {
      folder = folder.parent_path();
      places.push_back(folder / named);
    }
  }
  places.push_back(beside / named.filename());
  return places;
}

}  // namespace tinesight

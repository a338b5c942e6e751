#include "viewer/folder_watch.hpp"

#include <algorithm>
#include <array>
#include <cctype>
#include <string_view>
#include <system_error>
#include <utility>

namespace tinesight {
namespace {

namespace fs = std::filesystem;

struct Listed {
  fs::path file;
  std::uintmax_t bytes = 0;
  fs::file_time_type changed;
};

Result<std::vector<Listed>> List(const fs::path& folder) {
  std::error_code code;
  std::vector<Listed> files;
  for (fs::directory_iterator it(folder, code), end; !code && it != end; it.increment(code)) {
    if (!LooksLikePhotoName(it->path())) continue;
    // One that vanishes between listing and asking was a copy under a passing name.
    std::error_code gone;
    if (!it->is_regular_file(gone) || gone) continue;
    Listed file{it->path(), it->file_size(gone), {}};
    if (!gone) file.changed = it->last_write_time(gone);
    if (!gone) files.push_back(std::move(file));
  }
  if (code) {
    return Fail(folder.string() + ": the folder can't be watched: " + code.message());
  }
  std::sort(files.begin(), files.end(), [](const Listed& a, const Listed& b) {
    return std::pair(a.changed, a.file) < std::pair(b.changed, b.file);
  });
  return files;
}

}  // namespace

bool LooksLikePhotoName(const fs::path& file) {
  constexpr std::array<std::string_view, 7> kEndings{".jpg", ".jpeg", ".heic", ".heif",
                                                     ".png", ".tif",  ".tiff"};
  if (file.filename().string().starts_with('.')) return false;
  std::string ending = file.extension().string();
  std::transform(ending.begin(), ending.end(), ending.begin(),
                 [](unsigned char c) { return static_cast<char>(std::tolower(c)); });
  return std::find(kEndings.begin(), kEndings.end(), ending) != kEndings.end();
}

Result<FolderWatch> FolderWatch::Start(const fs::path& folder) {
  const auto files = List(folder);
  if (!files) return tl::unexpected(files.error());
  FolderWatch watch(folder);
  for (const Listed& file : *files) {
    watch.seen_[file.file] = {file.bytes, file.changed, 0.0, true};
  }
  return watch;
}

Result<std::vector<fs::path>> FolderWatch::Look(double now_s) {
  const auto files = List(folder_);
  if (!files) return tl::unexpected(files.error());
  std::vector<fs::path> complete;
  for (const Listed& file : *files) {
    const auto [place, is_new] = seen_.try_emplace(file.file);
    Seen& seen = place->second;
    if (is_new || seen.bytes != file.bytes || seen.changed != file.changed) {
      seen = {file.bytes, file.changed, now_s, false};
    } else if (!seen.told && file.bytes > 0 && now_s - seen.still_since_s >= kSettleSeconds) {
      seen.told = true;
      complete.push_back(file.file);
    }
  }
  return complete;
}

void FolderWatch::Forget(const fs::path& file, double now_s) {
  const auto seen = seen_.find(file);
  if (seen == seen_.end()) return;
  seen->second.told = false;
  seen->second.still_since_s = now_s;
}

}  // namespace tinesight

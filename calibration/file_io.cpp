#include "calibration/file_io.hpp"

#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

#include <algorithm>
#include <atomic>
#include <cerrno>
#include <cstdio>
#include <cstring>
#include <optional>
#include <utility>

namespace tinesight {
namespace fs = std::filesystem;
namespace {

constexpr std::uintmax_t kMaxJsonBytes = 64ULL << 20;

/// A file descriptor that closes itself.
class Descriptor {
 public:
  explicit Descriptor(int fd) : fd_(fd) {}
  Descriptor(const Descriptor&) = delete;
  Descriptor& operator=(const Descriptor&) = delete;
  ~Descriptor() { static_cast<void>(Close()); }

  [[nodiscard]] int Get() const { return fd_; }
  [[nodiscard]] bool Valid() const { return fd_ >= 0; }
  /// False when the system could not keep what was written (a full disk may say so only here).
  [[nodiscard]] bool Close() { return fd_ < 0 || ::close(std::exchange(fd_, -1)) == 0; }

 private:
  int fd_;
};

bool WriteAll(int fd, std::string_view bytes) {
  while (!bytes.empty()) {
    const ssize_t written = ::write(fd, bytes.data(), bytes.size());
    if (written < 0) {
      if (errno == EINTR) continue;
      return false;
    }
    bytes.remove_prefix(static_cast<std::size_t>(written));
  }
  return true;
}

tl::unexpected<Error> CannotWrite(const fs::path& file, int error) {
  const fs::path folder = file.has_parent_path() ? file.parent_path() : fs::path(".");
  const std::string start = file.string() + ": cannot be written: ";
  switch (error) {
    case ENOENT:
    case ENOTDIR:
      return Fail(start + "there is no folder " + folder.string() + "; create it first");
    case EACCES:
    case EPERM:
    case EROFS:
      return Fail(start + "the folder " + folder.string() + " is not writable; choose another");
    case ENOSPC:
    case EDQUOT:
      return Fail(start + "the disk is full; make room or choose another folder");
    default:
      return Fail(start + std::strerror(error));
  }
}

Result<void> WriteStraight(const fs::path& file, std::string_view bytes) {
  Descriptor out(::open(file.c_str(), O_WRONLY | O_CLOEXEC));
  if (!out.Valid() || !WriteAll(out.Get(), bytes) || !out.Close()) return CannotWrite(file, errno);
  return {};
}

/// Writes the bytes to a file of another name in the same folder and gives that name.
Result<fs::path> WriteBeside(const fs::path& file, std::string_view bytes) {
  static std::atomic<unsigned> counter{0};
  fs::path beside = file;
  beside += ".part-" + std::to_string(::getpid()) + "-" + std::to_string(counter++);
  Descriptor out(::open(beside.c_str(), O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC, 0666));
  if (!out.Valid()) return CannotWrite(file, errno);
  if (!(WriteAll(out.Get(), bytes) && ::fsync(out.Get()) == 0 && out.Close())) {
    const int error = errno;
    ::unlink(beside.c_str());
    return CannotWrite(file, error);
  }
  return beside;
}

Result<void> WriteBesideAndRename(const fs::path& file, std::string_view bytes) {
  const Result<fs::path> beside = WriteBeside(file, bytes);
  if (!beside) return tl::unexpected<Error>(beside.error());
  if (::rename(beside->c_str(), file.c_str()) == 0) return {};
  const int error = errno;
  ::unlink(beside->c_str());
  return CannotWrite(file, error);
}

/// The name that a new file takes: that of a link's file, since a link stays a link. None:
/// something that is no regular file and is written straight.
Result<std::optional<fs::path>> PlaceToReplace(const fs::path& file) {
  std::error_code ignored;
  const fs::file_status status = fs::status(file, ignored);
  if (fs::is_directory(status)) {
    return Fail(file.string() + ": cannot be written: is a folder; name a file in it");
  }
  if (!fs::exists(status)) return file;
  if (!fs::is_regular_file(status)) return std::nullopt;
  if (::access(file.c_str(), W_OK) != 0) {
    return Fail(file.string() + ": cannot be written: the file is write-protected");
  }
  const fs::path target = fs::canonical(file, ignored);
  return ignored ? file : target;
}

/// Files written beside their places, gone with us where they were not renamed.
class BesideFiles {
 public:
  BesideFiles() = default;
  BesideFiles(const BesideFiles&) = delete;
  BesideFiles& operator=(const BesideFiles&) = delete;
  ~BesideFiles() {
    for (const Pair& pair : pairs_) ::unlink(pair.beside.c_str());
  }

  [[nodiscard]] Result<void> Write(const fs::path& place, std::string_view bytes) {
    const Result<fs::path> beside = WriteBeside(place, bytes);
    if (!beside) return tl::unexpected<Error>(beside.error());
    pairs_.push_back({*beside, place});
    return {};
  }
  [[nodiscard]] Result<void> Rename() {
    while (!pairs_.empty()) {
      const Pair& pair = pairs_.back();
      if (::rename(pair.beside.c_str(), pair.place.c_str()) != 0) {
        return CannotWrite(pair.place, errno);
      }
      pairs_.pop_back();
    }
    return {};
  }

 private:
  struct Pair {
    fs::path beside;
    fs::path place;
  };
  std::vector<Pair> pairs_;
};

/// "line 3, column 7" of a byte offset counted from 1, as nlohmann's parser counts.
std::string LineAndColumn(const std::string& text, std::size_t byte) {
  const auto end =
      text.begin() + static_cast<std::ptrdiff_t>(std::min(byte > 0 ? byte - 1 : 0, text.size()));
  const auto line = 1 + std::count(text.begin(), end, '\n');
  auto start = end;
  while (start != text.begin() && *(start - 1) != '\n') --start;
  return "line " + std::to_string(line) + ", column " + std::to_string(end - start + 1);
}

}  // namespace

Result<std::string> ReadFileBytes(const fs::path& file, std::uintmax_t max_bytes) {
  // Not blocking, so that a pipe without a writer is refused below and does not hang.
  Descriptor in(::open(file.c_str(), O_RDONLY | O_CLOEXEC | O_NONBLOCK));
  if (!in.Valid()) {
    const int error = errno;
    if (error == ENOENT || error == ENOTDIR) {
      return Fail(file.string() + ": there is no such file; check the name and the folder");
    }
    return Fail(file.string() + ": cannot be read: " + std::strerror(error));
  }
  struct stat status {};
  if (::fstat(in.Get(), &status) != 0 || !S_ISREG(status.st_mode)) {
    return Fail(file.string() + (S_ISDIR(status.st_mode) ? ": is a folder; name a file in it"
                                                         : ": is not an ordinary file"));
  }
  const auto size = static_cast<std::uintmax_t>(status.st_size);
  if (size > max_bytes) {
    return Fail(file.string() + ": is too large (" + std::to_string(size >> 20) +
                " MB, the limit is " + std::to_string(max_bytes >> 20) + " MB)");
  }
  std::string bytes(static_cast<std::size_t>(size), '\0');
  std::size_t filled = 0;
  while (filled < bytes.size()) {
    const ssize_t got = ::read(in.Get(), bytes.data() + filled, bytes.size() - filled);
    if (got < 0 && errno == EINTR) continue;
    if (got < 0) return Fail(file.string() + ": cannot be read: " + std::strerror(errno));
    if (got == 0) break;
    filled += static_cast<std::size_t>(got);
  }
  bytes.resize(filled);
  return bytes;
}

Result<nlohmann::json> ReadJsonFile(const fs::path& file) {
  const Result<std::string> text = ReadFileBytes(file, kMaxJsonBytes);
  if (!text) return tl::unexpected<Error>(text.error());
  if (text->find_first_not_of(" \t\r\n") == std::string::npos) {
    return Fail(file.string() + ": is empty; a JSON file was expected");
  }
  try {
    return nlohmann::json::parse(*text);
  } catch (const nlohmann::json::parse_error& error) {
    return Fail(file.string() + ": is not valid JSON at " + LineAndColumn(*text, error.byte) +
                "; correct the file there");
  } catch (const nlohmann::json::exception&) {
    // The parser's only other complaint: a number beyond a double, such as 1e999.
    return Fail(file.string() + ": has a number too large to represent; correct the file");
  }
}

Result<void> WriteFileAtomically(const fs::path& file, std::string_view bytes) {
  const Result<std::optional<fs::path>> place = PlaceToReplace(file);
  if (!place) return tl::unexpected<Error>(place.error());
  return *place ? WriteBesideAndRename(**place, bytes) : WriteStraight(file, bytes);
}

Result<void> WriteFilesAtomically(const std::vector<FileBytes>& files) {
  BesideFiles beside;
  std::vector<const FileBytes*> straight;
  for (const FileBytes& file : files) {
    const Result<std::optional<fs::path>> place = PlaceToReplace(file.name);
    if (!place) return tl::unexpected<Error>(place.error());
    if (!*place) {
      straight.push_back(&file);
    } else if (auto written = beside.Write(**place, file.bytes); !written) {
      return written;
    }
  }
  // What is written straight can't be prepared and may still fail: it goes before the renames.
  for (const FileBytes* file : straight) {
    if (auto written = WriteStraight(file->name, file->bytes); !written) return written;
  }
  return beside.Rename();
}

Result<bool> WriteNewFileAtomically(const fs::path& file, std::string_view bytes) {
  const Result<fs::path> beside = WriteBeside(file, bytes);
  if (!beside) return tl::unexpected<Error>(beside.error());
  // Unlike rename, renameat2 with this flag never takes the place of what stands there.
  if (::renameat2(AT_FDCWD, beside->c_str(), AT_FDCWD, file.c_str(), RENAME_NOREPLACE) == 0) {
    return true;
  }
  int error = errno;
  if (error == EINVAL || error == ENOSYS) {  // a file system without it: look, then rename
    if (::access(file.c_str(), F_OK) == 0) {
      error = EEXIST;
    } else if (::rename(beside->c_str(), file.c_str()) == 0) {
      return true;
    } else {
      error = errno;
    }
  }
  ::unlink(beside->c_str());
  if (error == EEXIST) return false;
  return CannotWrite(file, error);
}

}  // namespace tinesight

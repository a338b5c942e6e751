#include "viewer/desktop_dialog.hpp"

#include <fcntl.h>
#include <spawn.h>
#include <sys/wait.h>
#include <unistd.h>

#include <array>
#include <cerrno>
#include <csignal>
#include <cstdlib>
#include <sstream>
#include <vector>

namespace tinesight {
namespace {

namespace fs = std::filesystem;

fs::path FindProgram(const std::string& name) {
  const char* path = std::getenv("PATH");
  std::istringstream folders(path != nullptr ? path : "");
  for (std::string folder; std::getline(folders, folder, ':');) {
    fs::path program = fs::path(folder) / name;
    if (!folder.empty() && ::access(program.c_str(), X_OK) == 0) return program;
  }
  return {};
}

std::vector<std::string> CommandOf(DesktopDialog::Kind kind, const std::string& title) {
  const bool folder = kind == DesktopDialog::Kind::kFolder;
  if (const fs::path zenity = FindProgram("zenity"); !zenity.empty()) {
    std::vector<std::string> words = {zenity.string(), "--file-selection", "--title=" + title};
    if (folder) words.emplace_back("--directory");
    return words;
  }
  if (const fs::path kdialog = FindProgram("kdialog"); !kdialog.empty()) {
    return {kdialog.string(), "--title", title,
            folder ? "--getexistingdirectory" : "--getopenfilename", fs::current_path().string()};
  }
  return {};
}

}  // namespace

bool DesktopDialog::Available() {
  return !FindProgram("zenity").empty() || !FindProgram("kdialog").empty();
}

bool DesktopDialog::Open(Kind kind, const std::string& title) {
  if (IsOpen()) return true;
  std::vector<std::string> words = CommandOf(kind, title);
  if (words.empty()) return false;
  std::array<int, 2> ends{};
  if (::pipe2(ends.data(), O_CLOEXEC) != 0) return false;
  std::vector<char*> arguments;
  arguments.reserve(words.size() + 1);
  for (std::string& word : words) arguments.push_back(word.data());
  arguments.push_back(nullptr);
  posix_spawn_file_actions_t actions;
  posix_spawn_file_actions_init(&actions);
  posix_spawn_file_actions_adddup2(&actions, ends[1], STDOUT_FILENO);
  // What toolkits have to say about themselves is not for our terminal.
  posix_spawn_file_actions_addopen(&actions, STDERR_FILENO, "/dev/null", O_WRONLY, 0);
  const int failure =
      posix_spawn(&process_, words[0].c_str(), &actions, nullptr, arguments.data(), environ);
  posix_spawn_file_actions_destroy(&actions);
  ::close(ends[1]);
  if (failure != 0) {
    ::close(ends[0]);
    process_ = 0;
    return false;
  }
  output_ = ends[0];
  ::fcntl(output_, F_SETFL, O_NONBLOCK);
  text_.clear();
  return true;
}

std::optional<fs::path> DesktopDialog::Poll() {
  if (!IsOpen()) return std::nullopt;
  std::array<char, 4096> buffer{};
  ssize_t count = 0;
  while ((count = ::read(output_, buffer.data(), buffer.size())) > 0) {
    text_.append(buffer.data(), static_cast<std::size_t>(count));
  }
  if (count < 0 && (errno == EAGAIN || errno == EINTR)) return std::nullopt;
  int status = 0;
  if (::waitpid(process_, &status, WNOHANG) == 0) return std::nullopt;
  ::close(output_);
  output_ = -1;
  process_ = 0;
  while (!text_.empty() && text_.back() == '\n') text_.pop_back();
  if (!WIFEXITED(status) || WEXITSTATUS(status) != 0 || text_.empty()) return std::nullopt;
  return fs::path(text_);
}

void DesktopDialog::Cancel() {
  if (!IsOpen()) return;
  ::kill(process_, SIGTERM);
  ::waitpid(process_, nullptr, 0);
  ::close(output_);
  output_ = -1;
  process_ = 0;
}

}  // namespace tinesight

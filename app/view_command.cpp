#include <spawn.h>
#include <sys/wait.h>
#include <unistd.h>

#include <cerrno>
#include <cstring>
#include <filesystem>
#include <memory>
#include <string>
#include <system_error>
#include <vector>

#include "app/commands.hpp"
#include "app/output_check.hpp"
#include "viewer/view_options.hpp"

namespace tinesight {
namespace {

// Back into words for the program that has the window.
std::vector<std::string> Words(const ViewOptions& options) {
  std::vector<std::string> words;
  const auto text = [&](const char* name, const std::string& value) {
    if (!value.empty()) words.insert(words.end(), {name, value});
  };
  const auto flag = [&](const char* name, bool set) {
    if (set) words.emplace_back(name);
  };
  text("--photos", options.photos);
  text("--instrument", options.instrument);
  text("--camera", options.camera);
  text("--rig", options.rig);
  text("--first-note", options.first_note);
  text("--damper", options.damper);
  text("--watch", options.watch);
  text("--visit", options.visit);
  text("--note", options.note);
  text("--photo", options.photo);
  text("--scene", options.scene);
  text("--size", options.size);
  text("--screenshot", options.screenshot);
  if (options.magnify > 0.0) text("--magnify", std::to_string(options.magnify));
  if (options.time_frames > 0) text("--time-frames", std::to_string(options.time_frames));
  flag("--whole-window", options.whole_window);
  flag("--whole-photo", options.whole_photo);
  flag("--down-the-tine", options.down_the_tine);
  flag("--from-camera", options.from_camera);
  flag("--large-type", options.large_type);
  flag("--light", options.light);
  if (!options.files.empty()) words.emplace_back("--");
  words.insert(words.end(), options.files.begin(), options.files.end());
  return words;
}

// Window and graphics libraries cost time at start, so a program of its own beside this one has
// them.
int RunViewer(const ViewOptions& options) {
  std::error_code code;
  const auto self = std::filesystem::read_symlink("/proc/self/exe", code);
  std::string viewer = (self.parent_path() / "tinesight-view").string();
  std::vector<std::string> words = Words(options);
  std::vector<char*> arguments = {viewer.data()};
  for (std::string& word : words) arguments.push_back(word.data());
  arguments.push_back(nullptr);
  pid_t child = 0;
  const int failure =
      posix_spawn(&child, viewer.c_str(), nullptr, nullptr, arguments.data(), environ);
  if (failure != 0) {
    return FailWith({viewer + ": cannot be started: " + std::strerror(failure) +
                     "; it belongs beside tinesight"});
  }
  int status = 0;
  while (waitpid(child, &status, 0) < 0) {
    if (errno != EINTR) return FailWith({"the viewer was lost: " + std::string(strerror(errno))});
  }
  if (!WIFEXITED(status)) {
    return FailWith({viewer + ": ended by a signal; what was decided is in the record"});
  }
  return WEXITSTATUS(status);
}

int View(ViewOptions& options) {
  CheckViewOptions(options);
  if (!options.screenshot.empty()) {
    if (auto writable = CheckFileWritable(options.screenshot); !writable) {
      return FailWith(writable.error());
    }
  }
  return RunViewer(options);
}

}  // namespace

void AddViewCommand(CLI::App& app, int& exit_status) {
  auto options = std::make_shared<ViewOptions>();
  CLI::App* command = app.add_subcommand(
      "view", "Review the notes of a service record over their photos and in 3D");
  AddViewOptions(*command, *options);
  command->callback([options, &exit_status] { exit_status = View(*options); });
}

}  // namespace tinesight

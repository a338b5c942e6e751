// tinesight-export RESULT.json MODEL: what `tinesight export` starts. A program of its own
// because of Open3D (harp_export.hpp); `tinesight` has checked the arguments.
#include <exception>
#include <iostream>

#include "record/result_json.hpp"
#include "viewer/harp_export.hpp"

namespace {

int Fail(const std::string& message) {
  std::cerr << "tinesight: " << message << '\n';
  return 1;
}

int Export(const char* result_file, const char* model_file) {
  const auto visit = tinesight::ReadResultJson(result_file);
  if (!visit) return Fail(visit.error().message);
  const auto written = tinesight::WriteHarpModel(tinesight::NoteModels(*visit), model_file);
  return written ? 0 : Fail(written.error().message);
}

}  // namespace

int main(int argc, char** argv) {
  if (argc != 3) {
    std::cerr << "tinesight: use `tinesight export --model MODEL RESULT.json`\n";
    return 2;
  }
  try {
    return Export(argv[1], argv[2]);
  } catch (const std::exception& error) {
    return Fail(std::string("stopped by an unexpected failure: ") + error.what());
  }
}

#include "app/visit_input.hpp"

#include <langinfo.h>

#include <clocale>
#include <filesystem>

#include "record/result_json.hpp"

namespace tinesight {

Result<VisitMeasurement> ReadVisit(const std::string& file, const std::string& visit) {
  if (!visit.empty()) {
    return Fail(file + ": --visit names a visit of a service record (.tinerec); a result has one");
  }
  return ReadResultJson(file);
}

bool TerminalIsUtf8() {
  std::setlocale(LC_CTYPE, "");
  return std::string(nl_langinfo(CODESET)) == "UTF-8";
}

}  // namespace tinesight

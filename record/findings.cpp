// Findings in words, and the spring map.
#include <algorithm>
#include <map>

#include "alignment/note_name.hpp"
#include "record/record_words.hpp"
#include "record/service_record.hpp"

namespace tinesight {
namespace {

std::string LowerCase(std::string text) {
  std::transform(text.begin(), text.end(), text.begin(),
                 [](unsigned char c) { return static_cast<char>(std::tolower(c)); });
  return text;
}

// "heavy, doubled": in lower case, so that "Heavy" and "heavy" are one spring.
std::string SpringText(const Finding& spring) {
  return LowerCase(spring.state) + (spring.doubled ? ", doubled" : "");
}

// What was last said of one place at one stage.
struct Springs {
  std::map<ScrewPlace, std::string> at;

  [[nodiscard]] std::optional<std::string> Of(ScrewPlace place) const {
    auto found = at.find(place);
    if (found == at.end()) found = at.find(ScrewPlace::kEither);
    return found == at.end() ? std::nullopt : std::optional(found->second);
  }
  [[nodiscard]] bool NamesScrews() const {
    return at.contains(ScrewPlace::kForward) || at.contains(ScrewPlace::kRear);
  }
  void Say(ScrewPlace place, const std::string& text) {
    // Said of the bar as a whole, it replaces what was said of its screws before.
    if (place == ScrewPlace::kEither) at.clear();
    at[place] = text;
  }
};

std::string PlaceText(ScrewPlace place) {
  if (place == ScrewPlace::kEither) return "";
  return ", " + std::string(WordOf(kPlaceWords, place)) + " screw";
}

}  // namespace

std::string PartWord(FindingPart part) { return std::string(WordOf(kPartWords, part)); }

const std::vector<std::string>& StatesOf(FindingPart part) {
  static const std::map<FindingPart, std::vector<std::string>> kStates{
      {FindingPart::kGrommet, {"good", "hardened", "flattened", "cracked", "replaced"}},
      {FindingPart::kTineSeat, {"firm", "loose"}},
      {FindingPart::kHammerTip, {"good", "grooved", "hard"}},
      {FindingPart::kScrew, {"fully threaded", "plain shank"}},
      {FindingPart::kInPlaceOfGrommet, {"felt", "card", "washer"}},
  };
  static const std::vector<std::string> kFree;
  const auto found = kStates.find(part);
  return found == kStates.end() ? kFree : found->second;
}

std::string FindingText(const Finding& finding) {
  if (finding.part == FindingPart::kOther) return finding.text;
  std::string text;
  if (finding.place != ScrewPlace::kEither) {
    text = std::string(WordOf(kPlaceWords, finding.place)) + " ";
  }
  text += PartWord(finding.part) + ": " + finding.state;
  if (finding.doubled) text += ", doubled";
  if (!finding.text.empty()) text += ", " + finding.text;
  return text;
}

std::vector<SpringMapEntry> SpringMap(const ServiceRecord& record) {
  struct Stages {
    Springs before;
    Springs after;
  };
  std::map<int, Stages> notes;
  for (const Finding& finding : record.findings) {
    if (finding.part != FindingPart::kSpring) continue;
    Stages& stages = notes[finding.midi];
    Springs& springs = finding.stage == WorkStage::kBefore ? stages.before : stages.after;
    springs.Say(finding.place, SpringText(finding));
  }
  std::vector<SpringMapEntry> map;
  for (const auto& [midi, stages] : notes) {
    std::vector<ScrewPlace> places{ScrewPlace::kEither};
    if (stages.before.NamesScrews() || stages.after.NamesScrews()) {
      places = {ScrewPlace::kForward, ScrewPlace::kRear};
    }
    for (const ScrewPlace place : places) {
      SpringMapEntry entry{midi, place, stages.before.Of(place), stages.after.Of(place)};
      if (entry.before || entry.after) map.push_back(std::move(entry));
    }
  }
  return map;
}

std::vector<std::string> SpringWarnings(const ServiceRecord& record) {
  std::vector<std::string> warnings;
  const std::vector<SpringMapEntry> map = SpringMap(record);
  // Before anything was put together again, no spring can be missing from the second map.
  const bool taken_after = std::any_of(
      map.begin(), map.end(), [](const SpringMapEntry& entry) { return entry.after.has_value(); });
  if (!taken_after) return warnings;
  for (const SpringMapEntry& entry : map) {
    const std::string where = NoteName(entry.midi) + PlaceText(entry.place) + ": ";
    if (entry.Differs()) {
      warnings.push_back(where + "the spring was \"" + *entry.before + "\", now \"" + *entry.after +
                         "\"; put it back where it was");
    } else if (!entry.after) {
      warnings.push_back(where + "the spring was \"" + *entry.before +
                         "\" before; look whether it is back");
    } else if (!entry.before) {
      warnings.push_back(where + "a spring \"" + *entry.after +
                         "\" is there now, none was noted before");
    }
  }
  return warnings;
}

}  // namespace tinesight

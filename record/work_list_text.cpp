// The work list for people and for programs.
#include <nlohmann/json.hpp>

#include "record/paragraphs.hpp"
#include "record/quantity_view.hpp"
#include "record/text_util.hpp"
#include "record/work_list.hpp"

namespace tinesight {
namespace {

constexpr std::size_t kIndent = 11;  // box and name stand in front

const char* Box(WorkState state) {
  switch (state) {
    case WorkState::kOpen:
      return " [ ] ";
    case WorkState::kDone:
      return " [x] ";
    case WorkState::kConfirmed:
      return " [=] ";
    case WorkState::kReopened:
      return " [!] ";
    case WorkState::kUnsettled:
      break;
  }
  return " [?] ";
}

std::string Summary(const WorkList& list) {
  if (list.items.empty()) return "nothing is to be done for certain";
  std::string text;
  for (const WorkState state : {WorkState::kOpen, WorkState::kReopened, WorkState::kDone,
                                WorkState::kConfirmed, WorkState::kUnsettled}) {
    if (list.Count(state) == 0) continue;
    if (!text.empty()) text += ", ";
    text += std::to_string(list.Count(state)) + " " + WorkStateWord(state);
  }
  return text;
}

void WriteItem(const WorkItem& item, Paragraphs& writer) {
  const std::string start = PadRight(std::string(Box(item.state)) + item.name, kIndent);
  CorrectionStep step = item.step;
  if (step.task == WorkTask::kTurnEither) step.remark.clear();  // the heading says it for all
  const std::string cause = step.cause.empty() ? "" : step.cause + ": ";
  writer.Add(start, cause + StepText(step, true));
  if (!item.state_reason.empty()) {
    writer.Add(std::string(kIndent, ' '), item.state_reason);
  }
}

}  // namespace

std::string WorkListText(const WorkList& list, bool ascii_only) {
  Paragraphs writer(ascii_only);
  writer.Heading("Work list of \"" + list.visit + "\", " + list.date + ": " + Summary(list));
  if (!list.items.empty()) {
    writer.Add("",
               "In each group what costs the sound most comes first. [ ] to do, [x] done, "
               "[=] confirmed by later photos, [!] reopened, [?] not settled by them. U is "
               "the expanded uncertainty (k = 2).");
  }
  const WorkItem* previous = nullptr;
  for (const WorkItem& item : list.items) {
    if (previous == nullptr || previous->step.task != item.step.task) {
      writer.Heading(TaskHeading(item.step.task));
    }
    WriteItem(item, writer);
    previous = &item;
  }
  if (!list.spring_warnings.empty()) {
    writer.Heading("Springs: they voice the low register and go back where they were");
    for (const std::string& warning : list.spring_warnings) writer.Add("  ", warning);
  }
  if (!list.suspicions.empty()) {
    writer.Heading("Worth a look, by the photos alone");
    writer.ByText(list.suspicions);
  }
  if (!list.damper_lifts_mm.empty()) {
    writer.Heading("Damper lift: height with the damper at rest minus height without it");
    std::string lifts;
    for (const auto& [name, lift] : list.damper_lifts_mm) {
      lifts += (lifts.empty() ? "" : "; ") + name + " " + FixedDecimals(lift.value, 2) + " mm (U " +
               FixedDecimals(lift.expanded_u, 2) + ")";
    }
    writer.Add("  ", lifts);
  }
  if (!list.undecided.empty()) {
    writer.Heading("Not decided: measure the figures named again, and turn nothing for them");
    if (!list.undecided_but_heard.empty()) {
      std::string names;
      for (const std::string& name : list.undecided_but_heard) {
        names += (names.empty() ? "" : ", ") + name;
      }
      writer.Add("  ", "First, as the ear is predicted to notice them: " + names);
    }
    writer.ByText(list.undecided);
  }
  return writer.Text();
}

std::string WorkListJson(const WorkList& list) {
  using Json = nlohmann::ordered_json;
  Json json;
  json["visit"] = list.visit;
  json["date"] = list.date;
  json["coverage_factor"] = 2;
  json["items"] = Json::array();
  for (const WorkItem& item : list.items) {
    json["items"].push_back({{"midi", item.midi},
                             {"name", item.name},
                             {"task", TaskWord(item.step.task)},
                             {"quantity", ViewOf(item.step.quantity).name},
                             {"cause", item.step.cause},
                             {"action", StepText(item.step, true)},
                             {"amount_mm", item.step.amount_mm.value},
                             {"amount_u_mm", item.step.amount_mm.expanded_u},
                             {"cost", item.cost},
                             {"state", WorkStateWord(item.state)},
                             {"state_reason", item.state_reason}});
  }
  const auto pairs = [&](const char* key, const auto& list_of_pairs, const char* text_key) {
    json[key] = Json::array();
    for (const auto& [name, text] : list_of_pairs) {
      json[key].push_back({{"name", name}, {text_key, text}});
    }
  };
  pairs("undecided", list.undecided, "reason");
  json["undecided_but_heard"] = list.undecided_but_heard;
  pairs("suspicions", list.suspicions, "text");
  json["damper_lift"] = Json::array();
  for (const auto& [name, lift] : list.damper_lifts_mm) {
    json["damper_lift"].push_back(
        {{"name", name}, {"damper_lift_mm", lift.value}, {"damper_lift_u_mm", lift.expanded_u}});
  }
  json["spring_warnings"] = list.spring_warnings;
  return json.dump(2, ' ', false, Json::error_handler_t::replace) + '\n';
}

}  // namespace tinesight

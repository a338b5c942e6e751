#include "record/record_export.hpp"

#include <nlohmann/json.hpp>

#include "alignment/note_name.hpp"
#include "record/record_words.hpp"
#include "record/result_json.hpp"
#include "record/text_util.hpp"
#include "record/tone_table.hpp"
#include "record/visit_photos.hpp"
#include "record/work_list.hpp"

namespace tinesight {
namespace {

using OrderedJson = nlohmann::ordered_json;

std::string KindWord(VisitKind kind) {
  switch (kind) {
    case VisitKind::kAsFound:
      return "as found";
    case VisitKind::kAsLeft:
      return "as left";
    case VisitKind::kOther:
      break;
  }
  return "other";
}

// Folders of the technician's computer are nobody else's business.
OrderedJson ResultOf(const VisitMeasurement& measurement) {
  VisitMeasurement named = measurement;
  for (PhotoMeasurement& photo : named.photos) {
    const std::string name = PhotoName(photo);
    for (std::string& warning : photo.warnings) {
      if (warning.starts_with(photo.file)) warning.replace(0, photo.file.size(), name);
    }
    photo.file = name;
  }
  return OrderedJson::parse(ResultJson(named));
}

void AddStamp(OrderedJson& json, const EntryStamp& stamp) {
  json["date"] = stamp.date;
  json["technician"] = stamp.technician;
  json["recorded_utc"] = stamp.recorded_utc;
}

OrderedJson VisitJson(const ServiceRecord& record, const Visit& visit) {
  OrderedJson json;
  json["name"] = visit.name;
  json["kind"] = KindWord(visit.kind);
  json["date"] = visit.date;
  json["technician"] = visit.technician;
  json["recorded_utc"] = visit.recorded_utc;
  json["instrument"] = visit.instrument;
  OrderedJson profile = OrderedJson::parse(visit.profile_json, nullptr, /*allow_exceptions=*/false);
  if (!profile.is_discarded()) json["profile"] = std::move(profile);
  OrderedJson result = ResultOf(visit.measurement);
  for (std::size_t i = 0; i < visit.photos.size() && i < result["photos"].size(); ++i) {
    if (visit.photos[i].sha256) result["photos"][i]["sha256"] = HexDigits(*visit.photos[i].sha256);
  }
  json["result"] = std::move(result);
  if (visit.sets.size() > 1) {
    json["damper_states"] = OrderedJson::array();
    for (const VisitSet& set : visit.sets) {
      json["damper_states"].push_back(
          {{"damper", DamperWord(set.damper)}, {"result", ResultOf(set.measurement)}});
    }
  }
  json["work_list"] =
      OrderedJson::parse(WorkListJson(BuildWorkList(record, visit, ToneOrder(visit))));
  json["tone"] = OrderedJson::parse(ToneJson(visit.measurement, visit.profile));
  return json;
}

std::string VisitName(const ServiceRecord& record, std::int64_t id) {
  const Visit* visit = record.FindVisit(id);
  return visit != nullptr ? visit->name : "";
}

OrderedJson FindingsJson(const ServiceRecord& record) {
  OrderedJson list = OrderedJson::array();
  for (const Finding& finding : record.findings) {
    OrderedJson json{{"note", NoteName(finding.midi)},
                     {"midi", finding.midi},
                     {"part", PartWord(finding.part)},
                     {"state", finding.state},
                     {"doubled", finding.doubled},
                     {"screw", WordOf(kPlaceWords, finding.place)},
                     {"stage", WordOf(kStageWords, finding.stage)},
                     {"text", finding.text}};
    AddStamp(json, finding.stamp);
    list.push_back(std::move(json));
  }
  return list;
}

OrderedJson SpringMapJson(const ServiceRecord& record) {
  OrderedJson list = OrderedJson::array();
  for (const SpringMapEntry& entry : SpringMap(record)) {
    OrderedJson json{{"note", NoteName(entry.midi)},
                     {"midi", entry.midi},
                     {"screw", WordOf(kPlaceWords, entry.place)}};
    if (entry.before) json["before"] = *entry.before;
    if (entry.after) json["after"] = *entry.after;
    json["differs"] = entry.Differs();
    list.push_back(std::move(json));
  }
  return list;
}

OrderedJson WorkJson(const ServiceRecord& record) {
  OrderedJson list = OrderedJson::array();
  for (const WorkDone& work : record.work_done) {
    OrderedJson json;
    if (work.midi) json = {{"note", NoteName(*work.midi)}, {"midi", *work.midi}};
    json["text"] = work.text;
    AddStamp(json, work.stamp);
    list.push_back(std::move(json));
  }
  return list;
}

OrderedJson TicksJson(const ServiceRecord& record) {
  OrderedJson list = OrderedJson::array();
  for (const WorkTick& tick : record.ticks) {
    OrderedJson json{{"visit", VisitName(record, tick.visit_id)},
                     {"note", NoteName(tick.midi)},
                     {"midi", tick.midi},
                     {"task", TaskWord(tick.task)},
                     {"done", tick.done}};
    AddStamp(json, tick.stamp);
    list.push_back(std::move(json));
  }
  return list;
}

OrderedJson ReviewsJson(const ServiceRecord& record) {
  OrderedJson list = OrderedJson::array();
  for (const Review& review : record.reviews) {
    OrderedJson json{{"visit", VisitName(record, review.visit_id)},
                     {"note", NoteName(review.midi)},
                     {"midi", review.midi},
                     {"state", WordOf(kReviewWords, review.state)},
                     {"text", review.text}};
    AddStamp(json, review.stamp);
    list.push_back(std::move(json));
  }
  return list;
}

OrderedJson AttachmentsJson(const ServiceRecord& record) {
  OrderedJson list = OrderedJson::array();
  for (const Attachment& attachment : record.attachments) {
    OrderedJson json;
    json["name"] = attachment.name;
    json["media_type"] = attachment.media_type;
    json["caption"] = attachment.caption;
    json["bytes"] = attachment.bytes;
    json["sha256"] = HexDigits(attachment.sha256);
    if (attachment.visit_id) json["visit"] = VisitName(record, *attachment.visit_id);
    if (attachment.midi) json["midi"] = *attachment.midi;
    AddStamp(json, attachment.stamp);
    list.push_back(std::move(json));
  }
  return list;
}

}  // namespace

std::string RecordJson(const ServiceRecord& record) {
  OrderedJson json;
  json["instrument"] = {{"type", record.instrument.type},
                        {"compass", record.instrument.compass},
                        {"serial", record.instrument.serial},
                        {"owner", record.instrument.owner}};
  json["visits"] = OrderedJson::array();
  for (const Visit& visit : record.visits) json["visits"].push_back(VisitJson(record, visit));
  json["findings"] = FindingsJson(record);
  json["spring_map"] = SpringMapJson(record);
  json["spring_warnings"] = SpringWarnings(record);
  json["work_done"] = WorkJson(record);
  json["ticks"] = TicksJson(record);
  json["reviews"] = ReviewsJson(record);
  json["attachments"] = AttachmentsJson(record);
  return json.dump(2, ' ', false, OrderedJson::error_handler_t::replace) + '\n';
}

std::string RecordCsv(const ServiceRecord& record) {
  std::vector<std::string> header{"visit", "date", "technician"};
  const std::vector<std::string> figures = ResultCsvHeader();
  header.insert(header.end(), figures.begin(), figures.end());
  header.insert(header.end(), {"to_the_ear", "findings", "work_done"});
  std::string csv = CsvLine(header);
  for (const Visit& visit : record.visits) {
    const EvennessChart tone = Evenness(visit.measurement, visit.profile);
    for (const NoteMeasurement& note : visit.measurement.notes) {
      std::vector<std::string> row{visit.name, visit.date, visit.technician};
      const std::vector<std::string> fields = ResultCsvRow(note);
      row.insert(row.end(), fields.begin(), fields.end());
      const NoteEvenness* heard = tone.Find(note.midi);
      std::string findings;
      std::string work;
      for (const Finding& finding : record.findings) {
        if (finding.midi == note.midi) AppendText(findings, FindingText(finding));
      }
      for (const WorkDone& done : record.work_done) {
        if (done.midi == note.midi) AppendText(work, done.text);
      }
      row.insert(row.end(), {heard != nullptr ? ToneHeardWord(heard->heard) : "", findings, work});
      csv += CsvLine(row);
    }
  }
  return csv;
}

}  // namespace tinesight

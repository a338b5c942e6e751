// The report's last part: photos, method, uncertainty, cautions.
#include <algorithm>
#include <set>

#include "record/report_sections.hpp"
#include "record/result_json.hpp"
#include "record/text_util.hpp"

namespace tinesight {
namespace {

// "0.35 to 0.50 mm", or "0.50 mm" where all are alike.
std::string RangeText(const InstrumentProfile& profile, double NoteProfile::*member) {
  const auto [low, high] = std::minmax_element(
      profile.notes.begin(), profile.notes.end(),
      [&](const NoteProfile& a, const NoteProfile& b) { return a.*member < b.*member; });
  const std::string least = FixedDecimals((*low).*member, 2);
  const std::string most = FixedDecimals((*high).*member, 2);
  return least == most ? least + " mm" : least + " to " + most + " mm";
}

std::string DamperSentence(const VisitMeasurement& visit) {
  std::set<DamperState> states;
  for (const PhotoMeasurement& photo : visit.photos) {
    if (photo.used) states.insert(photo.damper);
  }
  std::vector<std::string> words;
  words.reserve(states.size());
  for (const DamperState state : states) words.push_back(DamperWord(state));
  return "Damper in the photos: " + JoinedNames(words) + ". ";
}

}  // namespace

void AddPhotos(PageFlow& flow, const ReportContext& context) {
  const VisitMeasurement& visit = context.visit.measurement;
  if (visit.photos.empty()) return;
  flow.Heading("Photos", 60.0);
  Table table;
  table.columns = {
      {"Photo", 2.2, TextAlign::kLeft},       {"SHA-256, first digits", 1.3, TextAlign::kLeft},
      {"Damper", 0.9, TextAlign::kLeft},      {"Notes", 0.6, TextAlign::kLeft},
      {"Rig fit, px", 0.9, TextAlign::kLeft}, {"Remarks", 2.6, TextAlign::kLeft}};
  for (std::size_t i = 0; i < visit.photos.size(); ++i) {
    const PhotoMeasurement& photo = visit.photos[i];
    const bool known = i < context.visit.photos.size() && context.visit.photos[i].sha256;
    std::string remarks = photo.used ? "" : "not used: ";
    for (std::size_t w = 0; w < photo.warnings.size(); ++w) {
      // A warning may begin with the photo's path, which tells of the technician's computer.
      std::string warning = photo.warnings[w];
      if (warning.starts_with(photo.file + ": ")) warning.erase(0, photo.file.size() + 2);
      remarks += (w > 0 ? "; " : "") + warning;
    }
    table.rows.push_back(
        {{PhotoName(photo), false, std::nullopt},
         {known ? HexDigits(*context.visit.photos[i].sha256).substr(0, 12) : "–", false,
          std::nullopt},
         {DamperWord(photo.damper), false, std::nullopt},
         {photo.used ? std::to_string(photo.notes.size()) : "–", false, std::nullopt},
         {photo.used ? FixedDecimals(photo.rms_px, 2) : "–", false, std::nullopt},
         {CleanText(remarks), false, std::nullopt}});
  }
  flow.AddTable(table);
  if (context.pictures.trouble.empty()) return;
  flow.Subheading("Photos that could not be shown in this report");
  std::vector<std::pair<std::string, std::string>> reasons;
  for (const std::string& trouble : context.pictures.trouble) {
    const std::size_t colon = trouble.find(": ");  // between the photo's name and the reason
    if (colon != std::string::npos) {
      reasons.emplace_back(trouble.substr(0, colon), trouble.substr(colon + 2));
    }
  }
  AddItemsByText(flow, reasons);
}

void AddMethod(PageFlow& flow, const ReportContext& context) {
  flow.Heading("How it was measured, and how sure it is", 60.0);
  flow.Paragraph(
      "A frame with printed strips of tags was clamped to the raised harp, in front of the mounts "
      "and behind the pickups, and photographed together with the tines. The strips fix where the "
      "phone stood for every photo; the phone's lens was calibrated beforehand. The outlines of "
      "tines "
      "and pickups were found in the photos, and all photos of the visit went into one "
      "least-squares solution for every tine and pickup in three dimensions. " +
      DamperSentence(context.visit.measurement) +
      "A damper that rests against a tine pushes it up; height is not judged from such photos.");
  flow.Item(
      "Lateral offset: how far the tine's axis, prolonged to the pickup's face, passes beside the "
      "pickup's center; + is toward treble. Height: the same upward, as the instrument is played. "
      "Gap: from the tine's end to the pickup's face. Yaw: the tine's direction where it leaves "
      "its "
      "block, from straight ahead toward treble.");
  const InstrumentProfile& profile = context.visit.profile;
  if (!profile.notes.empty()) {
    flow.Item("Tolerances of this instrument's profile, by note: lateral offset " +
              RangeText(profile, &NoteProfile::tolerance_lateral_mm) + ", height ±" +
              RangeText(profile, &NoteProfile::tolerance_height_mm) + " about a target of " +
              RangeText(profile, &NoteProfile::height_mm) + ", gap ±" +
              RangeText(profile, &NoteProfile::tolerance_gap_mm) + " about a target of " +
              RangeText(profile, &NoteProfile::gap_mm) + ".");
  }
  flow.Item(
      "± is the expanded uncertainty U with coverage factor k = 2 (JCGM 100, the GUM): the true "
      "value is expected within it in about 95 of 100 cases. It comes from the covariance of the "
      "solution: scatter of the outlines in the photos, the pose of the phone, the rig, and the "
      "profile's own figures where the photos say too little. Errors that all photos share, such "
      "as "
      "light from one side, are part of it only as far as they show as scatter.");
  flow.Item(
      "Verdicts follow ISO 14253-1 with a guard band of U (k = 2), the rule of its 2013 edition "
      "and "
      "of ILAC-G8: \"centered\" or \"in range\" only if the deviation plus U is within the "
      "tolerance, "
      "\"re-center\" or \"adjust\" only if the deviation minus U is outside, else \"uncertain\". "
      "So an "
      "uncertain note may well be good.");
  flow.Item(
      "Where a note says that its gap rests on the profile, the tine's end could not be seen well "
      "enough and the gap stated is mainly the design value: check it with a gauge.");
  flow.Item(
      "Not covered: tuning, electronics, hammers, action, and the sound itself. The technician's "
      "ears and eyes have the last word.");
}

void AddCautions(PageFlow& flow) {
  flow.Heading("Cautions", 150.0);  // all of it on one page
  flow.Paragraph(
      "This report tells what was measured; it is no service manual. Follow the instrument maker's "
      "instructions and the local codes where they say otherwise, and leave what needs a license "
      "to someone who has it.");
  flow.Item(
      "Mains voltage: cabinets with a built-in amplifier or power supply carry mains and stored "
      "charge even after the plug is pulled. Unplug before opening; work inside is for licensed "
      "people.");
  flow.Item(
      "Heavy harp: a raised harp is heavy. Set and try every prop before reaching or leaning under "
      "it, and keep children and pets away.");
  flow.Item(
      "Steel under tension at eye height: springs, screws and a loose tine can fly. Wear eye "
      "protection, and keep your face out of the line of the tines.");
  flow.Item(
      "Solvents, old solder and dust: ventilate, wear gloves, wash your hands, and don't blow the "
      "dust about; old solder holds lead.");
  flow.Item("Magnets: pickups hold strong magnets; keep pacemakers and tools away from them.");
}

}  // namespace tinesight

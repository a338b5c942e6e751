#pragma once

// Service records made by hand, for the tests of what a record keeps and is read for.
#include <gtest/gtest.h>

#include <filesystem>
#include <string>

#include "record/service_record.hpp"
#include "tests/sample_visit.hpp"

namespace tinesight {

/// SampleProfile as a profile file would say it, and read from there.
inline std::string SampleProfileJson() {
  const auto note = [](int midi) {
    return R"({"midi":)" + std::to_string(midi) +
           R"(,"tine_length_mm":80,"tine_diameter_mm":1.9,"pole_tip_diameter_mm":3,)"
           R"("bobbin_diameter_mm":13.6,"gap_mm":1.5,"height_mm":1.2,"tolerance_lateral_mm":0.5,)"
           R"("tolerance_height_mm":0.5,"tolerance_gap_mm":0.5})";
  };
  return R"({"name":"demo","note_spacing_mm":13.7,"notes":[)" + note(40) + "," + note(50) + "]}";
}

inline VisitEntry SampleEntry(const std::string& name, VisitMeasurement measurement,
                              DamperState damper = DamperState::kHarpRaised) {
  VisitEntry entry;
  entry.name = name;
  entry.technician = "AB";
  entry.date = "2024-05-02";
  entry.profile_json = SampleProfileJson();
  entry.profile = *ParseInstrumentProfile(entry.profile_json, "");
  entry.damper = damper;
  entry.measurement = std::move(measurement);
  return entry;
}

inline VisitEntry SampleEntry(const std::string& name) { return SampleEntry(name, SampleVisit()); }

inline ServiceRecord Reread(const std::filesystem::path& file) {
  auto record = ReadServiceRecord(file);
  EXPECT_TRUE(record) << (record ? "" : record.error().message);
  return record ? std::move(*record) : ServiceRecord{};
}

}  // namespace tinesight

#include "alignment/cantilever.hpp"

#include <gtest/gtest.h>

#include <cmath>

#include "tests/published_check.hpp"
namespace tinesight {
namespace {

// Handbook values: W. T. Thomson, "Theory of Vibration with Applications", appendix D.
TEST(CantileverRoot, GivesTheHandbookRootsOfTheBareBeam) {
  ExpectPublished({"W. T. Thomson, Theory of Vibration, app. D", "first root βL"},
                  CantileverRoot(1), 1.875104068712, 5e-13);
  ExpectPublished({"W. T. Thomson, Theory of Vibration, app. D", "second root βL"},
                  CantileverRoot(2), 4.694091132974, 5e-13);
  ExpectPublished({"W. T. Thomson, Theory of Vibration, app. D", "third root βL"},
                  CantileverRoot(3), 7.854757438238, 5e-13);
  ExpectPublished({"W. T. Thomson, Theory of Vibration, app. D", "f2/f1"},
                  std::pow(CantileverRoot(2) / CantileverRoot(1), 2.0), 6.2669, 5e-5);
  ExpectPublished({"W. T. Thomson, Theory of Vibration, app. D", "f3/f1"},
                  std::pow(CantileverRoot(3) / CantileverRoot(1), 2.0), 17.5475, 5e-5);
  // Far up the roots approach (n − ½)π, and cosh β would be over 10³⁰⁰ at n = 300.
  EXPECT_NEAR(CantileverRoot(300), 299.5 * 3.14159265358979324, 1e-10);
}

TEST(CantileverRoot, SolvesTheTipMassEquation) {
  const struct {
    double ratio, first, second;
  } rows[] = {{0.1, 1.72274152, 4.39952282},
              {0.2, 1.61639966, 4.26706157},
              {0.5, 1.41996443, 4.11113339},
              {1.0, 1.24791741, 4.03113944},
              {2.0, 1.07619566, 3.98257329}};
  for (const auto& row : rows) {
    const std::string mass = "tip mass " + CheckDigits(row.ratio, 2) + " of the beam's, ";
    const char* source = "1 + cos β cosh β + μβ (cos β sinh β − sin β cosh β) = 0";
    ExpectPublished({source, mass + "first root", CheckKind::kRecomputed},
                    CantileverRoot(1, row.ratio), row.first, 6e-9);
    ExpectPublished({source, mass + "second root", CheckKind::kRecomputed},
                    CantileverRoot(2, row.ratio), row.second, 6e-9);
  }
  // A very heavy tip on a nearly massless rod: k = 3EI/L³, so β⁴ = 3/μ.
  EXPECT_NEAR(std::pow(CantileverRoot(1, 1e6), 4.0), 3e-6, 3e-6 * 1e-5);
}

// Applied Sciences 2019, 9(15), 2996: a beam bare at 19.63, 123.02, 344.45 Hz and with a tip mass
// of 0.2 of its own at 14.58, 101.64, 299.00 Hz. The published figures have two decimals and the
// beam is a computed one; our ratio of the roots meets them within 0.015 Hz.
TEST(CantileverRoot, PredictsAPublishedBeamWithTipMass) {
  const double bare_hz[] = {19.63, 123.02, 344.45};
  const double published_hz[] = {14.58, 101.64, 299.00};
  const double predicted_hz[] = {14.587, 101.655, 299.013};
  for (int mode = 1; mode <= 3; ++mode) {
    const double ratio = CantileverRoot(mode, 0.2) / CantileverRoot(mode);
    const double loaded_hz = bare_hz[mode - 1] * ratio * ratio;
    EXPECT_NEAR(loaded_hz, predicted_hz[mode - 1], 6e-4);
    ExpectPublished({"Applied Sciences 2019, 9(15), 2996",
                     "beam with a tip mass of 0.2, mode " + std::to_string(mode) + ", Hz"},
                    loaded_hz, published_hz[mode - 1], 0.016);
  }
}

// By hand, a bare rod of 1.9 mm and 157 mm: √(E/ρ) = √(207e9 / 7861) = 5131.54 m/s; times
// d/4 = 0.000475 m is 2.437481 m²/s; β²/2π = 3.516015/6.283185 = 0.559591; L² = 0.024649 m².
// f = 0.559591 · 2.437481 / 0.024649 = 55.337 Hz.
TEST(CantileverFrequency, AgreesWithAHandCalculation) {
  EXPECT_NEAR(CantileverFrequencyHz(157.0, 1.9, 0.0), 55.337, 5e-3);
  // Mass by hand: π/4 · 0.19² cm² · 15.7 cm = 0.445141 cm³, at 7.861 g/cm³ 3.49925 g.
  EXPECT_NEAR(RodMassG(157.0, 1.9), 3.49925, 1e-4);
  // The spring of 0.2 of that at the tip: (1.61639966/1.87510407)² = 0.743099, so 41.121 Hz.
  EXPECT_NEAR(CantileverFrequencyHz(157.0, 1.9, 0.2 * 3.49925), 41.121, 5e-3);
}

TEST(TineLength, InvertsTheFrequency) {
  for (const double spring_g : {0.0, 0.05, 0.7, 3.0}) {
    for (const int midi : {28, 52, 76}) {
      const double hz = EqualTemperamentHz(midi);
      const double length_mm = TineLengthMm(hz, 1.9, spring_g);
      ASSERT_GT(length_mm, 0.0) << spring_g << " g at " << midi;
      EXPECT_NEAR(CantileverFrequencyHz(length_mm, 1.9, spring_g), hz, 1e-9 * hz);
    }
  }
  const double hz = EqualTemperamentHz(40);
  const double by_ratio_mm = TineLengthForMassRatioMm(hz, 1.9, 0.2);
  EXPECT_NEAR(TineLengthMm(hz, 1.9, 0.2 * RodMassG(by_ratio_mm, 1.9)), by_ratio_mm, 1e-9);
}

TEST(TineLength, SaysSoWhenNoTineWouldDo) {
  EXPECT_EQ(TineLengthMm(EqualTemperamentHz(100), 0.3, 1000.0), 0.0);
}

// The demo instrument's tines run from 157 mm at E1 to about 18 mm at E7.
TEST(TineLength, ComesOutAsTheInstrumentsAre) {
  ExpectPublished({"the trade", "length of a tine at E1, mm", CheckKind::kCommonPractice},
                  TineLengthForMassRatioMm(EqualTemperamentHz(28), 1.9), 157.0, 0.5);
  ExpectPublished({"the trade", "length of a tine at E7, mm", CheckKind::kCommonPractice},
                  TineLengthForMassRatioMm(EqualTemperamentHz(100), 1.9), 18.0, 2.0);
  // Two octaves are a quarter of the frequency and, as length goes with 1/√f, half the length.
  EXPECT_NEAR(TineLengthForMassRatioMm(EqualTemperamentHz(52), 1.9) /
                  TineLengthForMassRatioMm(EqualTemperamentHz(28), 1.9),
              0.5, 1e-12);
}

// 30·10⁶ psi and 0.284 lb/in³ in SI units: 6894.757 Pa a psi, 27679.90 kg/m³ a lb/in³.
TEST(RodMaterial, IsMusicWireOfTheSpringTables) {
  const RodMaterial wire;
  ExpectPublished({"spring tables, music wire 30×10⁶ psi", "E, GPa"}, wire.youngs_modulus_gpa,
                  30e6 * 6894.757e-9, 0.5);
  ExpectPublished({"spring tables, music wire 0.284 lb/in³", "density, kg/m³"}, wire.density_kg_m3,
                  0.284 * 27679.90, 0.5);
}

// "Other tables say 190 GPa": 1200 · log2 √(207/190) = 74 cents.
TEST(TineLength, KnowsWhatTheStiffnessIsWorth) {
  RodMaterial soft;
  soft.youngs_modulus_gpa = 190.0;
  const double cents = 1200.0 * std::log2(CantileverFrequencyHz(100.0, 1.9, 0.0) /
                                          CantileverFrequencyHz(100.0, 1.9, 0.0, 1, soft));
  ExpectPublished({"spring tables: E of music wire 207 or 190 GPa", "what that makes, cents",
                   CheckKind::kRecomputed},
                  cents, 74.0, 0.5);
}

// ISO 16:1975 and equal temperament.
TEST(EqualTemperament, GivesTheKnownFrequencies) {
  ExpectPublished({"ISO 16:1975", "A4, Hz"}, EqualTemperamentHz(69), 440.0, 1e-12);
  const struct {
    int midi;
    const char* name;
    double hz, tolerance;
  } notes[] = {{21, "A0", 27.5, 1e-12},     {28, "E1", 41.2034, 5e-5},
               {60, "C4", 261.6256, 5e-5},  {88, "E6", 1318.510, 5e-4},
               {100, "E7", 2637.020, 5e-4}, {108, "C8", 4186.009, 5e-4}};
  for (const auto& note : notes) {
    ExpectPublished({"equal temperament on A4 = 440 Hz", std::string(note.name) + ", Hz"},
                    EqualTemperamentHz(note.midi), note.hz, note.tolerance);
  }
}

}  // namespace
}  // namespace tinesight

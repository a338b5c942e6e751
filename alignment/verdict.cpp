#include "alignment/verdict.hpp"

#include <cmath>

namespace tinesight {

Verdict Judge(double deviation, double expanded_u, double tolerance) {
  if (!std::isfinite(deviation) || !std::isfinite(expanded_u) || !std::isfinite(tolerance) ||
      expanded_u < 0.0 || tolerance <= 0.0) {
    return Verdict::kNotMeasured;
  }
  const double magnitude = std::abs(deviation);
  if (magnitude + expanded_u <= tolerance) return Verdict::kInTolerance;
  if (magnitude - expanded_u > tolerance) return Verdict::kOutOfTolerance;
  return Verdict::kUncertain;
}

std::string VerdictWord(Verdict verdict, Quantity quantity) {
  const bool lateral = quantity == Quantity::kLateral;
  switch (verdict) {
    case Verdict::kInTolerance:
      return lateral ? "centered" : "in range";
    case Verdict::kOutOfTolerance:
      return lateral ? "re-center" : "adjust";
    case Verdict::kUncertain:
      return "uncertain";
    case Verdict::kNotMeasured:
      break;
  }
  return "not measured";
}

Verdict VerdictFromWord(std::string_view word) {
  if (word == "centered" || word == "in range") return Verdict::kInTolerance;
  if (word == "re-center" || word == "adjust") return Verdict::kOutOfTolerance;
  if (word == "uncertain") return Verdict::kUncertain;
  return Verdict::kNotMeasured;
}

}  // namespace tinesight

#include <algorithm>
#include <iomanip>
#include <iostream>
#include <memory>
#include <optional>
#include <sstream>
#include <string>
#include <vector>

#include "alignment/note_name.hpp"
#include "app/commands.hpp"
#include "app/option_checks.hpp"
#include "app/output_check.hpp"
#include "calibration/rig.hpp"
#include "calibration/strips.hpp"
#include "calibration/strips_pdf.hpp"

namespace tinesight {
namespace {

struct StripsArguments {
  std::string pdf_file;
  std::string rig_file;
  std::string paper = "letter";
  std::string first_note = "E1";
  std::string last_note = "E7";
  bool without_cards = false;
  StripOptions strips;
};

int MidiOf(const std::string& option, const std::string& name) {
  const std::optional<int> midi = ParseNoteName(name);
  if (!midi) {
    throw CLI::ValidationError(option, "\"" + name + "\" is no note name such as E1 or F#3");
  }
  return *midi;
}

std::vector<RegisterCard> CardsOf(const StripsArguments& arguments) {
  if (arguments.without_cards) return {};
  const int first = MidiOf("--first-note", arguments.first_note);
  const int last = MidiOf("--last-note", arguments.last_note);
  if (first > last) {
    throw CLI::ValidationError("--last-note", "\"" + arguments.last_note + "\" lies below \"" +
                                                  arguments.first_note + "\" of --first-note");
  }
  std::vector<RegisterCard> cards;
  for (int midi = first; midi <= last; ++midi) cards.push_back({midi, NoteName(midi)});
  return cards;
}

// What the rig file says about the print's scale, so that nobody takes the nominal file for a
// measured one.
std::string ScaleStatement(const StripOptions& options, const Rig& rig) {
  std::ostringstream text;
  text << std::fixed << std::setprecision(2);
  if (options.measured_along_mm && options.measured_across_mm) {
    text << "scale from the caliper, " << *options.measured_along_mm << " along and "
         << *options.measured_across_mm << " across";
  } else if (options.measured_along_mm) {
    text << "scale along from the caliper, " << *options.measured_along_mm
         << "; across taken as 1:1 within 0.5 %";
  } else if (options.measured_across_mm) {
    text << "scale across from the caliper, " << *options.measured_across_mm
         << "; along taken as 1:1 within 0.5 %: measure the check line along too";
  } else {
    text << "scale taken as 1:1 within 0.5 %: measure both check lines and run again with "
            "--measured-along and --measured-across";
  }
  double largest_u_mm = 0.0;
  for (const RigTag& tag : rig.tags) largest_u_mm = std::max(largest_u_mm, tag.u_mm);
  text << "; standard uncertainty at the ends of a strip " << largest_u_mm << " mm";
  return text.str();
}

int RunStrips(const StripsArguments& arguments) {
  if (arguments.pdf_file.empty() && arguments.rig_file.empty()) {
    throw CLI::RequiredError("--pdf FILE or --rig FILE");
  }
  RequireNamedOnce({}, {arguments.pdf_file, arguments.rig_file});
  StripSheetOptions sheets;
  sheets.paper = arguments.paper == "a4" ? PaperSize::kA4 : PaperSize::kLetter;
  sheets.cards = CardsOf(arguments);

  // The readings and the places first: with a bad one nothing is written at all.
  const Result<Rig> rig = PrintedRig(arguments.strips);
  if (!rig) return FailWith(rig.error());
  for (const std::string& file : {arguments.pdf_file, arguments.rig_file}) {
    if (file.empty()) continue;
    if (const auto writable = CheckFileWritable(file); !writable) return FailWith(writable.error());
  }
  if (!arguments.pdf_file.empty()) {
    const Result<void> written = WriteStripSheets(sheets, arguments.pdf_file);
    if (!written) return FailWith(written.error());
    std::cout << "wrote " << arguments.pdf_file
              << ": print it at 100 %, page 1 says how to go on\n";
  }
  if (!arguments.rig_file.empty()) {
    const Result<void> written = WriteRig(*rig, arguments.rig_file);
    if (!written) return FailWith(written.error());
    std::cout << "wrote " << arguments.rig_file << ": " << ScaleStatement(arguments.strips, *rig)
              << '\n';
  }
  return kExitOk;
}

}  // namespace

void AddStripsCommand(CLI::App& app, int& exit_status) {
  auto arguments = std::make_shared<StripsArguments>();
  CLI::App* command = app.add_subcommand(
      "strips",
      "Print the rig's two tag strips and the register cards as a PDF at 1:1, and write the rig "
      "file that belongs to them.");
  command->add_option("--pdf", arguments->pdf_file, "PDF file to write: strips, cards, how-to")
      ->type_name("FILE");
  command->add_option("--rig", arguments->rig_file, "rig file (JSON) to write")->type_name("FILE");
  command->add_option("--paper", arguments->paper, "paper size (letter or a4)")
      ->transform(CLI::IsMember({"letter", "a4"}, CLI::ignore_case))
      ->capture_default_str();
  command
      ->add_option("--measured-along", arguments->strips.measured_along_mm,
                   "caliper reading of the 100 mm check line along the strip, mm")
      ->type_name("MM");
  command
      ->add_option("--measured-across", arguments->strips.measured_across_mm,
                   "caliper reading of the 100 mm check line across the strip, mm")
      ->type_name("MM");
  command->add_option("--first-note", arguments->first_note, "lowest register card")
      ->type_name("NOTE")
      ->capture_default_str();
  command->add_option("--last-note", arguments->last_note, "highest register card")
      ->type_name("NOTE")
      ->capture_default_str();
  command->add_flag("--no-cards", arguments->without_cards, "print no register cards");
  command->callback([arguments, &exit_status] { exit_status = RunStrips(*arguments); });
}

}  // namespace tinesight

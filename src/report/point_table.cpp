#include "src/report/point_table.h"

#include <algorithm>
#include <functional>
#include <optional>
#include <span>
#include <string_view>
#include <utility>
#include <vector>

#include <fmt/format.h>

#include "src/circuits.h"
#include "src/opening.h"
#include "src/report/digits.h"
#include "src/report/html.h"

namespace conebook::src {
namespace {

using calib::Flag;
using calib::Quantity;
using MaybeQuantity = std::optional<Quantity>;

// More columns than a sheet of paper holds go into a table of their own.
constexpr std::size_t kPointsAcross = 6;

Quantity Scaled(Quantity quantity, double factor) {
  quantity.value *= factor;
  quantity.u *= factor;
  for (calib::Contribution& part : quantity.budget) part.u *= factor;
  return quantity;
}

enum class Needs { kNothing, kClip, kLog };

struct Row {
  const char* key;  // of the result file; a flag's quantity starts with it
  const char* label;
  const char* unit;
  Needs needs;
  bool part;  // belongs to the row above, and is set in from it
  std::function<MaybeQuantity(const Point&)> of;
};

MaybeQuantity Angle(const Point& point, Quantity vision::HalfAngle::*side) {
  if (!point.spray.half_angle) return std::nullopt;
  return *point.spray.half_angle.*side;
}

const std::vector<Row>& Rows() {
  static const std::vector<Row> kRows{
      {"pressure_bar", "Pressure drop", "bar", Needs::kLog, false,
       [](const Point& p) { return p.pressure_bar; }},
      {"flow_kg_s", "Mass flow", "g/s", Needs::kLog, false,
       [](const Point& p) {
         return p.flow_kg_s ? MaybeQuantity(Scaled(*p.flow_kg_s, 1000.0)) : std::nullopt;
       }},
      {"flow_area_mm2", "Flow area", "mm²", Needs::kLog, false,
       [](const Point& p) { return p.flow_area_mm2; }},
      {"cd", "Discharge coefficient", "", Needs::kLog, false,
       [](const Point& p) { return p.cd ? MaybeQuantity(p.cd->cd) : std::nullopt; }},
      {"reynolds_exit", "Reynolds number, exit", "", Needs::kLog, false,
       [](const Point& p) { return p.numbers.reynolds_exit; }},
      {"reynolds_inlets", "Reynolds number, inlets", "", Needs::kLog, false,
       [](const Point& p) { return p.numbers.reynolds_inlets; }},
      {"weber", "Weber number", "", Needs::kLog, false, [](const Point& p) { return p.numbers.weber; }},
      {"cavitation_number", "Cavitation number", "", Needs::kLog, false,
       [](const Point& p) { return p.numbers.cavitation; }},
      {"half_angle_deg", "Half-cone angle", "°", Needs::kClip, false,
       [](const Point& p) { return Angle(p, &vision::HalfAngle::mean_deg); }},
      {"half_angle_deg", "left", "°", Needs::kClip, true,
       [](const Point& p) { return Angle(p, &vision::HalfAngle::left_deg); }},
      {"half_angle_deg", "right", "°", Needs::kClip, true,
       [](const Point& p) { return Angle(p, &vision::HalfAngle::right_deg); }},
      {"half_angle_deg", "lean", "°", Needs::kClip, true,
       [](const Point& p) { return Angle(p, &vision::HalfAngle::lean_deg); }},
      {"apparent_half_angle_deg", "as the image shows it", "°", Needs::kClip, true,
       [](const Point& p) { return p.spray.apparent_half_angle_deg; }},
      {"sheet_half_angle_deg", "Sheet half angle", "°", Needs::kClip, false,
       [](const Point& p) { return p.spray.sheet_half_angle_deg; }},
      {"cone_half_angle_deg", "Cone half angle", "°", Needs::kClip, false,
       [](const Point& p) { return p.spray.cone_half_angle_deg; }},
      {"breakup_mm", "Breakup length", "mm", Needs::kClip, false,
       [](const Point& p) { return p.spray.breakup_mm; }},
      {"d32_um", "Drop size D32", "µm", Needs::kClip, false,
       [](const Point& p) { return p.drops ? MaybeQuantity(p.drops->d32_um) : std::nullopt; }},
  };
  return kRows;
}

bool Applies(const Run& run, Needs needs) {
  if (needs == Needs::kClip) return run.footage.has_value();
  if (needs == Needs::kNothing) return true;
  return run.log.has_value() || std::any_of(run.points.begin(), run.points.end(),
                                            [](const Point& p) { return p.pressure_bar.has_value(); });
}

bool IsOfCone(std::string_view key) {
  return key.ends_with("half_angle_deg") || key == "breakup_mm";
}

// Why a number is missing: the flag of this point, else of the whole clip, that names the quantity.
const Flag* ReasonFor(const Run& run, int point, std::string_view key) {
  const Flag* general = nullptr;
  for (const Flag& flag : run.flags) {
    if (!flag.quantity || !std::string_view(*flag.quantity).starts_with(key)) continue;
    if (flag.point == point) return &flag;
    if (!flag.point && general == nullptr) general = &flag;
  }
  return general;
}

// Numbers that records of earlier versions do not have, nor a reason for it.
bool SinceAdded(std::string_view key) {
  return key.starts_with("reynolds") || key == "weber" || key == "cavitation_number";
}

std::string Blanks(std::string text) {
  std::replace(text.begin(), text.end(), '_', ' ');
  return text;
}

// Numbered reasons under the table; equal ones share a number.
struct Notes {
  std::vector<std::string> texts;

  std::size_t NumberOf(const std::string& text) {
    const auto found = std::find(texts.begin(), texts.end(), text);
    if (found != texts.end()) return static_cast<std::size_t>(found - texts.begin()) + 1;
    texts.push_back(text);
    return texts.size();
  }
};

// A sign for degrees stands close to its number, other units after a blank (SI Brochure, 5.4.3).
std::string After(const char* unit) {
  return *unit && std::string_view(unit) != "°" ? std::string(" ") + unit : unit;
}

std::string ValueCell(const Quantity& quantity, const char* unit) {
  return fmt::format("<td><span class=\"v\">{}</span><span class=\"iv\">95 %: {}{}</span></td>",
                     EscapeHtml(ValueWithU(quantity)), EscapeHtml(IntervalText(quantity)), After(unit));
}

std::string MissingCell(const Run& run, int point, const char* key, Notes& notes) {
  const Flag* reason = ReasonFor(run, point, key);
  if (reason == nullptr) return "<td class=\"none\">not measured; no reason on record</td>";
  return fmt::format("<td class=\"none\">none: {} <sup>{}</sup></td>", EscapeHtml(Blanks(reason->code)),
                     notes.NumberOf(reason->message));
}

using PointText = std::function<std::string(const Point&)>;

std::string PlainRow(std::span<const Point> points, const char* label, const char* unit,
                     const PointText& text) {
  std::string cells;
  bool any = false;
  for (const Point& point : points) {
    const std::string cell = text(point);
    any = any || !cell.empty();
    cells += "<td>" + (cell.empty() ? std::string("<span class=\"none\">none</span>") : EscapeHtml(cell)) +
             "</td>";
  }
  if (!any) return "";
  return fmt::format("<tr class=\"plain\"><th scope=\"row\">{}</th><td class=\"unit\">{}</td>{}</tr>", label,
                     unit, cells);
}

std::string Span(const std::optional<double>& t0, const std::optional<double>& t1) {
  return t0 && t1 ? fmt::format("{:.2f} to {:.2f}", *t0, *t1) : "";
}

// The columns of points [from, to).
std::string ColumnsHtml(const Run& run, std::size_t from, std::size_t to, Notes& notes) {
  std::string head, body;
  for (std::size_t i = from; i < to; ++i) head += fmt::format("<th scope=\"col\">Point {}</th>", i + 1);

  // A close-up of drops has no cone; the reason stands with the remarks.
  const bool drops_view = std::any_of(run.flags.begin(), run.flags.end(),
                                      [](const Flag& flag) { return flag.code == "drops_view"; });
  for (const Row& row : Rows()) {
    if (!Applies(run, row.needs) || (drops_view && IsOfCone(row.key))) continue;
    // The parts of an angle that is missing would only repeat the reason.
    const bool any =
        std::any_of(run.points.begin(), run.points.end(), [&](const Point& p) { return row.of(p); });
    if (row.part && !any) continue;
    if (!any && SinceAdded(row.key) && ReasonFor(run, 0, row.key) == nullptr) continue;
    std::string label = row.label;
    if (std::string_view(row.key) == "cd") {
      for (const Point& point : run.points) {
        if (!point.cd) continue;
        label += fmt::format("<small>on {}, {} mm²</small>",
                             point.cd->area == "exit"     ? "the exit area"
                             : point.cd->area == "inlets" ? "the area of the inlets"
                                                          : "a stated area",
                             ValueWithU(point.cd->area_mm2));
        break;
      }
    } else if (std::string_view(row.label) == "lean") {
      label += run.lean_against_image_vertical
                   ? "<small>against the image's vertical; positive: right</small>"
                   : "<small>against the rig's axis; positive: right</small>";
    } else if (std::string_view(row.label) == "Half-cone angle") {
      label += "<small>visible boundary, mean of both sides</small>";
    } else if (std::string_view(row.key) == "sheet_half_angle_deg") {
      label += "<small>mean surface of the sheet</small>";
    } else if (std::string_view(row.key) == "reynolds_exit" || std::string_view(row.key) == "weber") {
      label += "<small>mean speed over the full bore</small>";
    } else if (std::string_view(row.key) == "reynolds_inlets") {
      label += "<small>one inlet's share of the flow</small>";
    } else if (std::string_view(row.key) == "cavitation_number") {
      label += "<small>(p₁ − p<sub>v</sub>) / (p₁ − p₂)</small>";
    } else if (std::string_view(row.key) == "cone_half_angle_deg") {
      label += "<small>asymptote, free of exit and stations</small>";
    }
    std::string cells;
    for (std::size_t i = from; i < to; ++i) {
      const Point& point = run.points[i];
      const MaybeQuantity quantity = row.of(point);
      if (quantity) {
        cells += ValueCell(*quantity, row.unit);
      } else if (std::string_view(row.key) == "breakup_mm" && point.spray.breakup_lower_bound_mm) {
        cells += fmt::format(
            "<td><span class=\"v\">&gt; {:.1f}</span> <small>unbroken to the frame's end</small></td>",
            *point.spray.breakup_lower_bound_mm);
      } else {
        cells += MissingCell(run, static_cast<int>(i), row.key, notes);
      }
    }
    body += fmt::format("<tr{}><th scope=\"row\">{}</th><td class=\"unit\">{}</td>{}</tr>",
                        row.part ? " class=\"part\"" : "", label, *row.unit ? row.unit : "1", cells);
  }

  const std::span<const Point> points(run.points.begin() + static_cast<std::ptrdiff_t>(from), to - from);
  const auto plain = [&](const char* label, const char* unit, const PointText& text) {
    return PlainRow(points, label, unit, text);
  };
  body += plain("Stage of the spray", "", [](const Point& p) {
    return p.spray.stage ? std::string(vision::InWords(*p.spray.stage)) : std::string();
  });
  body += plain("Pulsation", "", [](const Point& p) {
    if (!p.spray.pulsation) return std::string();
    const Rounded amplitude = RoundByU(p.spray.pulsation->amplitude_deg, p.spray.pulsation->u_deg);
    return fmt::format("{:.1f} Hz, half angle ± {}° (u {}°)", p.spray.pulsation->hz, amplitude.value,
                       amplitude.u);
  });
  body += plain("Half angle from frame to frame", "", [](const Point& p) {
    if (!p.spray.steadiness) return std::string();
    return fmt::format("scatters by {:.2g}°, {:.2g} s between independent frames",
                       p.spray.steadiness->scatter_deg, p.spray.steadiness->correlation_time_s);
  });
  body += plain("Grain index", "1", [](const Point& p) {
    if (!p.spray.grain) return std::string();
    const Rounded grain = RoundByU(p.spray.grain->index, p.spray.grain->u);
    return fmt::format("{} (u {}); ranks within one rig, no diameter", grain.value, grain.u);
  });
  const auto share_row = [&](const char* name, const char* in_words, auto share_of, auto why_none) {
    body += plain(name, "%", [&](const Point& p) {
      if (!p.spray.grain) return std::string();
      const std::optional<vision::ShadowShare> of = share_of(*p.spray.grain);
      const std::string why = why_none(*p.spray.grain);
      if (!of) return why.empty() ? why : "cannot be told: " + why;
      const Rounded share = RoundByU(100.0 * of->value, 100.0 * of->u);
      return fmt::format("{} (u {}); {}", share.value, share.u, in_words);
    });
  };
  share_row(
      "Mist share", "of the drops' shadow, too fine to stand out at this rig and exposure",
      [](const vision::Grain& grain) { return grain.mist; },
      [](const vision::Grain& grain) { return grain.no_mist; });
  share_row(
      "Ligament share", "of the shadow just below the sheet's end, beyond what the drops farther down cast",
      [](const vision::Grain& grain) { return grain.ligaments; },
      [](const vision::Grain& grain) { return grain.no_ligaments; });
  body += plain("Liquid temperature", "°C", [](const Point& p) {
    return p.temperature_c ? fmt::format("{:.1f}", *p.temperature_c) : std::string();
  });
  if (!run.circuits.empty())
    body += plain("Circuits that flowed", "", [](const Point& p) { return CircuitsInWords(p); });
  if (run.points.size() > 1) {
    body += plain("Pressure was reached", "", [](const Point& p) {
      return p.direction == Direction::kUnknown ? std::string() : std::string(NameOf(p.direction));
    });
  }
  if (!run.nominal_bar.empty()) {
    body += plain("Nominal pressure drop", "bar", [](const Point& p) {
      return p.nominal_bar ? fmt::format("{:g}", *p.nominal_bar) : std::string();
    });
  }
  body += plain("Log time", "s", [](const Point& p) { return Span(p.log_t0_s, p.log_t1_s); });
  if (run.footage) {
    body += plain("Video time", "s", [](const Point& p) {
      return p.video ? Span(p.video->t0_s, p.video->t1_s) : std::string();
    });
    body += plain("Frames used", "1", [](const Point& p) { return fmt::format("{}", p.spray.frames); });
  }
  return fmt::format(
      "<div class=\"scroll\" tabindex=\"0\" role=\"region\" aria-label=\"Table of pressure points\">"
      "<table class=\"quantities{}\"><thead><tr><th scope=\"col\">Quantity</th><th "
      "scope=\"col\">Unit</th>{}</tr></thead><tbody>{}</tbody></table></div>",
      to - from <= 3 ? " few" : "", head, body);
}

}  // namespace

std::string QuantityInWords(const std::string& key) {
  static const std::vector<std::pair<std::string_view, const char*>> kWords{
      {"pressure_bar", "pressure drop"},
      {"flow_kg_s", "mass flow"},
      {"flow_area_mm2", "flow area"},
      {"cd", "Cd"},
      {"reynolds_exit", "Reynolds number at the exit"},
      {"reynolds_inlets", "Reynolds number at the inlets"},
      {"weber", "Weber number"},
      {"cavitation_number", "cavitation number"},
      {"flow_hysteresis", "hysteresis of the flow area"},
      {"nominal_bar", "nominal pressure drop"},
      {"plate", "plate against its elements"},
      {"circuits", "circuits"},
      {"half_angle_deg", "half angle"},
      {"apparent_half_angle_deg", "half angle as the image shows it"},
      {"sheet_half_angle_deg", "sheet half angle"},
      {"cone_half_angle_deg", "cone half angle"},
      {"breakup_mm", "breakup length"},
      {"px_per_mm", "scale"},
      {"opening_bar", "opening pressure"}};
  for (const auto& [known, words] : kWords)
    if (key == known) return words;
  return Blanks(key);
}

std::string PointInWords(const Run& run, int point) {
  const auto index = static_cast<std::size_t>(point);
  if (point >= 0 && index < run.points.size() && run.points[index].pressure_bar)
    return fmt::format("point {} ({:.1f} bar)", point + 1, run.points[index].pressure_bar->value);
  return fmt::format("point {}", point + 1);
}

std::string PointTableHtml(const Run& run, const std::string& prefix) {
  // The answer to the check box is the style sheet's: it works without scripts.
  std::string out = fmt::format(
      "<div class=\"points\"><input type=\"checkbox\" checked id=\"{0}iv\"><label for=\"{0}iv\">Show 95 % "
      "intervals</label><p class=\"hint\">Value ± u, the standard uncertainty (k = 1).</p>",
      prefix);
  Notes notes;
  for (std::size_t from = 0; from < run.points.size(); from += kPointsAcross)
    out += ColumnsHtml(run, from, std::min(run.points.size(), from + kPointsAcross), notes);
  for (const std::string& sentence : OpeningSentences(run.opening))
    out += "<p>The spray " + EscapeHtml(sentence) + ".</p>";
  if (!notes.texts.empty()) {
    out += "<ol class=\"notes\">";
    for (const std::string& text : notes.texts) out += "<li>" + EscapeHtml(text) + "</li>";
    out += "</ol>";
  }
  return out + "</div>";
}

std::string BudgetHtml(const Run& run) {
  std::string out;
  for (std::size_t i = 0; i < run.points.size(); ++i) {
    std::string tables;
    for (const Row& row : Rows()) {
      const MaybeQuantity quantity = row.of(run.points[i]);
      if (!quantity || quantity->budget.empty() || !(quantity->u > 0.0)) continue;
      std::vector<calib::Contribution> parts = quantity->budget;
      std::stable_sort(parts.begin(), parts.end(), [](const auto& a, const auto& b) { return a.u > b.u; });
      std::string lines;
      for (const calib::Contribution& part : parts) {
        const double share = 100.0 * part.u * part.u / (quantity->u * quantity->u);
        lines += fmt::format(
            "<tr><th scope=\"row\">{}</th><td class=\"num\">{}</td><td class=\"bar\"><span "
            "style=\"width:{:.1f}%\">"
            "</span></td><td class=\"num\">{:.0f} %</td><td>{}</td></tr>",
            EscapeHtml(part.source), fmt::format("{:.2g}", part.u), std::min(100.0, share), share,
            calib::NameOf(part.shared));
      }
      tables += fmt::format(
          "<table class=\"budget\"><caption>{}{}: {}{}</caption><thead><tr><th scope=\"col\">Source</th>"
          "<th scope=\"col\">u{}{}</th><th scope=\"col\" colspan=\"2\">Share of u²</th>"
          "<th scope=\"col\">Shared within</th></tr></thead><tbody>{}</tbody></table>",
          row.part ? "Half-cone angle, " : "", row.label, EscapeHtml(ValueWithU(*quantity)), After(row.unit),
          *row.unit ? ", " : "", row.unit, lines);
    }
    if (!tables.empty())
      out += fmt::format("<details><summary>{}</summary>{}</details>",
                         EscapeHtml(PointInWords(run, static_cast<int>(i))), tables);
  }
  return out;
}

}  // namespace conebook::src

#include "src/report/compare_page.h"

#include <algorithm>

#include <fmt/format.h>

#include "src/report/chart.h"
#include "src/report/html.h"
#include "src/report/page.h"

namespace conebook::src {
namespace {

constexpr std::size_t kMostTicks = 40;
constexpr double kBetweenGroups = 1.5;
constexpr double kNormal95 = 1.96;

const char* ClassOf(const ComparedQuantity& quantity) {
  if (!quantity.days_told) return "flagged";
  return quantity.verdict == "different" ? "rejected" : "";
}

std::string TitleBlock(const Comparison& comparison) {
  std::string cells;
  for (const ComparedGroup& group : comparison.groups) {
    cells +=
        TitleCell(EscapeHtml(group.name), fmt::format("{} elements<small>{} runs, {} days</small>",
                                                      group.elements.size(), group.runs, group.days.size()));
  }
  cells += TitleCell("Pressure drop", fmt::format("{:.2f} bar<small>{}</small>", comparison.at_bar,
                                                  comparison.at_bar_found ? "found" : "as asked"));
  cells += TitleCell("Check elements", comparison.check_elements.empty()
                                           ? "none"
                                           : fmt::format("{}", comparison.check_elements.size()));
  std::size_t different = 0, told = 0;
  for (const ComparedQuantity& quantity : comparison.quantities) {
    if (!quantity.refused.empty()) continue;
    told += quantity.days_told ? 1 : 0;
    different += quantity.verdict == "different" ? 1 : 0;
  }
  const std::string verdict = told == 0        ? "day or route?"
                              : different == 0 ? "not told apart"
                                               : fmt::format("{} different", different);
  return fmt::format(
      "<header class=\"block\"><div class=\"what\"><span>Comparison</span><h1>{} against {}</h1></div><div "
      "class=\"stamp "
      "{}\"><span>Verdict</span><b>{}</b></div>{}</header>",
      EscapeHtml(comparison.groups[1].name), EscapeHtml(comparison.groups[0].name),
      told == 0 || different > 0 ? "flagged" : "ok", verdict, cells);
}

std::string TableHtml(const Comparison& comparison) {
  std::string rows;
  for (const ComparedQuantity& quantity : comparison.quantities) {
    if (!quantity.refused.empty()) {
      rows += fmt::format(
          "<tr><th scope=\"row\">{}</th><td class=\"unit\">{}</td><td colspan=\"7\" class=\"none\">not "
          "compared: {}</td></tr>",
          TitleOf(quantity.quantity), UnitOf(quantity.quantity), EscapeHtml(quantity.refused));
      continue;
    }
    const std::vector<std::string> cells = RowOf(quantity);
    rows += fmt::format("<tr><th scope=\"row\">{}</th><td class=\"unit\">{}</td>", cells[0], cells[1]);
    for (std::size_t i = 2; i + 1 < cells.size(); ++i)
      rows += "<td class=\"v\">" + EscapeHtml(cells[i]) + "</td>";
    rows += fmt::format("<td class=\"{}\">{}</td></tr>", ClassOf(quantity), EscapeHtml(cells.back()));
    for (const std::string& remark : RemarksOf(quantity))
      rows += "<tr class=\"why\"><th></th><td></td><td colspan=\"7\">" + EscapeHtml(remark) + "</td></tr>";
  }
  return fmt::format(
      "<section><h2>Quantities at {:.2f} bar</h2><div class=\"scroll\" tabindex=\"0\" role=\"region\" "
      "aria-label=\"Quantities\">"
      "<table "
      "class=\"quantities\"><thead><tr><th>Quantity</th><th>Unit</th><th>{}</th><th>{}</th><th>Difference</"
      "th><th>95 %</th>"
      "<th>dof</th><th>p (Holm)</th><th>Verdict</th></tr></thead><tbody>{}</tbody></table></div>"
      "<p class=\"hint\">Difference: second less first. Elements count as a random draw from their group, "
      "mountings and readings "
      "from their element; days are taken out; errors of rig, meter and method cancel as far as both groups "
      "share them. "
      "p is adjusted after Holm, so that all quantities together give a false &ldquo;different&rdquo; in 5 % "
      "of comparisons at most. "
      "&ldquo;Not told apart&rdquo; does not mean equal: that is what a margin asks.</p></section>",
      comparison.at_bar, EscapeHtml(comparison.groups[0].name), EscapeHtml(comparison.groups[1].name), rows);
}

// Every element one mark, by group, in the order of names; the group's mean as a line through its marks.
std::string ChartOf(const Comparison& comparison, const ComparedQuantity& quantity) {
  ChartData data;
  data.key = NameOf(quantity.quantity);
  data.x_title = "element";
  data.y_title =
      UnitOf(quantity.quantity) == std::string("1") ? TitleOf(quantity.quantity) : UnitOf(quantity.quantity);
  Series apart;
  apart.name = "lies apart from its group";
  apart.look = Look::kImported;
  apart.hue = 3;
  std::string words;
  double x = 0.0;
  const std::size_t step = ThinningStep(quantity.members.size(), kMostTicks);
  for (const int group : {0, 1}) {
    Series series, mean;
    const std::string& name = comparison.groups[static_cast<std::size_t>(group)].name;
    series.name = name;
    series.hue = group + 1;
    mean.name = name + ", mean";
    mean.look = Look::kCurve;
    mean.hue = group + 1;
    const double from = x;
    for (std::size_t i = 0; i < quantity.members.size(); ++i) {
      const ComparedElement& member = quantity.members[i];
      if (member.group != group) continue;
      Series& to = member.outlying ? apart : series;
      to.x.push_back(x);
      to.y.push_back(member.value);
      to.ey.push_back(kNormal95 * member.u);
      if (i % step == 0) data.ticks.emplace_back(x, member.element);
      x += 1.0;
    }
    const double m = quantity.mean[static_cast<std::size_t>(group)];
    mean.x = {from - 0.4, x - 0.6};
    mean.y = {m, m};
    words += InWords(series, UnitOf(quantity.quantity));
    data.series.push_back(std::move(mean));
    data.series.push_back(std::move(series));
    x += kBetweenGroups;
  }
  if (!apart.x.empty()) data.series.push_back(std::move(apart));
  data.range = {-1.0, x - kBetweenGroups};
  Chart chart;
  chart.key = data.key;
  chart.title = TitleOf(quantity.quantity);
  chart.words = std::string(TitleOf(quantity.quantity)) + " of every element. " + words;
  chart.json = ChartJson(data);
  const std::vector<std::string> row = RowOf(quantity);
  const std::string unit = row[1] == "1" ? "" : " " + row[1];
  chart.note = fmt::format(
      "Difference {}{}, {} (95 %): {}. Bars: what an element's own readings leave open (95 %).{}", row[4],
      unit, row[5], row.back(), quantity.days_told ? " Days are taken out." : " What the days did is in it.");
  return ChartHtml(chart);
}

std::string ListHtml(const std::vector<std::string>& items) {
  std::string html;
  for (const std::string& item : items) html += "<li>" + EscapeHtml(item) + "</li>";
  return "<ul>" + html + "</ul>";
}

std::string RemarksHtml(const Comparison& comparison) {
  std::vector<std::string> items{"Flow: " + FlowSplitInWords(comparison.flow_split) + "."};
  const bool told = std::all_of(comparison.quantities.begin(), comparison.quantities.end(),
                                [](const ComparedQuantity& q) { return !q.refused.empty() || q.days_told; });
  if (!told)
    items.push_back(
        "Cannot tell route from day: the groups share no day, and no check element (role = \"check\") was "
        "read on the days of "
        "both. The differences stand as they were read, with whatever the days did in them.");
  for (const SwappedLabel& label : comparison.maybe_swapped)
    items.push_back("maybe_swapped: " + SwappedInWords(label) + ".");
  items.insert(items.end(), comparison.cautions.begin(), comparison.cautions.end());
  items.push_back(
      "Cold flow in still air says nothing of hot firing. Whether parts may be fitted is for drawing, local "
      "codes and "
      "licensed practice to say.");
  return "<section><h2>What else to know</h2>" + ListHtml(items) + "</section>";
}

std::string SpreadHtml(const Comparison& comparison) {
  std::string rows;
  for (const ComparedQuantity& quantity : comparison.quantities) {
    if (!quantity.refused.empty()) continue;
    const auto number = [&](const std::optional<double>& value) {
      return value ? fmt::format("{:.3g}", *value) : std::string("not told apart");
    };
    const auto spread = [&](std::size_t group) {
      return quantity.spread_of_elements.empty() ? std::string("not told apart")
                                                 : fmt::format("{:.3g}", quantity.spread_of_elements[group]);
    };
    rows += fmt::format(
        "<tr><th scope=\"row\">{}</th><td "
        "class=\"unit\">{}</td><td>{}</td><td>{}</td><td>{}</td><td>{}</td><td>{:.3g}</td><td>{:.3g}</td>"
        "<td>{:.3g}</td></tr>",
        TitleOf(quantity.quantity), UnitOf(quantity.quantity), spread(0), spread(1),
        number(quantity.spread_of_mounts), number(quantity.spread_of_readings), quantity.u_scatter,
        quantity.u_shared, quantity.findable);
  }
  return fmt::format(
      "<section><h2>What the difference rests on</h2><div class=\"scroll\" tabindex=\"0\" role=\"region\" "
      "aria-label=\"Spreads\"><table "
      "class=\"quantities\"><thead><tr><th>Standard deviation</th><th>Unit</th><th>elements, "
      "{}</th><th>elements, {}</th><th>mountings</th>"
      "<th>readings</th><th>u, scatter</th><th>u, "
      "shared</th><th>findable</th></tr></thead><tbody>{}</tbody></table></div>"
      "<p class=\"hint\">Findable: the true difference that a study like this one finds in four of five "
      "cases.</p></section>",
      EscapeHtml(comparison.groups[0].name), EscapeHtml(comparison.groups[1].name), rows);
}

}  // namespace

std::string RenderComparePage(const Comparison& comparison) {
  std::string charts;
  for (const ComparedQuantity& quantity : comparison.quantities)
    if (quantity.refused.empty()) charts += ChartOf(comparison, quantity);
  return Page(comparison.groups[1].name + " against " + comparison.groups[0].name,
              TitleBlock(comparison) + TableHtml(comparison) + RemarksHtml(comparison) +
                  "<section><h2>Every element</h2><div class=\"charts\">" + charts + "</div></section>" +
                  SpreadHtml(comparison));
}

}  // namespace conebook::src

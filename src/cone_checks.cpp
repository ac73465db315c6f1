#include "src/cone_checks.h"

#include <algorithm>
#include <cmath>

#include <fmt/core.h>

#include <calib/error.h>

#include "src/iso_date.h"
#include "src/nearest_name.h"
#include "src/toml_document.h"

namespace conebook::src {
namespace {

using calib::InputError;

const std::vector<std::string>& Keys() {
  static const std::vector<std::string> kKeys{
      "date",         "clip",           "sha256",        "shape",        "half_angle_deg", "u_half_angle_deg",
      "measured_deg", "u_measured_deg", "tilt_lo95_deg", "tilt_hi95_deg"};
  return kKeys;
}

const TomlNode& Required(const TomlNode& table, const char* key) {
  const TomlNode* node = table.Find(key);
  if (node == nullptr) throw InputError(fmt::format("{}: [[check]] {} is missing", table.Place(), key));
  return *node;
}

double Number(const TomlNode& table, const char* key) {
  const TomlNode& node = Required(table, key);
  if (!node.IsNumber() || !std::isfinite(node.number) || (key[0] == 'u' && !(node.number >= 0.0)))
    throw InputError(fmt::format("{}: [[check]] {}: expected a number{}", node.Place(), key,
                                 key[0] == 'u' ? ", not negative" : ""));
  return node.number;
}

std::string Text(const TomlNode& table, const char* key) {
  const TomlNode* node = table.Find(key);
  if (node == nullptr) return {};
  if (node->kind != TomlNode::Kind::kText)
    throw InputError(fmt::format("{}: [[check]] {}: expected text in quotes", node->Place(), key));
  return node->text;
}

ConeCheck FromToml(const TomlNode& table) {
  for (const auto& [key, node] : table.Entries()) {
    if (std::find(Keys().begin(), Keys().end(), key) != Keys().end()) continue;
    const auto nearest = NearestName(key, Keys());
    throw InputError(fmt::format("{}: unknown key {} in [[check]]{}", node.Place(), key,
                                 nearest ? "; did you mean " + *nearest + "?" : std::string()));
  }
  ConeCheck check;
  Required(table, "date");
  check.date = Text(table, "date");
  StatedDay(check.date, table.Place() + ": [[check]] date");
  check.clip = Text(table, "clip");
  check.sha256 = Text(table, "sha256");
  check.shape = Text(table, "shape");
  check.known_deg = {Number(table, "half_angle_deg"), Number(table, "u_half_angle_deg"), {}, {}};
  check.measured_deg = {Number(table, "measured_deg"), Number(table, "u_measured_deg"), {}, {}};
  if (table.Find("tilt_lo95_deg") != nullptr) check.tilt_lo95_deg = Number(table, "tilt_lo95_deg");
  if (table.Find("tilt_hi95_deg") != nullptr) check.tilt_hi95_deg = Number(table, "tilt_hi95_deg");
  return check;
}

// A basic string of TOML.
std::string Quoted(const std::string& text) {
  std::string out = "\"";
  for (const char c : text) {
    if (c == '"' || c == '\\') out += '\\';
    if (static_cast<unsigned char>(c) >= 0x20) out += c;
  }
  return out + "\"";
}

}  // namespace

double ConeCheck::U_deg() const {
  return std::hypot(known_deg.u, measured_deg.u);
}

std::vector<ConeCheck> ReadConeChecks(const std::string& path) {
  const TomlNode root = ReadToml(path);
  std::vector<ConeCheck> checks;
  for (const auto& [key, node] : root.Entries()) {
    if (key != "check" || node.kind != TomlNode::Kind::kArray)
      throw InputError(
          fmt::format("{}: unknown key {}; expected [[check]] sections, as conebook calibrate cone "
                      "writes them",
                      node.Place(), key));
    for (const TomlNode& item : node.items) checks.push_back(FromToml(item));
  }
  std::stable_sort(checks.begin(), checks.end(),
                   [](const ConeCheck& a, const ConeCheck& b) { return a.date < b.date; });
  return checks;
}

std::string ConeCheckText(const ConeCheck& check) {
  std::string text = fmt::format(
      "[[check]]\ndate = {}\nclip = {}\nsha256 = {}\nshape = {}\nhalf_angle_deg = {:.6g}\nu_half_angle_deg = "
      "{:.3g}\nmeasured_deg = {:.4f}\nu_measured_deg = {:.3g}\n",
      Quoted(check.date), Quoted(check.clip), Quoted(check.sha256), Quoted(check.shape),
      check.known_deg.value, check.known_deg.u, check.measured_deg.value, check.measured_deg.u);
  if (check.tilt_lo95_deg && check.tilt_hi95_deg)
    text += fmt::format("tilt_lo95_deg = {:.2f}\ntilt_hi95_deg = {:.2f}\n", *check.tilt_lo95_deg,
                        *check.tilt_hi95_deg);
  return text + "\n";
}

std::optional<vision::KnownCones> LastConeChecks(const std::vector<ConeCheck>& checks) {
  if (checks.empty()) return std::nullopt;
  vision::KnownCones last;
  last.date = checks.back().date;
  double squares = 0.0, u_squares = 0.0;
  for (const ConeCheck& check : checks) {
    if (check.date != last.date) continue;
    ++last.checks;
    squares += check.Difference_deg() * check.Difference_deg();
    u_squares += check.U_deg() * check.U_deg();
    if (check.U_deg() > 0.0)
      last.worst_in_u = std::max(last.worst_in_u, std::abs(check.Difference_deg()) / check.U_deg());
  }
  last.difference_deg = std::sqrt(squares / last.checks);
  last.u_deg = std::sqrt(u_squares / last.checks);
  return last;
}

}  // namespace conebook::src

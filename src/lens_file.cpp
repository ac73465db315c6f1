#include "src/lens_file.h"

#include <cmath>
#include <vector>

#include <fmt/core.h>

#include <calib/error.h>

#include "src/nearest_name.h"
#include "src/toml_document.h"

namespace conebook::src {
namespace {

// Without correlation the parameters count as independent.
void ReadCovariance(const TomlNode& table, calib::Lens& lens) {
  calib::LensVector u = calib::LensVector::Zero();
  bool any = false;
  for (int i = 0; i < 9; ++i) {
    const std::string key = std::string("u_") + calib::kLensParameters[i];
    const TomlNode* node = table.Find(key);
    if (node == nullptr) continue;
    if (!node->IsNumber() || !std::isfinite(node->number) || !(node->number >= 0.0)) {
      throw calib::InputError(
          fmt::format("{}: [lens] {}: expected a standard uncertainty, not negative", node->Place(), key));
    }
    u[i] = node->number;
    any = true;
  }
  if (!any) return;
  Eigen::Matrix<double, 9, 9> correlation = Eigen::Matrix<double, 9, 9>::Identity();
  if (const TomlNode* rows = table.Find("correlation")) {
    const auto refuse = [&] {
      throw calib::InputError(rows->Place() +
                              ": [lens] correlation: expected nine rows of nine numbers from -1 to 1, "
                              "symmetric, with 1 from corner to corner");
    };
    if (rows->kind != TomlNode::Kind::kArray || rows->items.size() != 9) refuse();
    for (int i = 0; i < 9; ++i) {
      const TomlNode& row = rows->items[static_cast<std::size_t>(i)];
      if (row.kind != TomlNode::Kind::kArray || row.items.size() != 9) refuse();
      for (int k = 0; k < 9; ++k) {
        const TomlNode& item = row.items[static_cast<std::size_t>(k)];
        if (!item.IsNumber() || !(std::abs(item.number) <= 1.0)) refuse();
        correlation(i, k) = item.number;
      }
    }
    if (!correlation.isApprox(correlation.transpose(), 1e-6) ||
        !correlation.diagonal().isApprox(calib::LensVector::Ones(), 1e-6)) {
      refuse();
    }
  }
  lens.covariance = u.asDiagonal() * correlation * u.asDiagonal();
}

}  // namespace

calib::Lens ReadLensFile(const std::string& path) {
  const TomlNode root = ReadToml(path);
  const TomlNode* table = root.Find("lens");
  if (table == nullptr || table->kind != TomlNode::Kind::kTable) {
    throw calib::InputError(
        path + ": no section [lens]; expected a lens file with [lens] width_px, height_px, fx_px ...");
  }
  calib::Lens lens;
  double width_px = 0.0, height_px = 0.0;
  struct Field {
    const char* key;
    double* target;
    bool must_be_positive;
  };
  const std::vector<Field> fields{
      {"width_px", &width_px, true}, {"height_px", &height_px, true}, {"fx_px", &lens.fx_px, true},
      {"fy_px", &lens.fy_px, true},  {"cx_px", &lens.cx_px, true},    {"cy_px", &lens.cy_px, true},
      {"k1", &lens.k1, false},       {"k2", &lens.k2, false},         {"p1", &lens.p1, false},
      {"p2", &lens.p2, false},       {"k3", &lens.k3, false},         {"rms_px", &lens.rms_px, false}};
  std::vector<std::string> names;
  for (const Field& field : fields) {
    names.emplace_back(field.key);
    const TomlNode* node = table->Find(field.key);
    if (node == nullptr) {
      if (field.must_be_positive)
        throw calib::InputError(fmt::format("{}: [lens] {} is missing", path, field.key));
      continue;
    }
    if (!node->IsNumber() || !std::isfinite(node->number) ||
        (field.must_be_positive && !(node->number > 0.0))) {
      throw calib::InputError(fmt::format("{}: [lens] {}: expected a {}number", node->Place(), field.key,
                                          field.must_be_positive ? "positive " : ""));
    }
    *field.target = node->number;
  }
  for (const auto& [key, node] : table->Entries()) {
    bool known = false;
    for (const std::string& name : names) known = known || key == name || key == "u_" + name;
    known = known || key == "correlation";
    if (known) continue;
    const auto nearest = NearestName(key, names);
    throw calib::InputError(fmt::format("{}: unknown key {} in [lens]{}", node.Place(), key,
                                        nearest ? "; did you mean " + *nearest + "?" : std::string()));
  }
  lens.width_px = static_cast<int>(std::lround(width_px));
  lens.height_px = static_cast<int>(std::lround(height_px));
  ReadCovariance(*table, lens);
  return lens;
}

std::string LensFileText(const calib::Lens& lens, const std::string& remark) {
  std::string text = remark.empty() ? std::string() : "# " + remark;
  for (std::size_t at = text.find('\n'); at != std::string::npos; at = text.find('\n', at + 1))
    text.replace(at, 1, "\n# ");
  text += fmt::format("{}[lens]\nwidth_px = {}\nheight_px = {}\n", text.empty() ? "" : "\n", lens.width_px,
                      lens.height_px);
  const calib::LensVector best = calib::ParametersOf(lens);
  for (int i = 0; i < 9; ++i) {
    const char* key = calib::kLensParameters[i];
    text += fmt::format("{} = {:.9g}\n", key, best[i]);
    if (lens.covariance) text += fmt::format("u_{} = {:.3g}\n", key, std::sqrt((*lens.covariance)(i, i)));
  }
  text += fmt::format("rms_px = {:.4g}\n", lens.rms_px);
  if (!lens.covariance) return text;
  text += "correlation = [  # of fx fy cx cy k1 k2 p1 p2 k3\n";
  for (int i = 0; i < 9; ++i) {
    text += "  [";
    for (int k = 0; k < 9; ++k) {
      const double scale = std::sqrt((*lens.covariance)(i, i) * (*lens.covariance)(k, k));
      const double r = i == k ? 1.0 : scale > 0.0 ? (*lens.covariance)(i, k) / scale : 0.0;
      text += fmt::format("{}{:.6f}", k == 0 ? "" : ", ", r);
    }
    text += "],\n";
  }
  return text + "]\n";
}

}  // namespace conebook::src

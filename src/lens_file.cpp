#include "src/lens_file.h"

#include <cmath>
#include <vector>

#include <fmt/core.h>

#include <calib/error.h>

#include "src/nearest_name.h"
#include "src/toml_document.h"

namespace conebook::src {

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
    if (known) continue;
    const auto nearest = NearestName(key, names);
    throw calib::InputError(fmt::format("{}: unknown key {} in [lens]{}", node.Place(), key,
                                        nearest ? "; did you mean " + *nearest + "?" : std::string()));
  }
  lens.width_px = static_cast<int>(std::lround(width_px));
  lens.height_px = static_cast<int>(std::lround(height_px));
  return lens;
}

}  // namespace conebook::src

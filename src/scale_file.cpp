#include "src/scale_file.h"

#include <cmath>
#include <vector>

#include <fmt/core.h>

#include <calib/error.h>

#include "src/nearest_name.h"
#include "src/toml_document.h"

namespace conebook::src {
namespace {

using calib::InputError;

class Section {
 public:
  Section(const std::string& path, const TomlNode& table) : path_(path), table_(table) {
    static const std::vector<std::string> kKeys{"px_per_mm", "u_px_per_mm", "width_px", "height_px", "method",
                                                "tilt_deg",  "u_tilt_deg",  "axis_deg", "u_axis_deg"};
    for (const auto& [key, node] : table.Entries()) {
      bool known = false;
      for (const std::string& name : kKeys) known = known || name == key;
      if (known) continue;
      const auto nearest = NearestName(key, kKeys);
      throw InputError(fmt::format("{}: unknown key {} in [scale]{}", node.Place(), key,
                                   nearest ? "; did you mean " + *nearest + "?" : std::string()));
    }
  }

  double Number(const char* key, double above) const {
    const TomlNode* node = table_.Find(key);
    if (node == nullptr) throw InputError(fmt::format("{}: [scale] {} is missing", path_, key));
    if (!node->IsNumber() || !std::isfinite(node->number) || !(node->number > above))
      throw InputError(fmt::format("{}: [scale] {}: expected a number{}", node->Place(), key,
                                   above == 0.0 ? " above 0" : ""));
    return node->number;
  }

  calib::Stated Stated(const char* key, double above) const {
    calib::Stated stated;
    stated.value = Number(key, above);
    stated.u = Number((std::string("u_") + key).c_str(), -1e-300);
    stated.u_assumed = false;
    stated.calibrated = true;
    return stated;
  }

  bool Has(const char* key) const { return table_.Find(key) != nullptr; }

 private:
  const std::string& path_;
  const TomlNode& table_;
};

std::string Line(const char* key, const calib::Quantity& quantity) {
  return fmt::format("{0} = {1:.7g}\nu_{0} = {2:.3g}\n", key, quantity.value, quantity.u);
}

}  // namespace

ScaleFile ReadScaleFile(const std::string& path) {
  const TomlNode root = ReadToml(path);
  const TomlNode* table = root.Find("scale");
  if (table == nullptr || table->kind != TomlNode::Kind::kTable)
    throw InputError(path + ": no section [scale]; expected a file that conebook calibrate scale wrote");
  const Section section(path, *table);
  ScaleFile file;
  file.px_per_mm = section.Stated("px_per_mm", 0.0);
  file.width_px = static_cast<int>(std::lround(section.Number("width_px", 0.0)));
  file.height_px = static_cast<int>(std::lround(section.Number("height_px", 0.0)));
  if (section.Has("tilt_deg")) file.tilt_deg = section.Stated("tilt_deg", -90.0);
  if (section.Has("axis_deg")) file.axis_deg = section.Stated("axis_deg", -360.1);
  if (const TomlNode* method = table->Find("method")) file.method = method->text;
  return file;
}

std::string ScaleFileText(const vision::ScaleReading& reading, int width_px, int height_px,
                          const std::string& method, const std::string& remark) {
  std::string text = fmt::format("# {}\n[scale]\nmethod = \"{}\"\nwidth_px = {}\nheight_px = {}\n", remark,
                                 method, width_px, height_px) +
                     Line("px_per_mm", reading.px_per_mm);
  if (reading.tilt_deg) text += Line("tilt_deg", *reading.tilt_deg);
  if (reading.axis_deg) text += Line("axis_deg", *reading.axis_deg);
  return text;
}

}  // namespace conebook::src

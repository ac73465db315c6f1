#include "src/element_code.h"

#define ZX_USE_UTF8  // the library gives text as UTF-8

#include <set>

#include <ZXing/BarcodeFormat.h>
#include <ZXing/BitMatrix.h>
#include <ZXing/CharacterSet.h>
#include <ZXing/MultiFormatWriter.h>
#include <ZXing/ReadBarcode.h>
#include <fmt/format.h>

#include <calib/error.h>

namespace conebook::src {
namespace {

constexpr const char* kPrefix = "element:";
constexpr std::size_t kMostBytes = 60;

}  // namespace

cv::Mat1b ElementCode(const std::string& element) {
  if (element.empty()) throw calib::InputError("an element's id is empty");
  if (element.size() > kMostBytes)
    throw calib::InputError(
        fmt::format("element {}: an id of {} bytes at most fits a card", element, kMostBytes));
  constexpr int kLevelQ = 5;  // of the library's 0 to 8
  const ZXing::BitMatrix modules = ZXing::MultiFormatWriter(ZXing::BarcodeFormat::QRCode)
                                       .setEncoding(ZXing::CharacterSet::UTF8)
                                       .setEccLevel(kLevelQ)
                                       .setMargin(0)
                                       .encode(kPrefix + element, 0, 0);
  cv::Mat1b code(modules.height(), modules.width());
  for (int y = 0; y < code.rows; ++y) {
    for (int x = 0; x < code.cols; ++x) code(y, x) = modules.get(x, y) ? 1 : 0;
  }
  return code;
}

std::vector<std::string> ReadElementCodes(const cv::Mat& grey) {
  const cv::Mat whole = grey.isContinuous() ? grey : grey.clone();
  const ZXing::ImageView view(whole.data, whole.cols, whole.rows, ZXing::ImageFormat::Lum);
  const auto hints = ZXing::DecodeHints().setFormats(ZXing::BarcodeFormat::QRCode).setTryHarder(true);
  std::set<std::string> ids;
  for (const ZXing::Result& result : ZXing::ReadBarcodes(view, hints)) {
    const std::string text = result.text();
    if (result.isValid() && text.rfind(kPrefix, 0) == 0) ids.insert(text.substr(std::string(kPrefix).size()));
  }
  return {ids.begin(), ids.end()};
}

}  // namespace conebook::src

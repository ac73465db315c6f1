#include "src/target_sheet.h"

#include <cmath>
#include <numbers>
#include <stdexcept>

#include <fmt/format.h>

#include <calib/error.h>

#include "src/element_code.h"
#include "src/report/html.h"

namespace conebook::src {
namespace {

constexpr double kMarginMm = 10.0;
constexpr double kBarMm = 3.0;  // thickness of the check lengths

std::string Rectangle(double x, double y, double w, double h) {
  return fmt::format("<rect x=\"{:.4g}\" y=\"{:.4g}\" width=\"{:.4g}\" height=\"{:.4g}\"/>\n", x, y, w, h);
}

std::string Words(double x, double y, double size_mm, const std::string& text, const char* anchor = "start") {
  return fmt::format("<text x=\"{:.4g}\" y=\"{:.4g}\" font-size=\"{:.4g}\" text-anchor=\"{}\">{}</text>\n", x,
                     y, size_mm, anchor, EscapeHtml(text));
}

std::string Page(const TargetSheetOptions& options, const std::string& title, const std::string& body) {
  return fmt::format(
      "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n<svg xmlns=\"http://www.w3.org/2000/svg\" "
      "width=\"{0:g}mm\" height=\"{1:g}mm\" viewBox=\"0 0 {0:g} {1:g}\" fill=\"#000000\" "
      "font-family=\"sans-serif\">\n<title>{2}</title>\n<rect width=\"{0:g}\" height=\"{1:g}\" "
      "fill=\"#ffffff\"/>\n{3}</svg>\n",
      options.page_width_mm, options.page_height_mm, title, body);
}

double HalfBase_mm(const SheetTriangle& triangle) {
  return triangle.height_mm * std::tan(triangle.half_angle_deg * std::numbers::pi / 180.0);
}

// An id as large as its card allows.
double LetterSize_mm(const std::string& id, double width_mm) {
  constexpr double kWidthOfALetter = 0.62;  // of its size, about
  return std::min(14.0,
                  width_mm / (kWidthOfALetter * static_cast<double>(std::max<std::size_t>(1, id.size()))));
}

}  // namespace

SheetLayout LayOut(const TargetSheetOptions& options) {
  SheetLayout layout;
  const double board_width = options.square_mm * (options.columns + 1);
  const double board_height = options.square_mm * (options.rows + 1);
  const double width = options.page_width_mm;
  layout.post_x_mm = kMarginMm;
  layout.post_y_mm = 20.0;
  layout.board_x_mm = 0.5 * (width + kMarginMm - board_width);
  layout.board_y_mm = layout.post_y_mm;
  layout.bar_x_mm = 0.5 * (width - kCheckLengthMm);
  layout.bar_y_mm = layout.board_y_mm + std::max(board_height, kCheckLengthMm) + 8.0;
  const double first_row = layout.bar_y_mm + kBarMm + 12.0;
  const double second_row = first_row + kTriangleHeightsMm[0] + 14.0;
  if (board_width > width - 3.0 * kMarginMm - kBarMm ||
      second_row + kTriangleHeightsMm[2] + 8.0 > options.page_height_mm) {
    throw calib::InputError(fmt::format(
        "a board of {} x {} inner corners with squares of {:g} mm is {:.0f} x {:.0f} mm and does not fit "
        "beside the rest of a page of {:g} x {:g} mm; take smaller squares or fewer of them",
        options.columns, options.rows, options.square_mm, board_width, board_height, width,
        options.page_height_mm));
  }
  // Two beside each other with as much white between as beside them, the widest below.
  const SheetTriangle narrow{0.0, first_row, kTriangleHalfAnglesDeg[0], kTriangleHeightsMm[0]};
  const SheetTriangle middle{0.0, first_row, kTriangleHalfAnglesDeg[1], kTriangleHeightsMm[1]};
  const SheetTriangle wide{0.5 * width, second_row, kTriangleHalfAnglesDeg[2], kTriangleHeightsMm[2]};
  const double gap = (width - 2.0 * (HalfBase_mm(narrow) + HalfBase_mm(middle))) / 3.0;
  layout.triangles = {narrow, middle, wide};
  layout.triangles[0].tip_x_mm = gap + HalfBase_mm(narrow);
  layout.triangles[1].tip_x_mm = width - gap - HalfBase_mm(middle);
  return layout;
}

std::string CalibrationSheetSvg(const TargetSheetOptions& options) {
  const SheetLayout layout = LayOut(options);
  std::string body =
      Words(kMarginMm, 10.0, 4.2,
            fmt::format("Calibration sheet: {} x {} inner corners, squares of {:g} mm", options.columns,
                        options.rows, options.square_mm)) +
      Words(kMarginMm, 14.0, 2.8,
            "Print at 100 %, not fitted to the page, on matt paper, and glue it flat.") +
      Words(kMarginMm, 17.5, 2.8,
            "Both bars must measure 100.0 mm: else all lengths of the page go with what they measure.");
  body += "<g id=\"chessboard\">\n";
  for (int row = 0; row <= options.rows; ++row) {
    for (int column = 0; column <= options.columns; ++column) {
      if ((row + column) % 2 == 0)
        body += Rectangle(layout.board_x_mm + column * options.square_mm,
                          layout.board_y_mm + row * options.square_mm, options.square_mm, options.square_mm);
    }
  }
  body += "</g>\n<g id=\"check_lengths\">\n" +
          Rectangle(layout.bar_x_mm, layout.bar_y_mm, kCheckLengthMm, kBarMm) +
          Rectangle(layout.post_x_mm, layout.post_y_mm, kBarMm, kCheckLengthMm) + "</g>\n" +
          Words(0.5 * options.page_width_mm, layout.bar_y_mm + kBarMm + 4.5, 3.0,
                "100 mm from end to end, across and down the page", "middle");
  body += "<g id=\"triangles\">\n";
  for (const SheetTriangle& t : layout.triangles) {
    body += fmt::format("<path d=\"M {:.4f} {:.4f} L {:.4f} {:.4f} L {:.4f} {:.4f} Z\"/>\n", t.tip_x_mm,
                        t.tip_y_mm, t.tip_x_mm - HalfBase_mm(t), t.tip_y_mm + t.height_mm,
                        t.tip_x_mm + HalfBase_mm(t), t.tip_y_mm + t.height_mm);
  }
  body += "</g>\n";
  for (const SheetTriangle& t : layout.triangles)
    body += Words(t.tip_x_mm, t.tip_y_mm + t.height_mm + 5.0, 3.2,
                  fmt::format("half angle {:g} deg", t.half_angle_deg), "middle");
  return Page(options, "Calibration sheet", body);
}

std::string ElementCardsSvg(const std::vector<std::string>& elements, const TargetSheetOptions& options) {
  if (elements.empty() || elements.size() > kCardsAPage)
    throw std::logic_error("ElementCardsSvg: no elements, or more than a page takes");
  const double width = 0.5 * (options.page_width_mm - 2.0 * kMarginMm);
  const double height = 0.25 * (options.page_height_mm - 2.0 * kMarginMm);
  std::string body;
  for (std::size_t i = 0; i < elements.size(); ++i) {
    const double left = kMarginMm + static_cast<double>(i % 2) * width;
    const std::size_t row = i / 2;
    const double top = kMarginMm + static_cast<double>(row) * height;
    body += fmt::format(
        "<rect x=\"{:.4g}\" y=\"{:.4g}\" width=\"{:.4g}\" height=\"{:.4g}\" fill=\"none\" stroke=\"#bbbbbb\" "
        "stroke-width=\"0.2\"/>\n",
        left, top, width, height);
    const cv::Mat1b code = ElementCode(elements[i]);
    const double module = kCodeSideMm / code.cols;
    const double code_left = left + 8.0, code_top = top + 0.5 * (height - kCodeSideMm);
    // One path: no hairlines between the modules.
    std::string path;
    for (int y = 0; y < code.rows; ++y) {
      for (int x = 0; x < code.cols;) {
        int end = x;
        while (end < code.cols && code(y, end) != 0) ++end;
        if (end > x)
          path += fmt::format("M {:.4f} {:.4f} h {:.4f} v {:.4f} h {:.4f} z ", code_left + x * module,
                              code_top + y * module, (end - x) * module, module, -(end - x) * module);
        x = std::max(end, x + 1);
      }
    }
    body += "<path shape-rendering=\"crispEdges\" d=\"" + path + "\"/>\n";
    const double words_left = code_left + kCodeSideMm + 4.0;
    const double words_width = left + width - 2.0 - words_left;
    body += Words(words_left + 0.5 * words_width, top + 0.5 * height + 3.0,
                  LetterSize_mm(elements[i], words_width), elements[i], "middle");
    body += Words(words_left + 0.5 * words_width, code_top + 4.0, 3.0, "element", "middle");
    body +=
        Words(words_left + 0.5 * words_width, code_top + kCodeSideMm, 2.6, "film before its clip", "middle");
  }
  return Page(options, "Element cards", body);
}

}  // namespace conebook::src

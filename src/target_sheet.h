// Things to print and film, as SVG of true size (1 user unit = 1 mm): the calibration sheet and the element
// cards. Print at 100 %, then check the two check lengths with a steel rule; paper may be stretched along
// one way.
#pragma once

#include <string>
#include <vector>

namespace conebook::src {

struct TargetSheetOptions {
  double page_width_mm = 210.0, page_height_mm = 297.0;  // ISO 216 A4
  int columns = 9, rows = 6;                             // inner corners of the chessboard
  double square_mm = 10.0;
};

// Half angles of the dark triangles on the sheet, and how tall they are from tip to base.
inline constexpr double kTriangleHalfAnglesDeg[3] = {20.0, 35.0, 50.0};
inline constexpr double kTriangleHeightsMm[3] = {60.0, 60.0, 50.0};
inline constexpr double kCheckLengthMm = 100.0;

// A dark rectangle or triangle of the sheet, mm from the page's top left corner: what the page draws.
struct SheetTriangle {
  double tip_x_mm = 0.0, tip_y_mm = 0.0, half_angle_deg = 0.0, height_mm = 0.0;
};
struct SheetLayout {
  double board_x_mm = 0.0, board_y_mm = 0.0;  // outer corner of the first square
  double bar_x_mm = 0.0, bar_y_mm = 0.0;      // left end, upper edge of the bar across
  double post_x_mm = 0.0, post_y_mm = 0.0;    // left edge, upper end of the bar down the page
  std::vector<SheetTriangle> triangles;
};

// Throws calib::InputError: a board that does not fit the page.
SheetLayout LayOut(const TargetSheetOptions& options);
std::string CalibrationSheetSvg(const TargetSheetOptions& options);

inline constexpr std::size_t kCardsAPage = 8;
inline constexpr double kCodeSideMm = 44.0;

// At most kCardsAPage ids; their code, and the id in letters.
std::string ElementCardsSvg(const std::vector<std::string>& elements, const TargetSheetOptions& options);

}  // namespace conebook::src

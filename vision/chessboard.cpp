#include "vision/chessboard.h"

#include <algorithm>
#include <limits>

#include <opencv2/calib3d.hpp>
#include <opencv2/imgproc.hpp>

namespace conebook::vision {

std::optional<std::vector<cv::Point2f>> FindBoard(const cv::Mat& grey, const Board& board) {
  std::vector<cv::Point2f> corners;
  if (!cv::findChessboardCorners(grey, {board.columns, board.rows}, corners,
                                 cv::CALIB_CB_ADAPTIVE_THRESH | cv::CALIB_CB_NORMALIZE_IMAGE)) {
    return std::nullopt;
  }
  return corners;
}

std::vector<cv::Point2f> RefineCorners(const cv::Mat& grey, const std::vector<cv::Point2f>& corners,
                                       int half_window_px) {
  std::vector<cv::Point2f> refined = corners;
  cv::cornerSubPix(grey, refined, {half_window_px, half_window_px}, {-1, -1},
                   {cv::TermCriteria::COUNT + cv::TermCriteria::EPS, 100, 1e-4});
  return refined;
}

std::vector<cv::Point3f> CornersOnBoard(const Board& board) {
  std::vector<cv::Point3f> points;
  const auto square = static_cast<float>(board.square_mm);
  for (int row = 0; row < board.rows; ++row) {
    for (int column = 0; column < board.columns; ++column)
      points.emplace_back(square * static_cast<float>(column), square * static_cast<float>(row), 0.0F);
  }
  return points;
}

double LeastSpacingPx(const std::vector<cv::Point2f>& corners, const Board& board) {
  double least = std::numeric_limits<double>::infinity();
  const auto at = [&](int row, int column) {
    return corners[static_cast<std::size_t>(row * board.columns + column)];
  };
  for (int row = 0; row < board.rows; ++row) {
    for (int column = 0; column < board.columns; ++column) {
      if (column > 0) least = std::min(least, cv::norm(at(row, column) - at(row, column - 1)));
      if (row > 0) least = std::min(least, cv::norm(at(row, column) - at(row - 1, column)));
    }
  }
  return least;
}

}  // namespace conebook::vision

// Inner corners of a chessboard target, pixels of the upright picture. Finding and refining: OpenCV
// (findChessboardCorners, cornerSubPix).
#pragma once

#include <optional>
#include <vector>

#include <opencv2/core.hpp>

namespace conebook::vision {

struct Board {
  int columns = 9, rows = 6;  // inner corners
  double square_mm = 25.0;
};

// Row by row, as OpenCV orders them; good to some pixels until refined. Nothing: the whole board is not in
// view.
std::optional<std::vector<cv::Point2f>> FindBoard(const cv::Mat& grey, const Board& board);

// Each corner from the gradients within half_window_px of it, either way.
std::vector<cv::Point2f> RefineCorners(const cv::Mat& grey, const std::vector<cv::Point2f>& corners,
                                       int half_window_px);

// In the board's own plane, mm, in the same order, Z = 0.
std::vector<cv::Point3f> CornersOnBoard(const Board& board);

// Distance between neighbouring corners where they lie closest, px.
double LeastSpacingPx(const std::vector<cv::Point2f>& corners, const Board& board);

}  // namespace conebook::vision

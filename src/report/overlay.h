// What was measured, as strokes and labels over the upright image: one description, drawn as SVG on the page
// and on pixels in a film. Coordinates are pixels of the upright image.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include <opencv2/core.hpp>

#include "src/run.h"

namespace conebook::src {

// What a stroke stands for. Told apart by dash and width as well as by colour: colours after Okabe and Ito's
// palette for colour-blind readers, each with a dark casing so that it stands out on white light and on black
// cloth.
enum class Ink { kBoundary, kLine, kStation, kBreakup, kScale };

struct Stroke {
  Ink ink = Ink::kBoundary;
  std::vector<cv::Point2f> points;
  bool extension = false;  // thin and dashed: where the line was carried beyond what was fitted
};

enum class Anchor { kLeft, kMiddle, kRight };

struct Label {
  Ink ink = Ink::kBoundary;
  cv::Point2f at;  // on the base line of the text
  Anchor anchor = Anchor::kLeft;
  std::string text;
};

struct Overlay {
  std::vector<Stroke> strokes;
  std::vector<Label> labels;
  cv::Rect crop;  // the part of the image that shows spray, exit and some nozzle; inside the image
};

// Strokes for which the point has nothing to show are left out. Image size from the point's still, or as
// given.
Overlay BuildOverlay(const Run& run, const Point& point, cv::Size image_size);

// Largest 1, 2 or 5 times a power of ten that is no longer than longest.
double RoundScaleLength(double longest);

// A stroke's look, for SVG and pixels alike; widths and dashes in thousandths of the picture's width.
struct InkStyle {
  const char* name;    // class of the page's style sheet
  const char* colour;  // #rrggbb
  double width;
  std::vector<double> dash;  // empty: solid
};
InkStyle StyleOf(Ink ink, bool extension);

// An SVG element that lies over the picture of overlay.crop; coordinates are moved to the crop's corner.
std::string OverlaySvg(const Overlay& overlay, const std::string& title);

// Draws on a colour image of the whole upright frame, smoothed edges. Text is plain ASCII there: "deg" for
// the sign.
void DrawOverlay(cv::Mat& bgr, const Overlay& overlay);

}  // namespace conebook::src

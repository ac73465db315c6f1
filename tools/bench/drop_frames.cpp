// How many 1-megapixel grey frames a second one core sizes drops in: shade, search, blur and diameter of each
// drop.
//   conebook_drop_frames [FRAMES]
// Rendered close-ups of 60 drops of 12 px, 8 bits; drawn before the clock starts.
#include <cstdint>
#include <cstdlib>
#include <ctime>
#include <iostream>
#include <vector>

#include <opencv2/core.hpp>

#include <vision/drop_finder.h>
#include <vision/drops.h>
#include <vision/reading_frame.h>

#include "render/drop_field.h"

int main(int argc, char** argv) {
  using namespace conebook;
  cv::setNumThreads(1);
  const int frames = argc > 1 ? std::max(1, std::atoi(argv[1])) : 120;
  const render::DropField field;
  render::DropField clean = field;
  clean.noise = 0.0;
  constexpr int kPictures = 8;
  constexpr double kFull = 255.0;
  std::vector<cv::Mat> pictures;
  for (int k = 0; k < kPictures; ++k) {
    std::vector<render::TrueDrop> drops;
    cv::Mat code;
    render::RenderDrops(field, 1, k, drops).convertTo(code, CV_8U, kFull);
    pictures.push_back(code);
  }
  vision::ClipModel model;
  model.format.stored_width_px = field.width_px;
  model.format.stored_height_px = field.height_px;
  model.format.transfer = vision::Transfer::kLinear;
  model.reading = vision::MakeReadingFrame(model.format, 0.0);
  for (int code = 0; code < 256; ++code) model.light.push_back(static_cast<float>(code / kFull));
  model.background = render::RenderNoDrops(clean, 1, 0);
  model.field = 1.0F / model.background;
  const vision::BlurredDiscs discs;
  const vision::DropFinderOptions options;
  const auto shade = [&](int k) {
    const cv::Mat& picture = pictures[static_cast<std::size_t>(k % kPictures)];
    vision::LumaFrame frame;
    frame.index = k;
    frame.data = picture.data;
    frame.stride_bytes = static_cast<std::ptrdiff_t>(picture.step);
    return vision::ShadeOf(model, frame);
  };
  const double opaque = vision::OpaqueShade({shade(0), shade(1)});
  std::size_t drops = 0;
  double in_shade_s = 0.0;
  // Processor time: others may use the machine.
  const auto now_s = [] { return static_cast<double>(std::clock()) / CLOCKS_PER_SEC; };
  const double start_s = now_s();
  for (int k = 0; k < frames; ++k) {
    const double before_s = now_s();
    const cv::Mat1f lost = shade(k);
    in_shade_s += now_s() - before_s;
    drops += vision::FindDrops(lost, opaque, discs, options).drops.size();
  }
  const double all_s = now_s() - start_s;
  std::cout << frames / all_s << " frames a second on one core, " << static_cast<double>(drops) / frames
            << " drops a frame; " << 1e3 * in_shade_s / frames << " ms of " << 1e3 * all_s / frames
            << " ms a frame for the shade\n";
  return 0;
}

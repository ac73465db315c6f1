#include "vision/signal.h"

#include <algorithm>
#include <cmath>
#include <cstdint>

namespace conebook::vision {
namespace {

// Columns [c0, c1] of row y of an image that was moved by `shift`: linear between pixels, the border
// repeated.
void ShiftedLine(const cv::Mat1f& image, int y, int c0, int c1, cv::Point2f shift, float* out) {
  const float from_x = -shift.x;
  const float from_y = static_cast<float>(y) - shift.y;
  const int kx = static_cast<int>(std::floor(from_x));
  const int ky = static_cast<int>(std::floor(from_y));
  const float fx = from_x - static_cast<float>(kx);
  const float fy = from_y - static_cast<float>(ky);
  const float* a = image[std::clamp(ky, 0, image.rows - 1)];
  const float* b = image[std::clamp(ky + 1, 0, image.rows - 1)];
  const int last = image.cols - 1;
  const float w00 = (1.0F - fx) * (1.0F - fy);
  const float w10 = fx * (1.0F - fy);
  const float w01 = (1.0F - fx) * fy;
  const float w11 = fx * fy;
  const int x0 = std::clamp(-kx, c0, c1 + 1);
  const int x1 = std::clamp(last - 1 - kx, x0 - 1, c1);
  for (int x = c0; x < x0; ++x) out[x - c0] = a[0];
  for (int x = x0; x <= x1; ++x) {
    out[x - c0] = w00 * a[x + kx] + w10 * a[x + kx + 1] + w01 * b[x + kx] + w11 * b[x + kx + 1];
  }
  for (int x = x1 + 1; x <= c1; ++x) out[x - c0] = a[last];
}

}  // namespace

template <typename T>
void SignalLine(const ClipModel& model, const RowsView& rows, int y, int c0, int c1, float gain,
                cv::Point2f shift, std::vector<float>& field_line, float* out) {
  const T* code = rows.Row<T>(y) + c0;
  const float* light = model.light.data();
  const float* field = model.field[y] + c0;
  const int n = c1 - c0 + 1;
  if (std::abs(shift.x) > 0.1F || std::abs(shift.y) > 0.1F) {
    field_line.resize(static_cast<std::size_t>(n));
    ShiftedLine(model.field, y, c0, c1, shift, field_line.data());
    field = field_line.data();
  }
  const float per_gain = 1.0F / gain;
  if (model.illumination == Illumination::kBacklit) {
    for (int k = 0; k < n; ++k) out[k] = 1.0F - light[code[k]] * per_gain * field[k];
  } else {
    for (int k = 0; k < n; ++k) out[k] = light[code[k]] * per_gain - field[k];
  }
}

template void SignalLine<std::uint8_t>(const ClipModel&, const RowsView&, int, int, int, float, cv::Point2f,
                                       std::vector<float>&, float*);
template void SignalLine<std::uint16_t>(const ClipModel&, const RowsView&, int, int, int, float, cv::Point2f,
                                        std::vector<float>&, float*);

void FilterLine(const float* in, int n, bool strong, float* out) {
  const auto at = [&](int i) { return in[std::clamp(i, 0, n - 1)]; };
  if (n < 6) {
    for (int i = 0; i < n; ++i) out[i] = 0.25F * at(i - 1) + 0.5F * at(i) + 0.25F * at(i + 1);
    return;
  }
  if (strong) {
    for (int i : {0, 1, n - 2, n - 1}) {
      out[i] = (at(i - 2) + at(i + 2)) / 16.0F + (at(i - 1) + at(i + 1)) / 4.0F + at(i) * 0.375F;
    }
    for (int i = 2; i < n - 2; ++i) {
      out[i] = (in[i - 2] + in[i + 2]) * 0.0625F + (in[i - 1] + in[i + 1]) * 0.25F + in[i] * 0.375F;
    }
  } else {
    out[0] = 0.25F * in[0] + 0.5F * in[0] + 0.25F * in[1];
    out[n - 1] = 0.25F * in[n - 2] + 0.75F * in[n - 1];
    for (int i = 1; i < n - 1; ++i) out[i] = 0.25F * (in[i - 1] + in[i + 1]) + 0.5F * in[i];
  }
}

}  // namespace conebook::vision

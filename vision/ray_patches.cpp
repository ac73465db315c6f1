#include "vision/ray_patches.h"

#include <algorithm>
#include <cmath>
#include <cstddef>
#include <utility>

namespace conebook::vision {
namespace {

double HalfWidth(const ClipModel& model, double dy, std::size_t side) {
  const double x = model.guess[side].X(dy);
  const double axis = model.AxisX(model.exit_px.y + dy);
  return std::max(2.0, side == 0 ? axis - x : x - axis);
}

bool InView(const ClipModel& model, int x0, int width_px) {
  return x0 >= 2 && x0 + width_px <= model.reading.width_px - 2;
}

int RowAt(const ClipModel& model, double z_px) {
  return static_cast<int>(std::lround(model.exit_px.y + z_px));
}

}  // namespace

double LastPatchRow(const ClipModel& model) {
  return model.reading.height_px - 3.0 - model.exit_px.y;
}

std::optional<RayPatch> PatchOnRay(const ClipModel& model, double z0_px, double z1_px, double part,
                                   int width_px) {
  RayPatch patch{RowAt(model, z0_px), width_px, {}, 0};
  const int row1 = RowAt(model, z1_px);
  for (int row = patch.row0; row < row1; ++row) {
    const double half = HalfWidth(model, row - model.exit_px.y, part < 0.0 ? 0 : 1);
    patch.x.push_back(static_cast<int>(std::lround(model.AxisX(row) + part * half - 0.5 * width_px)));
    if (!InView(model, patch.x.back(), width_px)) return std::nullopt;
  }
  return patch;
}

std::vector<RayPatch> PatchesAcross(const ClipModel& model, double z0_px, double z1_px, double inner_part,
                                    int width_px) {
  std::vector<RayPatch> patches;
  const double step = 2.0 * (width_px + 1.0) / (HalfWidth(model, z0_px, 0) + HalfWidth(model, z0_px, 1));
  int before = 0;
  for (double part = -inner_part; part <= inner_part; part += step) {
    std::optional<RayPatch> patch = PatchOnRay(model, z0_px, z1_px, part, width_px);
    if (patch) {
      patch->before = before;
      patches.push_back(std::move(*patch));
    }
    before = patch ? before + 1 : 0;
  }
  return patches;
}

std::vector<RayPatch> PatchesBeside(const ClipModel& model, double length_px, int width_px) {
  constexpr double kBeyond = 1.35, kLeastPx = 20.0;
  constexpr int kMostAStretch = 12;
  std::vector<RayPatch> patches;
  for (double z = 0.0; z + length_px <= LastPatchRow(model); z += length_px) {
    const double z1 = z + length_px;
    const int row0 = RowAt(model, z);
    const auto rows = static_cast<std::size_t>(RowAt(model, z1) - row0);
    for (const double side : {-1.0, 1.0}) {
      const double from = kBeyond * HalfWidth(model, z1, side < 0.0 ? 0 : 1) + kLeastPx;
      for (int k = 0; k < kMostAStretch; ++k) {
        const double centre = model.AxisX(model.exit_px.y + z1) + side * (from + k * (width_px + 1.0));
        const int x0 = static_cast<int>(std::lround(centre - 0.5 * width_px));
        if (!InView(model, x0, width_px)) break;
        patches.push_back({row0, width_px, std::vector<int>(rows, x0), k});
      }
    }
  }
  return patches;
}

}  // namespace conebook::vision

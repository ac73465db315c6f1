// Drop sizes from shadows: the published numbers of a blurred disc, and close-ups rendered with known drops.
#include <algorithm>
#include <cmath>
#include <numbers>
#include <string>
#include <vector>

#include <catch2/catch.hpp>
#include <opencv2/core.hpp>
#include <opencv2/imgcodecs.hpp>
#include <opencv2/imgproc.hpp>
#include <render/drop_field.h>

#include <vision/blurred_disc.h>
#include <vision/drop_finder.h>
#include <vision/drops.h>

using namespace conebook;

namespace {

struct Moments {
  double cubes = 0.0, squares = 0.0, count = 0.0;
  void Add(double d, double weight) {
    cubes += weight * d * d * d;
    squares += weight * d * d;
    count += weight;
  }
  double D32() const { return cubes / squares; }
};

struct Sized {
  vision::DropSizing sizing;
  std::vector<double> truth;
  double D32() const {
    Moments m;
    for (const vision::SizedDrop& drop : sizing.drops) m.Add(drop.diameter_px, drop.weight);
    return m.D32();
  }
  Moments True() const {
    Moments m;
    for (const double d : truth) {
      if (d >= sizing.cutoff_px) m.Add(d, 1.0);
    }
    return m;
  }
};

Sized Size(render::DropField field, std::uint64_t seed, int pictures) {
  const vision::BlurredDiscs discs;
  const vision::DropSizingOptions options;
  render::DropField clean = field;
  clean.noise = 0.0;
  Sized sized;
  std::vector<cv::Mat1f> shades;
  for (int k = 0; k < pictures; ++k) {
    std::vector<render::TrueDrop> drops;
    const cv::Mat1f light = render::RenderDrops(field, seed, k, drops);
    shades.emplace_back(1.0F - light / render::RenderNoDrops(clean, seed, k));
    for (const render::TrueDrop& drop : drops) sized.truth.push_back(drop.diameter_px);
  }
  const double opaque =
      vision::OpaqueShade({shades.begin(), shades.begin() + std::min<std::ptrdiff_t>(4, pictures)});
  std::vector<vision::FrameDrops> frames;
  for (const cv::Mat1f& shade : shades)
    frames.push_back(vision::FindDrops(shade, opaque, discs, options.finder));
  sized.sizing = vision::SizeDrops(frames, field.width_px, field.height_px, opaque, options);
  return sized;
}

render::DropField Field() {
  render::DropField field;
  field.width_px = field.height_px = 600;
  field.drops = 40.0;
  return field;
}

// An opaque disc cut from the plane, averaged over each pixel by fine sampling.
cv::Mat1f DrawDisc(double x0, double y0, double r, double blur_px) {
  constexpr int kFine = 10, kSide = 64;
  cv::Mat1f fine(kSide * kFine, kSide * kFine);
  for (int y = 0; y < fine.rows; ++y) {
    for (int x = 0; x < fine.cols; ++x) {
      fine(y, x) = std::hypot((x + 0.5) / kFine - 0.5 - x0, (y + 0.5) / kFine - 0.5 - y0) <= r ? 1.0F : 0.0F;
    }
  }
  if (blur_px > 0.0) cv::GaussianBlur(fine, fine, cv::Size(), blur_px * kFine, blur_px * kFine);
  cv::Mat1f disc;
  cv::resize(fine, disc, cv::Size(kSide, kSide), 0.0, 0.0, cv::INTER_AREA);
  return disc;
}

}  // namespace

// Half-level contour of a blurred opaque disc, from the non-central chi-square distribution (calculated; the
// values to six digits were had from a general statistics library).
TEST_CASE("the contour of one half shrinks with blur as the non-central chi-square says", "[vision][drops]") {
  const vision::BlurredDiscs discs;
  struct Row {
    double blur, middle, contour;
  };
  for (const Row& row :
       {Row{0.1, 1.00000, 0.994979}, Row{0.2, 0.999996, 0.979653}, Row{0.3, 0.996134, 0.953150},
        Row{0.4, 0.956063, 0.913638}, Row{0.5, 0.864665, 0.857148}, Row{0.6, 0.750648, 0.774069}}) {
    INFO("s / R " << row.blur);
    CHECK(vision::ShadeOfDisc(0.0, row.blur) == Approx(row.middle).margin(2e-6));
    CHECK(discs.ContourPart(row.blur) == Approx(row.contour).margin(2e-6));
    CHECK(vision::ShadeOfDisc(row.contour, row.blur) == Approx(0.5).margin(2e-6));
  }
  CHECK_FALSE(discs.BlurOfRadius(3.0));
}

TEST_CASE("an area within a contour is the disc's, wherever it lies between the pixels", "[vision][drops]") {
  for (const double r : {2.5, 5.0, 10.0, 20.0}) {
    for (const double at : {30.0, 30.3, 30.5}) {
      const cv::Mat1f disc = DrawDisc(at, at + 0.2, r, 0.0);
      INFO("r " << r << " at " << at);
      // Averages over pixels and straight lines between them blur by about half a pixel (variances 1/12 and
      // 1/6), which takes its square over r^2 of the area, and a little more of a small disc.
      CHECK(vision::AreaWithin(disc, 0.5) ==
            Approx(std::numbers::pi * r * r).epsilon(0.002 + 0.36 / (r * r)));
    }
  }
}

TEST_CASE("blurred and hollow discs give back their diameter and their blur", "[vision][drops]") {
  const vision::BlurredDiscs discs;
  for (const double r : {2.5, 4.0, 8.0, 15.0}) {
    for (const double blur : {0.15, 0.3, 0.5}) {
      for (const double glare : {0.0, 0.35}) {
        // A bright spot that shines through the blur leaves no dark ring on a small drop.
        if (glare > 0.0 && blur > 0.2) continue;
        cv::Mat1f disc = DrawDisc(31.4, 32.1, r, blur * r);
        if (glare > 0.0) disc -= DrawDisc(31.4, 32.1, glare * r, blur * r);
        const vision::FrameDrops found = vision::FindDrops(disc, 1.0, discs, {});
        INFO("r " << r << ", s / R " << blur << ", glare " << glare);
        REQUIRE(found.drops.size() == 1);
        CHECK(found.drops[0].diameter_px == Approx(2.0 * r).epsilon(0.015));
        if (glare > 0.0) continue;
        CHECK(found.drops[0].blur_px == Approx(std::hypot(blur * r, 0.5)).epsilon(0.08));
        CHECK(found.drops[0].x_px == Approx(31.4).margin(0.02));
        CHECK(found.drops[0].y_px == Approx(32.1).margin(0.02));
      }
    }
  }
}

TEST_CASE("light that breaks into a drop's rim makes it neither softer nor larger", "[vision][drops]") {
  const vision::BlurredDiscs discs;
  constexpr double kR = 15.0, kBlurPx = 0.8;
  cv::Mat1f disc = DrawDisc(31.4, 32.1, kR, kBlurPx);
  // Shade of 0.6 in two patches across the rim: within one half, not within 0.7.
  for (const double side : {-1.0, 1.0}) {
    const cv::Mat1f patch = DrawDisc(31.4 + side * 0.8 * kR, 32.1, 0.4 * kR, kBlurPx);
    disc -= 0.4 * patch.mul(disc);
  }
  const vision::FrameDrops found = vision::FindDrops(disc, 1.0, discs, {});
  REQUIRE(found.drops.size() == 1);
  // Blur of the drawing with that of pixels; contours cross the patches' rims a fifth of a pixel farther in.
  CHECK(found.drops[0].blur_px == Approx(std::hypot(kBlurPx, 0.5)).epsilon(0.15));
  CHECK(found.drops[0].diameter_px == Approx(2.0 * kR).epsilon(0.015));
}

TEST_CASE("two drops that overlap are taken apart, and neither is a drop of both areas", "[vision][drops]") {
  const vision::BlurredDiscs discs;
  const cv::Mat1f a = DrawDisc(24.0, 30.0, 8.0, 0.6);
  const cv::Mat1f b = DrawDisc(36.0, 33.0, 6.0, 0.6);
  const cv::Mat1f both(1.0F - (1.0F - a).mul(1.0F - b));
  vision::FrameDrops found = vision::FindDrops(both, 1.0, discs, {});
  REQUIRE(found.drops.size() == 2);
  std::sort(found.drops.begin(), found.drops.end(),
            [](const auto& x, const auto& y) { return x.diameter_px > y.diameter_px; });
  CHECK(found.drops[0].diameter_px == Approx(16.0).epsilon(0.03));
  CHECK(found.drops[1].diameter_px == Approx(12.0).epsilon(0.03));
  CHECK(found.drops[0].from_crowd);
}

TEST_CASE("D32 of the drops above the cut-off is that of the population, whatever it is made of",
          "[vision][drops]") {
  struct Case {
    const char* name;
    render::DropField field;
  };
  std::vector<Case> cases(6, {"log-normal", Field()});
  cases[1].name = "all alike";
  cases[1].field.sigma_ln = 0.0;
  cases[1].field.median_px = 9.0;
  cases[2].name = "two populations";
  cases[2].field.sigma_ln = 0.1;
  cases[2].field.second_median_px = 25.0;
  cases[2].field.drops = 15.0;
  cases[3].name = "bright spots and a veil of light";
  cases[3].field.glare = 0.3;
  cases[3].field.veil = 0.25;
  cases[4].name = "crowded";
  cases[4].field.drops = 140.0;
  cases[5].name = "smeared by a third of the median";
  cases[5].field.smear_px = 4.0;
  std::uint64_t seed = 501;
  for (const Case& c : cases) {
    const Sized sized = Size(c.field, seed++, 16);
    const Moments truth = sized.True();
    INFO(c.name << ": " << sized.sizing.drops.size() << " drops, true " << truth.count);
    CHECK(sized.sizing.verdict == vision::DropVerdict::kResolved);
    // Some hundred drops: their own scatter, not the reading, is what 5 % leave room for. The true drops are
    // the same ones, so most of it is shared.
    CHECK(sized.D32() == Approx(truth.D32()).epsilon(0.05));
  }
}

TEST_CASE("drops out of focus do not favour the large ones", "[vision][drops]") {
  render::DropField field = Field();
  field.most_blur_px = 4.0;
  const Sized sized = Size(field, 611, 60);
  const Moments truth = sized.True();
  // Within the depth that the limit allows there are as many in a thousand of each size: shares agree.
  CHECK(sized.sizing.out_of_focus > 300);
  CHECK(sized.D32() == Approx(truth.D32()).epsilon(0.08));
}

TEST_CASE("drops of four pixels are sized in part, of three not at all", "[vision][drops]") {
  render::DropField field = Field();
  field.drops = 100.0;
  field.sigma_ln = 0.06;
  field.median_px = 4.4;
  field.focus_px = 0.4;
  field.most_blur_px = 0.3;
  const Sized some = Size(field, 701, 8);
  CHECK(some.sizing.verdict == vision::DropVerdict::kPartly);
  CHECK_FALSE(some.sizing.why.empty());
  field.median_px = 3.0;
  field.least_px = 1.0;
  const Sized none = Size(field, 702, 8);
  CHECK(none.sizing.verdict == vision::DropVerdict::kNotResolvable);
  CHECK_FALSE(none.sizing.why.empty());
}

TEST_CASE("where every drop is soft the smallest that can be sized is larger, and the rest is still right",
          "[vision][drops]") {
  render::DropField field = Field();
  field.focus_px = 2.0;
  field.median_px = 20.0;
  const Sized sized = Size(field, 801, 30);
  CHECK(sized.sizing.cutoff_px > 9.0);
  CHECK(sized.D32() == Approx(sized.True().D32()).epsilon(0.05));
}

TEST_CASE("travel during the exposure is seen and raises the cut-off", "[vision][drops]") {
  render::DropField field = Field();
  field.smear_px = 6.0;
  field.median_px = 18.0;
  const Sized smeared = Size(field, 901, 16);
  CHECK(smeared.sizing.smear_px == Approx(6.0).epsilon(0.5));
  field.smear_px = 0.0;
  const Sized still = Size(field, 901, 16);
  CHECK(still.sizing.smear_px < 0.6);
  CHECK(smeared.sizing.cutoff_px > still.sizing.cutoff_px);
}

TEST_CASE("an empty or noisy picture has no drops", "[vision][drops]") {
  render::DropField field = Field();
  field.drops = 0.0;
  field.noise = 0.02;
  const Sized none = Size(field, 1001, 4);
  CHECK(none.sizing.drops.empty());
  CHECK(none.sizing.verdict == vision::DropVerdict::kNotResolvable);
}

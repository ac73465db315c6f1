// From signal to stored pixels: light field, nozzle, shake, flicker, mist, drops on the window, noise, and
// the camera's coding. Linear light inside.
#pragma once

#include <utility>
#include <vector>

#include "render/film.h"
#include "render/scene.h"
#include "render/video_writer.h"

namespace conebook::render {

// ITU-R BT.709 opto-electronic transfer, 0..1 to 0..1.
double Bt709(double linear);

class Recorder {
 public:
  Recorder(const Scene& scene, const Camera& camera);
  Pixel Shake(double time_s) const;
  // Of nozzle and spray: the shake, and how far the nozzle gave way.
  Pixel NozzleShift(double time_s) const;
  // `signal` with the nozzle's shift already in it; the frame comes out turned as stored.
  StoredFrame Record(const FloatImage& signal, double time_s, int index) const;

 private:
  double Pattern(double x, double y) const;
  void Compose(const FloatImage& signal, double time_s, std::vector<float>& image) const;
  void AddWetFace(std::vector<float>& image, double time_s) const;
  void AddEdgeDrops(const Camera& camera);
  void AddWindow(std::vector<float>& image, double time_s) const;
  void AddHaze(std::vector<float>& image, double time_s) const;
  void AddWalker(std::vector<float>& image, double time_s) const;
  void AddMoving(std::vector<float>& image, const FloatImage& signal, double time_s) const;

  const Scene& scene_;
  int margin_ = 24;
  // Wider than the picture by the margin, for the shake. `light_`: past the body, but for a nozzle that gives
  // way, which leaves the field behind it where it was.
  FloatImage light_, body_, open_;
  Pixel exit_, along_;
  double diameter_px_ = 0.0;
  FloatImage vignette_;
  std::vector<float> noise_, coded_;
  struct Wave {
    double x, y, phase, share;
  };
  std::vector<Wave> pattern_, mist_;
  std::vector<std::pair<double, double>> moving_;  // [wave][column] cosine and sine
  struct Bar {
    double x, y, width, height, level;
  };
  std::vector<Bar> bars_;
  struct Speck {
    double x, y, radius, from_s;
  };
  std::vector<Speck> specks_;
  struct Swing {
    double hz, x, y, phase_x, phase_y;
  };
  std::vector<Swing> swings_;
};

}  // namespace conebook::render

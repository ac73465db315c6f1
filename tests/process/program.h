// Runs the program as a process, in a folder of its own, and tells exit status and both outputs.
#pragma once

#include <algorithm>
#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <random>
#include <sstream>
#include <string>

#include <opencv2/core.hpp>
#include <opencv2/imgcodecs.hpp>
#include <opencv2/imgproc.hpp>
#include <sys/wait.h>
#include <unistd.h>

namespace conebook::tests {

namespace fs = std::filesystem;

struct Outcome {
  int exit = -1;
  std::string out, err;
  long ErrorLines() const { return std::count(err.begin(), err.end(), '\n'); }
};

inline std::string TextOf(const fs::path& path) {
  std::ostringstream text;
  text << std::ifstream(path, std::ios::binary).rdbuf();
  return text.str();
}

class Folder {
 public:
  explicit Folder(const std::string& name)
      : path_(fs::temp_directory_path() / ("conebook_process_" + std::to_string(getpid())) / name) {
    fs::remove_all(path_);
    fs::create_directories(path_);
  }
  ~Folder() {
    std::error_code error;
    fs::remove_all(path_, error);
  }
  Folder(const Folder&) = delete;
  Folder& operator=(const Folder&) = delete;

  fs::path operator/(const std::string& name) const { return path_ / name; }
  std::string Write(const std::string& name, const std::string& text) const {
    fs::create_directories((path_ / name).parent_path());
    std::ofstream(path_ / name, std::ios::binary) << text;
    return name;
  }
  std::string Read(const std::string& name) const { return TextOf(path_ / name); }
  bool Has(const std::string& name) const { return fs::exists(path_ / name); }
  std::size_t Entries() const {
    return static_cast<std::size_t>(std::distance(fs::directory_iterator(path_), fs::directory_iterator()));
  }

  // arguments as a shell would take them; the working directory is this folder.
  Outcome Run(const std::string& arguments) const {
    return Shell(std::string(CONEBOOK_BINARY) + " " + arguments);
  }
  Outcome Shell(const std::string& command) const {
    const fs::path logs = fs::temp_directory_path() / ("conebook_process_" + std::to_string(getpid()));
    const std::string out = (logs / "stdout").string(), err = (logs / "stderr").string();
    const std::string line =
        "cd '" + path_.string() + "' && { " + command + "; } >" + out + " 2>" + err + " </dev/null";
    const int status = std::system(line.c_str());
    return {WIFEXITED(status) ? WEXITSTATUS(status) : -1, TextOf(out), TextOf(err)};
  }

 private:
  fs::path path_;
};

inline const std::string kRig =
    "[element]\nid = \"A07\"\n[nozzle]\nexit_diameter_mm = 2.0\n[stand]\nliquid = \"water\"\ntemperature_c = "
    "20.0\n"
    "rated_bar = 16.0\n";

// Three pressure points, flow of Cd 0.25 on 2 mm: 0.0111 kg/s per root bar (computed by hand from Cd A sqrt(2
// rho dp)).
inline std::string LogText(double offset_s = 0.0) {
  std::ostringstream text;
  text << "time_s,pressure_bar,flow_kg_s\n";
  std::mt19937 random(5);
  std::normal_distribution<double> noise(0.0, 0.005);
  for (int i = 0; i < 700; ++i) {
    const double t = 0.01 * i;
    const double level = t < 1.0 ? 0.0 : t < 2.6 ? 2.0 : t < 4.2 ? 5.0 : t < 5.8 ? 9.0 : 0.0;
    text << t + offset_s << "," << level + noise(random) << "," << 0.011097 * std::sqrt(level) << "\n";
  }
  return text.str();
}

// A folder of frames: a bright field, dark nozzle body, and from frame `start` on a drawn hollow cone with
// dark rims and a flickering film, apart into specks below `breakup_px`.
struct DrawnSpray {
  int frames = 60, start = 8, width = 320, height = 240;
  double half_angle_deg = 30.0;
  double breakup_px = 130.0;
};

inline void DrawFrames(const fs::path& folder, const DrawnSpray& spray) {
  fs::create_directories(folder);
  std::mt19937 random(7);
  std::normal_distribution<double> gauss(0.0, 1.0);
  const double exit_x = 160.0, exit_y = 30.0, r0 = 8.0;
  const double slope = std::tan(spray.half_angle_deg * 3.14159265358979 / 180.0);
  for (int k = 0; k < spray.frames; ++k) {
    cv::Mat picture(spray.height, spray.width, CV_64F, cv::Scalar(200.0));
    cv::rectangle(picture, {130, 0}, {190, 29}, cv::Scalar(25.0), cv::FILLED);
    if (k >= spray.start) {
      const double end = exit_y + spray.breakup_px * (1.0 + 0.03 * gauss(random));
      const double phase = 0.9 * k;
      for (int y = 30; y < spray.height; ++y) {
        const double z = y - exit_y;
        const double wave = 1.0 * z / 100.0 * std::sin(0.35 * z - phase);
        const double half = std::sqrt(r0 * r0 + z * z * slope * slope) + wave;
        for (int x = 0; x < spray.width; ++x) {
          const double from_axis = std::abs(x - exit_x);
          if (from_axis > half + 2.0) continue;
          if (y > end) {
            if (random() % 23 == 0) picture.at<double>(y, x) = 90.0;
            continue;
          }
          const double inside = half - from_axis;
          const double rim = std::exp(-0.5 * std::pow((inside - 2.0) / 2.0, 2));
          const double film = inside > 0.0 ? 0.18 : 0.0;
          picture.at<double>(y, x) *= 1.0 - 0.6 * rim - film * (1.0 + 0.15 * gauss(random));
        }
      }
    }
    cv::Mat noise(picture.size(), CV_64F);
    for (int y = 0; y < picture.rows; ++y) {
      for (int x = 0; x < picture.cols; ++x) noise.at<double>(y, x) = gauss(random);
    }
    picture += noise;
    cv::Mat smooth, bytes;
    cv::GaussianBlur(picture, smooth, {}, 0.8);
    smooth.convertTo(bytes, CV_8U);
    char name[32];
    std::snprintf(name, sizeof name, "f%04d.png", k);
    cv::imwrite((folder / name).string(), bytes);
  }
}

}  // namespace conebook::tests

#include "src/report/motion_section.h"

#include <cmath>
#include <optional>
#include <utility>
#include <variant>
#include <vector>

#include <fmt/format.h>
#include <opencv2/imgcodecs.hpp>
#include <opencv2/imgproc.hpp>

#include <calib/spectrum.h>
#include <vision/swing.h>

#include "src/report/chart.h"
#include "src/report/digits.h"
#include "src/report/html.h"
#include "src/report/point_table.h"

namespace conebook::src {
namespace {

constexpr std::size_t kMostPictures = 3;
constexpr int kQuality = 85;

std::string WavesPicture(const vision::EdgeWaves& waves) {
  // Frames are few or thousands, rows some hundreds: each axis to its own scale.
  constexpr int kWidthPx = 640, kHeightPx = 320;
  cv::Mat shown;
  cv::resize(waves.picture, shown, cv::Size(kWidthPx, kHeightPx), 0.0, 0.0,
             waves.picture.cols > kWidthPx ? cv::INTER_AREA : cv::INTER_LINEAR);
  std::vector<unsigned char> bytes;
  cv::imencode(".jpg", shown, bytes, {cv::IMWRITE_JPEG_QUALITY, kQuality});
  const std::string words = fmt::format(
      "The spray's edges over {:.3g} s, from {:.1f} to {:.1f} mm below the exit: left edge above, right "
      "edge below.",
      waves.picture_s, waves.from_mm, waves.to_mm);
  return fmt::format(
      "<figure class=\"small\"><div class=\"picture\" style=\"aspect-ratio:{}/{}\"><img alt=\"{}\" "
      "src=\"data:image/jpeg;base64,{}\"></div><figcaption>Edges over time: {:.3g} s to the right, {:.1f} to "
      "{:.1f} mm "
      "below the exit downwards, left edge above and right edge below; light where the edge stands farther "
      "out than usual. Waves that run downstream draw stripes that fall to the right, steeper where they are "
      "faster; swings of the whole cone are taken out.</figcaption></figure>",
      shown.cols, shown.rows, EscapeHtml(words), Base64(bytes), waves.picture_s, waves.from_mm, waves.to_mm);
}

std::string WavesText(const Point& point) {
  const vision::EdgeWaves& waves = *point.spray.waves;
  std::string out = fmt::format(
      "<p>Waves on the sheet are {} mm long and move the edge by {:.2g} mm rms at its lower "
      "end",
      ValueWithU(waves.wavelength_mm), waves.rms_mm);
  if (waves.speed_m_s) {
    out += fmt::format("; they run down the axis at {} m/s", ValueWithU(*waves.speed_m_s));
    if (point.wave_speed_part)
      out += fmt::format(", along the sheet at {} of the liquid's speed without loss, √(2 Δp / ρ)",
                         ValueWithU(*point.wave_speed_part));
    out += ".</p>";
  } else {
    out += fmt::format(". Their speed is not known: {}.</p>", EscapeHtml(waves.no_speed));
  }
  return out;
}

std::optional<Chart> SpectrumChart(const vision::SprayPoint& spray) {
  if (!spray.steadiness) return std::nullopt;
  const auto outcome = calib::Analyse(vision::HalfAngleSeries(spray.series));
  const auto* spectrum = std::get_if<calib::Spectrum>(&outcome);
  if (spectrum == nullptr || spectrum->hz.size() < 4) return std::nullopt;
  ChartData data;
  data.key = "spectrum";
  data.x_title = "frequency, Hz";
  data.y_title = "half angle, °/√Hz";
  data.from_zero = true;
  Series measured, background;
  measured.name = "half angle";
  measured.look = Look::kTrace;
  background.name = "background, as modelled";
  background.look = Look::kCurve;
  background.hue = 0;
  const auto rounded = [](double value) { return std::round(1e5 * value) / 1e5; };
  for (std::size_t k = 0; k < spectrum->hz.size(); ++k) {
    measured.x.push_back(rounded(spectrum->hz[k]));
    measured.y.push_back(rounded(std::sqrt(spectrum->density[k])));
    background.x.push_back(measured.x.back());
    background.y.push_back(rounded(std::sqrt(spectrum->background[k])));
  }
  data.series = {std::move(measured), std::move(background)};
  Chart chart;
  chart.key = data.key;
  chart.title = "Spectrum of the half angle";
  chart.words = fmt::format("Spectrum of the half angle up to {:.4g} Hz. ", spectrum->nyquist_hz);
  chart.words += spray.pulsation ? fmt::format("It swings at {:.4g} Hz.", spray.pulsation->hz)
                                 : std::string("No swing stands out.");
  chart.note =
      "A narrow peak well above the dashed background is a swing at that rate; a broad hump is not. Swings "
      "faster than the right end show folded back into it.";
  chart.json = ChartJson(data);
  return chart;
}

}  // namespace

std::string MotionHtml(const Run& run) {
  std::string out;
  std::size_t pictures = 0;
  for (std::size_t k = 0; k < run.points.size(); ++k) {
    const Point& point = run.points[k];
    std::string body, drawn;
    if (point.spray.waves) {
      body += WavesText(point);
      // Where frames lie too far apart for a speed the stripes are an accident of the frame rate.
      if (point.spray.waves->speed_m_s && !point.spray.waves->picture.empty() && pictures < kMostPictures)
        drawn += WavesPicture(*point.spray.waves);
    }
    if (pictures < kMostPictures) {
      if (const auto chart = SpectrumChart(point.spray)) drawn += ChartHtml(*chart);
    }
    if (body.empty() && drawn.empty()) continue;
    ++pictures;
    if (run.points.size() > 1) out += "<h3>" + EscapeHtml(PointInWords(run, static_cast<int>(k))) + "</h3>";
    out += body;
    if (!drawn.empty()) out += "<div class=\"charts\">" + drawn + "</div>";
  }
  return out.empty() ? "" : "<section><h2>Waves and swings</h2>" + out + "</section>";
}

}  // namespace conebook::src

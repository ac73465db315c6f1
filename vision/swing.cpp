#include "vision/swing.h"

#include <variant>

#include <fmt/format.h>

namespace conebook::vision {

calib::Series HalfAngleSeries(const std::vector<FrameAngle>& frames) {
  calib::Series series;
  for (const FrameAngle& frame : frames) {
    if (!series.t_s.empty() && !(frame.t_s > series.t_s.back())) continue;
    series.t_s.push_back(frame.t_s);
    series.value.push_back(0.5 *
                           (static_cast<double>(frame.left_deg) + static_cast<double>(frame.right_deg)));
  }
  return series;
}

HalfAngleSwing FindSwing(const std::vector<FrameAngle>& frames, bool pace_known) {
  HalfAngleSwing swing;
  if (!pace_known) {
    swing.words = "the clip's times are not the camera's, so no rate can be told";
    return swing;
  }
  const auto outcome = calib::Analyse(HalfAngleSeries(frames));
  if (const auto* why = std::get_if<calib::NoSpectrum>(&outcome)) {
    swing.words = std::string("no swing of the half angle was looked for: ") + calib::ReasonOf(*why);
    return swing;
  }
  const auto& spectrum = std::get<calib::Spectrum>(outcome);
  swing.steadiness = Steadiness{spectrum.standard_deviation, spectrum.autocorrelation_time_s,
                                spectrum.detectable_amplitude, spectrum.nyquist_hz};
  if (!spectrum.significant) {
    swing.words = fmt::format(
        "no swing of the half angle stands out from {:.3g} to {:.3g} Hz; one of {:.2g} deg would be found "
        "nine "
        "times in ten",
        spectrum.lowest_hz, spectrum.nyquist_hz, spectrum.detectable_amplitude);
    return swing;
  }
  const calib::Line& line = spectrum.strongest;
  swing.pulsation = Pulsation{line.hz, line.amplitude, line.u_amplitude};
  const std::vector<double> aliases = calib::AliasesHz(line.hz, spectrum.rate_hz, 2.5 * spectrum.rate_hz);
  std::string others;
  for (std::size_t k = 1; k < aliases.size() && k < 4; ++k)
    others += fmt::format("{}{:.4g}", k == 1 ? "" : ", ", aliases[k]);
  swing.words = fmt::format(
      "the half angle swings at {:.4g} Hz (u {:.2g}) by {:.2g} deg to either side; at {:.4g} frames a second "
      "a "
      "swing at {} Hz would look the same",
      line.hz, line.u_hz, line.amplitude, spectrum.rate_hz, others);
  swing.advice = "film at another frame rate to tell which; look at pump, regulator and feed line";
  return swing;
}

}  // namespace conebook::vision

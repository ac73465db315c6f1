#include "src/views.h"

#include <algorithm>
#include <cmath>
#include <numbers>

#include <fmt/format.h>

namespace conebook::src {
namespace {

constexpr double kSamePressure = 0.03;

// What an angle's u owes to frames and clip: rig and model errors are the same in every view.
double OwnU(const calib::Quantity& quantity) {
  double squares = 0.0;
  for (const calib::Contribution& c : quantity.budget) {
    if (c.shared == calib::Shared::kFrames || c.shared == calib::Shared::kClip) squares += c.u * c.u;
  }
  return quantity.budget.empty() ? quantity.u : std::sqrt(squares);
}

struct Seen {
  const Run* run;
  const Point* point;
};

std::vector<std::vector<Seen>> Groups(const std::vector<const Run*>& runs) {
  std::vector<std::vector<Seen>> groups;
  for (const Run* run : runs) {
    for (const Point& point : run->points) {
      if (!point.spray.half_angle) continue;
      const auto same = [&](const std::vector<Seen>& group) {
        const Point& first = *group.front().point;
        for (const Seen& seen : group)
          if (seen.run == run) return false;
        if (!point.pressure_bar || !first.pressure_bar) return !point.pressure_bar && !first.pressure_bar;
        return std::abs(point.pressure_bar->value - first.pressure_bar->value) <=
               kSamePressure * first.pressure_bar->value;
      };
      const auto found = std::find_if(groups.begin(), groups.end(), same);
      if (found == groups.end()) {
        groups.push_back({{run, &point}});
      } else {
        found->push_back({run, &point});
      }
    }
  }
  std::erase_if(groups, [](const auto& group) { return group.size() < 2; });
  std::stable_sort(groups.begin(), groups.end(), [](const auto& a, const auto& b) {
    const auto& pa = a.front().point->pressure_bar;
    const auto& pb = b.front().point->pressure_bar;
    return (pa ? pa->value : 0.0) < (pb ? pb->value : 0.0);
  });
  return groups;
}

void Around(ElementViews& views, const std::vector<Seen>& group) {
  // A lean and a holder fitted to three views make their sides equal: what is left to see is the views'
  // means.
  double mean = 0.0;
  double own = 0.0;
  const auto n = static_cast<double>(group.size());
  for (const Seen& seen : group) {
    mean += seen.point->spray.half_angle->mean_deg.value / n;
    own += std::pow(OwnU(seen.point->spray.half_angle->mean_deg), 2) / n;
    const vision::HalfAngle& angles = *seen.point->spray.half_angle;
    const double rotation = seen.run->view_rotation_deg->value;
    const double turn = (rotation + views.lean->direction_deg) * std::numbers::pi / 180.0;
    const double lean = views.lean->holder_deg.value - views.lean->size_deg.value * std::sin(turn);
    for (const bool right : {true, false}) {
      const calib::Quantity& side = right ? angles.right_deg : angles.left_deg;
      const double free = side.value - (right ? lean : -lean);
      views.around.push_back({calib::AzimuthOfSideDeg(rotation, right), free, OwnU(side)});
    }
  }
  double squares = 0.0;
  for (const Seen& seen : group) squares += std::pow(seen.point->spray.half_angle->mean_deg.value - mean, 2);
  views.spread_deg = std::sqrt(std::max(0.0, squares / (n - 1.0) - own));
  std::sort(views.around.begin(), views.around.end(),
            [](const SideAround& a, const SideAround& b) { return a.azimuth_deg < b.azimuth_deg; });
}

// Views of other widths are laid over each other as parts of their own half width.
void MapAround(ElementViews& views, const std::vector<Seen>& group) {
  constexpr double kMiddleDeg = 0.1;  // as vision/evenness_reader.h takes it
  constexpr double kRad = std::numbers::pi / 180.0;
  std::vector<calib::AcrossView> across;
  for (const Seen& seen : group) {
    const auto& evenness = seen.point->spray.evenness;
    if (!evenness) continue;
    const double half = std::tan(seen.point->spray.half_angle->mean_deg.value * kRad);
    calib::AcrossView& view = across.emplace_back();
    view.rotation_deg = seen.run->view_rotation_deg->value;
    for (const double angle : evenness->angle_deg) view.part.push_back(std::tan(angle * kRad) / half);
    view.absorbance = evenness->absorbance;
    view.u_absorbance = evenness->u_absorbance;
    view.u_middle = std::tan(kMiddleDeg * kRad) / half;
  }
  if (across.empty()) return;
  calib::CircumferentialResult result = calib::FitCircumferential(across);
  views.map = std::move(result.map);
  views.no_map = std::move(result.why);
}

// "1 + 0.21 (u 0.03) towards 40 deg (u 6)", by harmonic.
std::string MapInWords(const ElementViews& views) {
  if (!views.map) return fmt::format("no map around the cone: {}", views.no_map);
  const calib::Circumferential& map = *views.map;
  std::string text = fmt::format("extinction around the cone uneven by {:.1f} % (noise alone {:.1f} %)",
                                 100.0 * map.unevenness, 100.0 * map.by_noise);
  std::string untold;
  for (const calib::Harmonic& harmonic : map.harmonics) {
    if (!harmonic.told) untold += fmt::format("{}{}", untold.empty() ? "" : ", ", harmonic.order);
    if (!harmonic.told || !harmonic.u_direction_deg) continue;
    text += fmt::format("; {} a turn: {:.1f} % (u {:.1f}), most at {:.0f} deg (u {:.0f})",
                        harmonic.order == 1 ? std::string("once") : fmt::format("{} times", harmonic.order),
                        100.0 * harmonic.amplitude, 100.0 * harmonic.u, harmonic.direction_deg,
                        *harmonic.u_direction_deg);
  }
  if (!untold.empty()) text += fmt::format("; not told by these rotations: {} a turn", untold);
  return text;
}

ElementViews Together(const std::vector<Seen>& group) {
  ElementViews views;
  views.element = group.front().run->element;
  std::vector<calib::LeanView> leans;
  double pressure = 0.0;
  for (const Seen& seen : group) {
    const calib::Stated& rotation = *seen.run->view_rotation_deg;
    const calib::Quantity& lean = seen.point->spray.half_angle->lean_deg;
    views.rotation_deg.push_back(rotation.value);
    views.lean_deg.push_back(lean.value);
    views.u_lean_deg.push_back(OwnU(lean));
    leans.push_back({rotation.value, rotation.u, lean.value, OwnU(lean)});
    if (seen.point->pressure_bar)
      pressure += seen.point->pressure_bar->value / static_cast<double>(group.size());
  }
  if (group.front().point->pressure_bar) views.pressure_bar = pressure;
  MapAround(views, group);
  const calib::ElementLeanResult fit = calib::FitElementLean(leans);
  if (fit.lean) {
    views.lean = fit.lean;
    Around(views, group);
  } else {
    views.flags.push_back({"holder_not_separated", calib::Severity::kInfo, std::nullopt, std::nullopt,
                           fmt::format("{}: each view's lean is given as it is", fit.none.reason),
                           "film the element at three rotations, such as 0, 120 and 240 deg"});
  }
  return views;
}

}  // namespace

std::vector<ElementViews> ViewsOf(const std::vector<const Run*>& runs) {
  std::vector<ElementViews> all;
  std::vector<std::string> done;
  for (const Run* first : runs) {
    if (std::find(done.begin(), done.end(), first->element) != done.end()) continue;
    done.push_back(first->element);
    std::vector<const Run*> of_element;
    for (const Run* run : runs) {
      if (run->element == first->element && run->view_rotation_deg) of_element.push_back(run);
    }
    if (of_element.size() < 2) continue;
    for (const auto& group : Groups(of_element)) all.push_back(Together(group));
  }
  return all;
}

std::string InWords(const ElementViews& views) {
  const std::string map = views.map || !views.no_map.empty() ? "; " + MapInWords(views) : "";
  std::string at = views.element;
  if (views.pressure_bar) at += fmt::format(" at {:.2f} bar", *views.pressure_bar);
  if (!views.lean) {
    std::string text = at + ": lean ";
    for (std::size_t i = 0; i < views.lean_deg.size(); ++i) {
      text += fmt::format("{}{:+.2f} deg (u {:.2f}) at rotation {:g} deg", i == 0 ? "" : ", ",
                          views.lean_deg[i], views.u_lean_deg[i], views.rotation_deg[i]);
    }
    return text + "; " + views.flags.front().message + map;
  }
  const calib::ElementLean& lean = *views.lean;
  const std::string where = lean.u_direction_deg < 90.0
                                ? fmt::format("towards {:.0f} deg (u {:.0f}) from the datum mark",
                                              lean.direction_deg, lean.u_direction_deg)
                                : std::string("in no sure direction");
  return fmt::format(
             "{}: the spray leans by {:.2f} deg (u {:.2f}) {}; holder and camera roll {:+.2f} deg (u "
             "{:.2f}); "
             "half angle around the cone scatters by {:.2f} deg",
             at, lean.size_deg.value, lean.size_deg.u, where, lean.holder_deg.value, lean.holder_deg.u,
             views.spread_deg.value_or(0.0)) +
         map;
}

}  // namespace conebook::src

#include "calib/circumferential.h"

#include <algorithm>
#include <cmath>
#include <numbers>
#include <stdexcept>
#include <variant>

#include <Eigen/Dense>

#include "calib/abel.h"
#include "calib/element_lean.h"

namespace conebook::calib {
namespace {

constexpr double kRad = std::numbers::pi / 180.0;

double LinearAt(const std::vector<double>& at, const std::vector<double>& value, double x) {
  const auto above = std::lower_bound(at.begin(), at.end(), x);
  if (above == at.begin()) return value.front();
  if (above == at.end()) return value.back();
  const auto k = static_cast<std::size_t>(above - at.begin());
  const double t = (x - at[k - 1]) / (at[k] - at[k - 1]);
  return value[k - 1] + t * (value[k] - value[k - 1]);
}

// A view on the common cells, its integral one.
struct Row {
  double right_rad = 0.0, u_middle = 0.0, u_slope = 0.0;
  std::vector<double> p, u;
};

std::vector<double> Places(int cells, double reach) {
  std::vector<double> x;
  for (int j = 0; j < cells; ++j) x.push_back(((j + 0.5) / cells * 2.0 - 1.0) * reach);
  return x;
}

std::vector<Row> OnCells(std::span<const AcrossView> views, const std::vector<double>& x) {
  std::vector<Row> rows;
  for (const AcrossView& view : views) {
    Row row;
    row.right_rad = AzimuthOfSideDeg(view.rotation_deg, true) * kRad;
    row.u_middle = view.u_middle;
    double sum = 0.0;
    for (const double at : x) {
      row.p.push_back(LinearAt(view.part, view.absorbance, at));
      row.u.push_back(LinearAt(view.part, view.u_absorbance, at));
      sum += row.p.back();
    }
    if (!(sum > 0.0)) return {};
    const double scale = static_cast<double>(x.size()) / sum;
    for (double& p : row.p) p *= scale;
    for (double& u : row.u) u *= scale;
    // Blocks that happen to agree in one cell do not make it better known than the others.
    std::vector<double> sorted = row.u;
    std::nth_element(sorted.begin(), sorted.begin() + static_cast<std::ptrdiff_t>(sorted.size() / 2),
                     sorted.end());
    const double usual = sorted[sorted.size() / 2];
    for (double& u : row.u) u = std::max({u, 0.5 * usual, 1e-6});
    row.u_slope = 0.5 * (row.u.front() + row.u.back()) / x.back();
    rows.push_back(std::move(row));
  }
  return rows;
}

std::optional<RadialExtinction> MeanRound(const std::vector<Row>& rows, const std::vector<double>& x) {
  AbelProfile profile;
  profile.x_mm = x;
  profile.absorbance.assign(x.size(), 0.0);
  for (const Row& row : rows) {
    for (std::size_t j = 0; j < x.size(); ++j)
      profile.absorbance[j] += 0.5 * (row.p[j] + row.p[x.size() - 1 - j]) / static_cast<double>(rows.size());
  }
  AbelResult result = InvertAbel(profile);
  if (auto* found = std::get_if<RadialExtinction>(&result)) return std::move(*found);
  return std::nullopt;
}

struct Solved {
  Eigen::VectorXd value;
  Eigen::MatrixXd covariance;
  double chi_squared_per_dof = 0.0, neighbours = 0.0;
};

class Fit {
 public:
  Fit(std::vector<Row> rows, std::vector<double> x, const RadialExtinction& round,
      const CircumferentialOptions& options)
      : rows_(std::move(rows)), x_(std::move(x)), options_(options) {
    for (int m = 0; m <= options.harmonics; ++m) {
      std::vector<double>& kernel = kernels_.emplace_back();
      for (const double at : x_)
        kernel.push_back(ProjectHarmonic(round.radius_mm, round.extinction_per_mm, m, at));
    }
  }

  Solved Solve() const {
    Solved solved = With(1.0);
    // What neighbouring cells share counts less often; what the residuals show beyond the stated noise counts
    // too.
    const double shared = std::clamp(solved.neighbours, 0.0, 0.9);
    const double scale = std::max(1.0, solved.chi_squared_per_dof) * (1.0 + shared) / (1.0 - shared);
    const Solved scaled = With(scale);
    solved.value = scaled.value;
    solved.covariance = scaled.covariance;
    return solved;
  }

  // Of 1 + sum a_m cos + b_m sin at an azimuth, by the unknowns; of the harmonics that are told.
  Eigen::VectorXd AtAzimuth(double azimuth_rad, const std::vector<Harmonic>& harmonics) const {
    Eigen::VectorXd g = Eigen::VectorXd::Zero(Unknowns());
    for (const Harmonic& harmonic : harmonics) {
      if (!harmonic.told) continue;
      g(2 * harmonic.order - 2) = std::cos(harmonic.order * azimuth_rad);
      g(2 * harmonic.order - 1) = std::sin(harmonic.order * azimuth_rad);
    }
    return g;
  }

 private:
  // Harmonics; each view's middle and slope; the part that all views share, by |x|.
  Eigen::Index Views() const { return static_cast<Eigen::Index>(rows_.size()); }
  Eigen::Index Cells() const { return static_cast<Eigen::Index>(x_.size()); }
  Eigen::Index OfView(Eigen::Index view) const { return 2 * options_.harmonics + 2 * view; }
  Eigen::Index OfCell(Eigen::Index cell) const {
    return 2 * options_.harmonics + 2 * Views() + std::min(cell, Cells() - 1 - cell);
  }
  Eigen::Index Unknowns() const { return 2 * options_.harmonics + 2 * Views() + (Cells() + 1) / 2; }

  double RoundSlope(Eigen::Index cell) const {
    const std::vector<double>& round = kernels_.front();
    const auto a = static_cast<std::size_t>(std::max<Eigen::Index>(0, cell - 1));
    const auto b = static_cast<std::size_t>(std::min<Eigen::Index>(Cells() - 1, cell + 1));
    return (round[b] - round[a]) / (x_[b] - x_[a]);
  }

  Solved With(double noise_scale) const {
    const Eigen::Index n = Unknowns();
    const Eigen::Index rows = Views() * Cells();
    Eigen::MatrixXd design = Eigen::MatrixXd::Zero(rows, n);
    Eigen::VectorXd data(rows), weight(rows);
    for (Eigen::Index v = 0; v < Views(); ++v) {
      const Row& row = rows_[static_cast<std::size_t>(v)];
      for (Eigen::Index j = 0; j < Cells(); ++j) {
        const auto cell = static_cast<std::size_t>(j);
        const Eigen::Index at = v * Cells() + j;
        for (int m = 1; m <= options_.harmonics; ++m) {
          const double kernel = kernels_[static_cast<std::size_t>(m)][cell];
          design(at, 2 * m - 2) = kernel * std::cos(m * row.right_rad);
          design(at, 2 * m - 1) = kernel * std::sin(m * row.right_rad);
        }
        design(at, OfView(v)) = RoundSlope(j);
        design(at, OfView(v) + 1) = x_[cell];
        design(at, OfCell(j)) = 1.0;
        data(at) = row.p[cell];
        weight(at) = 1.0 / (noise_scale * row.u[cell] * row.u[cell]);
      }
    }
    Eigen::VectorXd prior = Eigen::VectorXd::Zero(n);  // as weights; none for the part that all views share
    for (Eigen::Index k = 0; k < 2 * options_.harmonics; ++k)
      prior(k) = 1.0 / (options_.prior_amplitude * options_.prior_amplitude);
    for (Eigen::Index v = 0; v < Views(); ++v) {
      const Row& row = rows_[static_cast<std::size_t>(v)];
      prior(OfView(v)) = 1.0 / std::max(1e-12, row.u_middle * row.u_middle);
      prior(OfView(v) + 1) = 1.0 / (row.u_slope * row.u_slope);
    }
    Eigen::MatrixXd normal = design.transpose() * weight.asDiagonal() * design;
    normal.diagonal() += prior;
    const Eigen::LDLT<Eigen::MatrixXd> solver(normal);
    Solved solved;
    solved.covariance = solver.solve(Eigen::MatrixXd::Identity(n, n));
    solved.value = solver.solve(design.transpose() * (weight.cwiseProduct(data)));
    const Eigen::VectorXd rest = (data - design * solved.value).cwiseProduct(weight.cwiseSqrt());
    double free = 0.0;
    for (Eigen::Index k = 0; k < n; ++k) free += 1.0 - prior(k) * solved.covariance(k, k);
    solved.chi_squared_per_dof = rest.squaredNorm() / std::max(1.0, static_cast<double>(rows) - free);
    double product = 0.0, square = 0.0;
    for (Eigen::Index v = 0; v < Views(); ++v) {
      for (Eigen::Index j = 0; j + 1 < Cells(); ++j) {
        product += rest(v * Cells() + j) * rest(v * Cells() + j + 1);
        square += 0.5 * (std::pow(rest(v * Cells() + j), 2) + std::pow(rest(v * Cells() + j + 1), 2));
      }
    }
    solved.neighbours = square > 0.0 ? product / square : 0.0;
    return solved;
  }

  std::vector<Row> rows_;
  std::vector<double> x_;
  CircumferentialOptions options_;
  std::vector<std::vector<double>> kernels_;  // by order, from 0
};

Harmonic HarmonicOf(int order, const Solved& solved, const CircumferentialOptions& options) {
  const Eigen::Index k = 2 * order - 2;
  const double a = solved.value(k), b = solved.value(k + 1);
  const Eigen::Matrix2d covariance = solved.covariance.block<2, 2>(k, k);
  Harmonic harmonic;
  harmonic.order = order;
  harmonic.amplitude = std::hypot(a, b);
  const Eigen::Vector2d along =
      harmonic.amplitude > 0.0 ? Eigen::Vector2d(a, b) / harmonic.amplitude : Eigen::Vector2d(1.0, 0.0);
  const Eigen::Vector2d aside(-along(1), along(0));
  harmonic.u = std::sqrt(along.dot(covariance * along));
  const double turn = 360.0 / order;
  harmonic.direction_deg = std::fmod(std::atan2(b, a) / kRad / order + turn, turn);
  if (harmonic.amplitude > 2.0 * harmonic.u)
    harmonic.u_direction_deg = std::sqrt(aside.dot(covariance * aside)) / harmonic.amplitude / kRad / order;
  const Eigen::SelfAdjointEigenSolver<Eigen::Matrix2d> axes(covariance);
  harmonic.told = std::sqrt(axes.eigenvalues()(1)) < options.told_part * options.prior_amplitude;
  return harmonic;
}

}  // namespace

double ProjectHarmonic(const std::vector<double>& radius, const std::vector<double>& extinction, int order,
                       double x) {
  const double outer = radius.back();
  if (std::abs(x) >= outer) return 0.0;
  const double reach = std::sqrt(outer * outer - x * x);
  // Simpson's rule from the picture's plane outwards, twice for both sides of it.
  constexpr int kSteps = 200;
  double sum = 0.0;
  for (int i = 0; i <= kSteps; ++i) {
    const double y = reach * i / kSteps;
    const double r = std::hypot(x, y);
    const double k = LinearAt(radius, extinction, std::min(r, outer));
    const double value = k * std::cos(order * std::atan2(y, x));
    sum += value * (i == 0 || i == kSteps ? 1.0 : i % 2 == 1 ? 4.0 : 2.0);
  }
  return 2.0 * sum * reach / kSteps / 3.0;
}

CircumferentialResult FitCircumferential(std::span<const AcrossView> views,
                                         const CircumferentialOptions& options) {
  double reach = 1e9;
  for (const AcrossView& view : views) {
    if (view.part.size() != view.absorbance.size() || view.part.size() != view.u_absorbance.size())
      throw std::logic_error("a view's columns differ in length");
    if (view.part.size() < 8) return {std::nullopt, "a view has too few places across the spray"};
    reach = std::min({reach, -view.part.front(), view.part.back()});
  }
  constexpr double kLeastReach = 1.1;  // half widths: less, and the rim is not in view
  if (views.size() < 2) return {std::nullopt, "one view does not show what lies in front and what behind"};
  if (reach < kLeastReach) return {std::nullopt, "the air beside the spray is not in every view"};
  const std::vector<double> x = Places(options.cells, reach);
  const std::vector<Row> rows = OnCells(views, x);
  if (rows.empty()) return {std::nullopt, "a view shows no light hidden"};
  const std::optional<RadialExtinction> round = MeanRound(rows, x);
  if (!round) return {std::nullopt, "the mean of the views gives no radial profile"};

  const Fit fit(rows, x, *round, options);
  const Solved solved = fit.Solve();
  Circumferential map;
  map.chi_squared_per_dof = solved.chi_squared_per_dof;
  map.shared_by_neighbours = solved.neighbours;
  double square = 0.0, noise = 0.0;
  for (int m = 1; m <= options.harmonics; ++m) {
    map.harmonics.push_back(HarmonicOf(m, solved, options));
    const Harmonic& harmonic = map.harmonics.back();
    if (!harmonic.told) continue;
    square += 0.5 * harmonic.amplitude * harmonic.amplitude;
    noise += 0.5 * (solved.covariance(2 * m - 2, 2 * m - 2) + solved.covariance(2 * m - 1, 2 * m - 1));
  }
  if (std::none_of(map.harmonics.begin(), map.harmonics.end(), [](const Harmonic& h) { return h.told; }))
    return {std::nullopt,
            "views of these rotations do not tell one side from the other: film 0, 120 and 240 deg"};
  map.unevenness = std::sqrt(square);
  map.by_noise = std::sqrt(noise);
  double untold = 0.0;  // the mean square around the axis of what is not told
  for (const Harmonic& harmonic : map.harmonics) {
    if (!harmonic.told) untold += 0.5 * solved.covariance.diagonal().segment<2>(2 * harmonic.order - 2).sum();
  }
  for (int k = 0; k < options.azimuths; ++k) {
    map.azimuth_deg.push_back(360.0 * k / options.azimuths);
    const Eigen::VectorXd g = fit.AtAzimuth(map.azimuth_deg.back() * kRad, map.harmonics);
    map.relative.push_back(1.0 + g.dot(solved.value));
    map.u.push_back(std::sqrt(g.dot(solved.covariance * g) + untold));
  }
  return {std::move(map), ""};
}

}  // namespace conebook::calib

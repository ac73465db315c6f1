// Random numbers that are the same on every machine: std::mt19937_64 is fixed by the C++ standard, its
// distributions are not, so they are written out here. One stream per subject, so that a new draw in one
// leaves the others alone.
#pragma once

#include <cmath>
#include <cstdint>
#include <numbers>
#include <random>
#include <string_view>

namespace conebook::render {

// A well-mixed 64-bit number from another (the finaliser known as splitmix64).
inline std::uint64_t Mix(std::uint64_t x) {
  x += 0x9E3779B97F4A7C15ULL;
  x = (x ^ (x >> 30)) * 0xBF58476D1CE4E5B9ULL;
  x = (x ^ (x >> 27)) * 0x94D049BB133111EBULL;
  return x ^ (x >> 31);
}

inline double UnitFromBits(std::uint64_t bits) {
  return static_cast<double>(bits >> 11) * 0x1.0p-53;
}

class Random {
 public:
  Random(std::uint64_t seed, std::string_view stream) {
    std::uint64_t h = Mix(seed);
    for (const char c : stream) h = Mix(h ^ static_cast<unsigned char>(c));
    engine_.seed(h);
  }
  double Unit() { return UnitFromBits(engine_()); }  // in [0, 1)
  double Uniform(double low, double high) { return low + (high - low) * Unit(); }
  double LogUniform(double low, double high) { return std::exp(Uniform(std::log(low), std::log(high))); }
  bool Chance(double probability) { return Unit() < probability; }
  int Index(int count) { return static_cast<int>(Unit() * count); }  // 0 .. count - 1
  double Normal() {  // Box and Muller; one of the pair is dropped, so that every call uses two numbers
    const double radius = std::sqrt(-2.0 * std::log(1.0 - Unit()));
    return radius * std::cos(2.0 * std::numbers::pi * Unit());
  }

 private:
  std::mt19937_64 engine_;
};

// Random access: number `item` of a long list needs no list. Used for drops, which any frame may ask for.
class Hashed {
 public:
  Hashed(std::uint64_t seed, std::int64_t item) : state_(Mix(seed ^ Mix(static_cast<std::uint64_t>(item)))) {}
  double Unit() { return UnitFromBits(state_ = Mix(state_)); }
  double Normal() {
    const double radius = std::sqrt(-2.0 * std::log(1.0 - Unit()));
    return radius * std::cos(2.0 * std::numbers::pi * Unit());
  }

 private:
  std::uint64_t state_;
};

}  // namespace conebook::render

// conebook_render: one rendered spray with known truth.
#include <charconv>
#include <exception>
#include <stdexcept>
#include <string>
#include <vector>

#include <fmt/format.h>
#include <opencv2/core/utility.hpp>

#include "render/clip.h"
#include "render/scene.h"

namespace {

using namespace conebook::render;

constexpr const char* kNegatives =
    "no_spray|drip|solid_jet|cut_off|overexposed|defocused|walker|several_jets|cut_off_partly|overexposed_"
    "partly|"
    "defocused_partly|barely_open|moving_background";

void PrintHelp() {
  fmt::print(
      "conebook_render: a pressure-swirl spray with known truth: clip, rig, stand log, truth.json. Rendered, "
      "not real.\n\n"
      "  conebook_render --seed S --out DIR [--group clean|phone|highspeed|any] [--negative KIND] [--set "
      "KEY=VALUE ...]\n"
      "                  [--fast] [--truth-frames N] [--truth-u DEG]\n\n"
      "  --seed S          whole number; the same seed gives the same bytes\n"
      "  --out DIR         clip.mp4|mov|mkv or clip/ (8-bit or 16-bit frames), rig.toml, log.csv, truth.json "
      "go here\n"
      "  --group G         clean: low noise, rig well known; phone; highspeed; any (default)\n"
      "  --negative KIND   a clip to be refused or, spoilt by degrees, with an interval that holds: {}\n"
      "  --fast            leaves out the long-time truth of the boundary\n"
      "  --truth-frames N  at most so many independent pictures per pressure point for it (200)\n"
      "  --truth-u DEG     and no more than its standard error asks for (0.01)\n\n"
      "examples\n"
      "  conebook_render --seed 7 --out /tmp/clip7\n"
      "  conebook_render --seed 7 --out /tmp/clip7 --group clean --set light=backlit --set film=clear --set "
      "half_angle_deg=35\n"
      "  conebook_render --seed 3 --out /tmp/jet --negative solid_jet --fast\n\n"
      "keys of --set, with what seed 1 draws\n",
      kNegatives);
  std::vector<SceneKey> keys;
  SceneOptions options;
  DrawScene(options, &keys);
  for (const SceneKey& key : keys) fmt::print("  {:<20} {:<14} {}\n", key.key, key.value, key.help);
}

double Positive(const std::string& text, const char* option) {
  double value = 0.0;
  const char* end = text.data() + text.size();
  const auto [at, error] = std::from_chars(text.data(), end, value);
  if (error != std::errc() || at != end || !(value > 0.0))
    throw std::invalid_argument(fmt::format("{}: expected a number above 0, found \"{}\"", option, text));
  return value;
}

std::uint64_t Whole(const std::string& text, const char* option) {
  std::uint64_t value = 0;
  const char* end = text.data() + text.size();
  const auto [at, error] = std::from_chars(text.data(), end, value);
  if (error != std::errc() || at != end || text.empty())
    throw std::invalid_argument(fmt::format("{}: expected a whole number, found \"{}\"", option, text));
  return value;
}

int Run(const std::vector<std::string>& words) {
  SceneOptions scene;
  ClipOptions clip;
  std::string out;
  bool seeded = false;
  for (std::size_t i = 0; i < words.size(); ++i) {
    const std::string& word = words[i];
    const auto next = [&]() -> const std::string& {
      if (i + 1 >= words.size()) throw std::invalid_argument(word + ": a value must follow");
      return words[++i];
    };
    if (word == "--help" || word == "-h") {
      PrintHelp();
      return 0;
    }
    if (word == "--seed") {
      scene.seed = Whole(next(), "--seed");
      seeded = true;
    } else if (word == "--out") {
      out = next();
    } else if (word == "--group") {
      scene.group = next();
      if (scene.group != "clean" && scene.group != "phone" && scene.group != "highspeed" &&
          scene.group != "any")
        throw std::invalid_argument("--group: expected clean, phone, highspeed or any, found \"" +
                                    scene.group + "\"");
    } else if (word == "--negative") {
      scene.negative = next();
      if (("|" + std::string(kNegatives) + "|").find("|" + scene.negative + "|") == std::string::npos)
        throw std::invalid_argument(
            fmt::format("--negative: expected one of {}, found \"{}\"", kNegatives, scene.negative));
    } else if (word == "--set") {
      while (i + 1 < words.size() && words[i + 1].rfind("--", 0) != 0) {
        const std::string& pair = next();
        const std::size_t equals = pair.find('=');
        if (equals == std::string::npos)
          throw std::invalid_argument("--set: expected key=value, found \"" + pair + "\"");
        scene.set[pair.substr(0, equals)] = pair.substr(equals + 1);
      }
    } else if (word == "--fast") {
      clip.fast = true;
    } else if (word == "--truth-frames") {
      clip.truth_frames = static_cast<int>(Whole(next(), "--truth-frames"));
    } else if (word == "--truth-u") {
      clip.truth_u_deg = Positive(next(), "--truth-u");
    } else {
      throw std::invalid_argument("unknown option \"" + word + "\"; --help lists them");
    }
  }
  if (out.empty() || !seeded)
    throw std::invalid_argument("--seed and --out are needed; --help shows examples");
  RenderClip(DrawScene(scene, nullptr), out, clip);
  return 0;
}

}  // namespace

int main(int argc, char** argv) {
  try {
    cv::setNumThreads(1);
    return Run({argv + 1, argv + argc});
  } catch (const std::invalid_argument& error) {
    fmt::print(stderr, "conebook_render: {}\n", error.what());
    return 2;
  } catch (const std::exception& error) {
    fmt::print(stderr, "conebook_render: {}\n", error.what());
    return 1;
  }
}

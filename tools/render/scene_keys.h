// Takes drawn values by key, lets the command line override them, keeps the list.
#pragma once

#include <algorithm>
#include <charconv>
#include <cmath>
#include <stdexcept>
#include <string>
#include <utility>
#include <vector>

#include <fmt/format.h>
#include <fmt/ranges.h>

#include "render/scene.h"

namespace conebook::render {

class Keys {
 public:
  Keys(const SceneOptions& options, std::vector<SceneKey>* list) : options_(options), list_(list) {}

  double Number(const std::string& key, double drawn, const char* help) {
    double value = drawn;
    if (const std::string* text = Find(key)) {
      const char* end = text->data() + text->size();
      const auto [at, error] = std::from_chars(text->data(), end, value);
      if (error != std::errc() || at != end || !std::isfinite(value))
        throw std::invalid_argument(fmt::format("--set {}: expected a number, found \"{}\"", key, *text));
    }
    Note(key, fmt::format("{:.6g}", value), help);
    return value;
  }
  int Whole(const std::string& key, int drawn, const char* help) {
    return static_cast<int>(std::lround(Number(key, drawn, help)));
  }
  bool Flag(const std::string& key, bool drawn, const char* help) {
    return Whole(key, drawn ? 1 : 0, help) != 0;
  }
  std::string Word(const std::string& key, const std::string& drawn, const std::vector<std::string>& allowed,
                   const char* help) {
    std::string value = drawn;
    if (const std::string* text = Find(key)) {
      if (std::find(allowed.begin(), allowed.end(), *text) == allowed.end())
        throw std::invalid_argument(
            fmt::format("--set {}: expected one of {}, found \"{}\"", key, fmt::join(allowed, ", "), *text));
      value = *text;
    }
    Note(key, value, help);
    return value;
  }
  std::string Text(const std::string& key, const std::string& drawn, const char* help) {
    const std::string* text = Find(key);
    std::string value = text == nullptr ? drawn : *text;
    Note(key, value, help);
    return value;
  }
  void CheckAllUsed() const {
    for (const auto& [key, value] : options_.set) {
      if (std::find(used_.begin(), used_.end(), key) == used_.end())
        throw std::invalid_argument(fmt::format("--set {}: no such key; --help lists them", key));
    }
  }

 private:
  const std::string* Find(const std::string& key) {
    used_.push_back(key);
    const auto found = options_.set.find(key);
    return found == options_.set.end() ? nullptr : &found->second;
  }
  void Note(const std::string& key, std::string value, const char* help) {
    if (list_ != nullptr) list_->push_back({key, std::move(value), help});
  }
  const SceneOptions& options_;
  std::vector<SceneKey>* list_;
  std::vector<std::string> used_;
};

}  // namespace conebook::render

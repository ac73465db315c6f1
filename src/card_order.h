// Which element a clip shows: the card in its first seconds, or the one filmed directly before it. Directly
// before is by the numbers that the camera gives its files, and by time where all times are of one kind;
// where both can be had they must agree.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "src/camera_files.h"

namespace conebook::src {

struct ElementFound {
  std::optional<std::string> element;
  std::string from;  // where it was read
  std::string why_blank;
};

struct CardOrder {
  std::vector<std::size_t> order;      // of the files as filmed, as far as known
  std::vector<ElementFound> elements;  // one a file; of stills and cards without meaning
};

CardOrder OrderCards(const std::vector<CameraFile>& files);

}  // namespace conebook::src

#include "src/card_order.h"

#include <algorithm>
#include <cctype>
#include <numeric>
#include <set>

#include <fmt/format.h>

namespace conebook::src {
namespace {

using Order = std::vector<std::size_t>;

// The numbers in a camera's file name. Cameras count with four digits or more (JEITA CP-3461, DCF) or write
// date and time; fewer digits are a person's own.
std::vector<std::string> NumbersIn(const std::string& name) {
  std::vector<std::string> numbers;
  bool open = false;
  for (const char c : name.substr(0, name.find_last_of('.'))) {
    const bool digit = std::isdigit(static_cast<unsigned char>(c)) != 0;
    if (digit && !open) numbers.emplace_back();
    if (digit) numbers.back() += c;
    open = digit;
  }
  return numbers;
}

// Nothing where the names do not come from one counter or clock.
std::optional<Order> OrderByName(const std::vector<CameraFile>& files, Order involved) {
  std::vector<std::vector<std::string>> numbers;
  std::set<std::vector<std::string>> different;
  for (const CameraFile& file : files) numbers.push_back(NumbersIn(file.name));
  for (const std::size_t i : involved) {
    const auto& mine = numbers[i];
    const auto& first = numbers[involved.front()];
    constexpr std::size_t kFewestDigits = 4;
    if (mine.empty() || mine.front().size() < kFewestDigits || mine.size() != first.size())
      return std::nullopt;
    for (std::size_t k = 0; k < mine.size(); ++k) {
      if (mine[k].size() != first[k].size()) return std::nullopt;
    }
    different.insert(mine);
  }
  if (different.size() != involved.size()) return std::nullopt;
  std::sort(involved.begin(), involved.end(),
            [&](std::size_t a, std::size_t b) { return numbers[a] < numbers[b]; });
  return involved;
}

// Nothing where a time is missing, or where some may be hours from others by their zone, or two are the same.
std::optional<Order> OrderByTime(const std::vector<CameraFile>& files, Order involved) {
  std::set<double> different;
  for (const std::size_t i : involved) {
    const auto& mine = files[i].time;
    const auto& first = files[involved.front()].time;
    if (!mine || mine->clock.zone != first->clock.zone ||
        (mine->from == FileTime::From::kModified) != (first->from == FileTime::From::kModified))
      return std::nullopt;
    different.insert(mine->clock.epoch_s);
  }
  if (different.size() != involved.size()) return std::nullopt;
  std::sort(involved.begin(), involved.end(), [&](std::size_t a, std::size_t b) {
    return files[a].time->clock.epoch_s < files[b].time->clock.epoch_s;
  });
  return involved;
}

std::string List(const std::set<std::string>& ids) {
  std::string text;
  std::size_t k = 0;
  for (const std::string& id : ids) {
    if (k > 0) text += k + 1 == ids.size() ? " and " : ", ";
    text += id;
    ++k;
  }
  return text;
}

// What the cards between a clip and the clip before it say.
ElementFound CardBefore(const std::vector<CameraFile>& files, const Order& order, std::size_t clip) {
  const auto at = static_cast<std::size_t>(std::find(order.begin(), order.end(), clip) - order.begin());
  std::set<std::string> ids;
  ElementFound found;
  std::size_t k = at;
  while (k > 0 && !files[order[k - 1]].IsClip()) {
    const CameraFile& card = files[order[--k]];
    if (k + 1 == at) {
      found.from = card.name;
      if (card.cards.empty()) {
        found.why_blank = fmt::format("no card can be read in {}", card.name);
        return found;
      }
      if (card.cards.size() > 1) {
        found.why_blank = fmt::format("two cards or more in {}: {}", card.name,
                                      List({card.cards.begin(), card.cards.end()}));
        return found;
      }
    }
    ids.insert(card.cards.begin(), card.cards.end());
  }
  if (ids.size() > 1) {
    found.why_blank = fmt::format("cards of {} before it, and no clip between them", List(ids));
  } else if (ids.size() == 1) {
    found.element = *ids.begin();
    found.from = "card in " + found.from;
  } else {
    found.why_blank = k == 0 ? std::string("no card was filmed before it")
                             : fmt::format("no card was filmed between {} and it", files[order[k - 1]].name);
  }
  return found;
}

// Both orders where both are known; they must not contradict each other.
ElementFound CardBefore(const std::vector<CameraFile>& files, const std::optional<Order>& by_name,
                        const std::optional<Order>& by_time, std::size_t clip) {
  if (!by_name && !by_time) {
    return {std::nullopt, "",
            "neither the files' names nor their times tell which card was filmed before it"};
  }
  if (!by_name || !by_time) return CardBefore(files, by_name ? *by_name : *by_time, clip);
  ElementFound named = CardBefore(files, *by_name, clip);
  const ElementFound timed = CardBefore(files, *by_time, clip);
  if (named.element == timed.element) return named;
  const auto said = [](const ElementFound& found) { return found.element ? *found.element : "none"; };
  return {std::nullopt, "",
          fmt::format("the card before it is {} by the files' names, {} by their times", said(named),
                      said(timed))};
}

ElementFound ElementOf(const CameraFile& clip, bool any_cards, const ElementFound& before) {
  if (clip.cards.size() > 1) {
    return {std::nullopt, "",
            "two cards or more in its first seconds: " + List({clip.cards.begin(), clip.cards.end()})};
  }
  if (!clip.late_cards.empty()) {
    return {std::nullopt, "",
            fmt::format("a card comes into view later in the clip: {}",
                        List({clip.late_cards.begin(), clip.late_cards.end()}))};
  }
  if (!clip.cards.empty()) {
    if (before.element && *before.element != clip.cards.front()) {
      return {std::nullopt, "",
              fmt::format("its first seconds show the card of {}, the {} that of {}", clip.cards.front(),
                          before.from, *before.element)};
    }
    return {clip.cards.front(), "card in its first seconds", ""};
  }
  if (!any_cards) return {std::nullopt, "", "no card in its first seconds, and no picture of one"};
  return before;
}

}  // namespace

CardOrder OrderCards(const std::vector<CameraFile>& files) {
  Order involved;
  bool any_cards = false;
  for (std::size_t i = 0; i < files.size(); ++i) {
    involved.push_back(i);  // one that cannot be read may have been a card, too
    any_cards = any_cards || files[i].card_only;
  }
  CardOrder result;
  result.elements.resize(files.size());
  if (involved.empty()) return result;
  const auto by_name = OrderByName(files, involved), by_time = OrderByTime(files, involved);
  result.order = by_name ? *by_name : by_time ? *by_time : involved;
  for (const std::size_t i : involved) {
    if (!files[i].IsClip()) continue;
    const ElementFound before = any_cards ? CardBefore(files, by_name, by_time, i) : ElementFound{};
    result.elements[i] = ElementOf(files[i], any_cards, before);
  }
  return result;
}

}  // namespace conebook::src

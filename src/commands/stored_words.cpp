#include "src/commands/stored_words.h"

#include <fmt/format.h>

namespace conebook::src {

std::string StoredInWords(const Stored& stored) {
  const auto digits = [](const std::string& key) { return key.substr(0, 12); };
  std::string text = fmt::format("{}: {}\n", stored.already_on_record ? "already on record" : "put on record",
                                 digits(stored.key));
  for (const std::string& key : stored.superseded)
    text += fmt::format("  stands for {}: the same clip and settings\n", digits(key));
  for (const std::string& key : stored.same_footage) {
    text += fmt::format(
        "  the same footage is on record as {}, with another rig or log; both count. If one is a "
        "correction:\n"
        "  conebook withdraw {} --reason TEXT --archive BOOK.db\n",
        digits(key), digits(key));
  }
  return text;
}

}  // namespace conebook::src

#include <fmt/core.h>
#include <nlohmann/json.hpp>

#include <calib/error.h>

#include "src/archive/archive.h"
#include "src/archive/element_page.h"
#include "src/archive/element_table.h"
#include "src/commands/archive_commands.h"
#include "src/commands/output.h"
#include "src/iso_date.h"

namespace conebook::src {

int MoveStock(const StockOptions& options) {
  const StockMove move{options.element, options.state,    options.date.value_or(Today()),
                       options.plate,   options.position, options.note,
                       options.firings};
  CheckStockMove(move, "conebook stock");
  CheckArchive(options.archive);
  const auto record = StockRecord(options.archive, move);
  if (record) StoreRecord(options.archive, *record);
  if (!options.quiet) {
    for (const StockRow& row : FindStock(options.archive, options.element)) {
      const StockEvent event = StockInWords(row);
      fmt::print("{}  {}  {}{}{}\n", options.element, event.date, event.state,
                 event.words.empty() ? "" : ": ", event.words);
    }
    if (!record) fmt::print("already on record\n");
  }
  FlushOutput();
  return 0;
}

int Withdraw(const WithdrawOptions& options) {
  if (options.reason.empty())
    throw calib::InputError("--reason is empty: say why the record no longer counts");
  const std::string key = FindKey(options.archive, options.record);
  const auto json = nlohmann::json::parse(ReadRecord(options.archive, key, false).json);
  const nlohmann::json withdrawal{{"schema", kWithdrawnSchema}, {"element", json.value("element", "")}};
  const Stored stored =
      StoreRecord(options.archive, MakeRecord(withdrawal.dump(), {}, {{key, options.reason}}));
  if (!options.quiet)
    fmt::print("{}\n", stored.already_on_record
                           ? "already on record"
                           : fmt::format("record {} no longer counts; it stays on record, with the reason",
                                         key.substr(0, 12)));
  FlushOutput();
  return 0;
}

}  // namespace conebook::src

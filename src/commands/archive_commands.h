// The commands that work on an archive. Each returns the exit status of the contract and throws
// calib::InputError (2), ArchiveError (4) or vision::Interrupted (130).
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "src/archive/query.h"

namespace conebook::src {

struct ListOptions {
  std::string archive;
  RunFilter filter;
  std::string sort = "date";
  bool descending = false;
  std::optional<std::string> json, csv;  // a file, or - for standard output
  bool quiet = false;
};
int List(const ListOptions& options);

struct ShowOptions {
  std::string archive, what;  // the beginning of a record's key, or an element's id
  std::optional<std::string> json;
};
int Show(const ShowOptions& options);

struct ExportOptions {
  std::string archive;
  RunFilter filter;
  std::optional<std::string> json, csv, bundle;
  bool quiet = false;
};
int Export(const ExportOptions& options);

struct ImportOptions {
  std::string archive;
  std::vector<std::string> files;
  std::string reason;
  std::optional<std::string> supersedes;  // the beginning of a record's key; one result file only
  std::optional<std::string> date;        // of statements without one; nothing: today
  bool quiet = false;
};
int Import(const ImportOptions& options);

struct VerifyOptions {
  std::string archive;
  std::vector<std::string> footage;  // folders to look in
  bool remeasure = false, rebuild_index = false;
  RunFilter filter;  // which runs to look at the footage of
  int threads = 0;
  bool quiet = false;
};
int Verify(const VerifyOptions& options);

struct MergeOptions {
  std::string archive;
  std::vector<std::string> from;
  bool quiet = false;
};
int Merge(const MergeOptions& options);

struct ReportOptions {
  std::string archive;
  std::optional<std::string> record, element, day;
  std::vector<std::string> side_by_side;  // elements
  std::optional<double> at_bar;           // with side_by_side
  bool hide_order = false;
  std::string report;
  bool quiet = false;
};
int Report(const ReportOptions& options);

struct StockOptions {
  std::string archive, element, state, plate, position, note;
  std::optional<std::string> date;
  std::optional<int> firings;
  bool quiet = false;
};
int MoveStock(const StockOptions& options);

struct WithdrawOptions {
  std::string archive, record, reason;
  bool quiet = false;
};
int Withdraw(const WithdrawOptions& options);

}  // namespace conebook::src

// The index: SQL tables that hold nothing but what the records say, in an order that the records alone
// decide. They can be dropped and made again at any time. For the sources of src/archive alone.
#pragma once

#include <string>

namespace SQLite {
class Database;
}

namespace conebook::src {

void MakeIndexTables(SQLite::Database& database);

// Adds what one record says. Inside a transaction. Text that is no record of ours is left out of the index.
void IndexRecord(SQLite::Database& database, const std::string& key, const std::string& json);

// Empties the tables and fills them again from the records. Inside a transaction.
void RebuildIndexTables(SQLite::Database& database);

// Every row of every index table as text, in key order: equal for equal sets of records.
std::string IndexText(SQLite::Database& database);

}  // namespace conebook::src

#pragma once

// For record/ alone: the only place that knows SQL. RAII over SQLite's C interface with failures
// as values.
#include <sqlite3.h>

#include <cstdint>
#include <filesystem>
#include <memory>
#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <utility>

#include "calibration/error.hpp"

namespace tinesight {

class Database;

/// A text's bytes as a blob.
inline std::span<const std::uint8_t> BytesOf(std::string_view text) {
  return {reinterpret_cast<const std::uint8_t*>(text.data()), text.size()};
}

/// A prepared statement. The first failure of a bind is told by the next Step.
class Statement {
 public:
  Statement& Bind(std::int64_t value);
  Statement& Bind(int value) { return Bind(static_cast<std::int64_t>(value)); }
  Statement& Bind(double value);
  Statement& Bind(std::string_view text);
  Statement& BindBlob(std::span<const std::uint8_t> bytes);
  Statement& BindNull();
  /// NULL where there is no value.
  template <typename T>
  Statement& Bind(const std::optional<T>& value) {
    return value ? Bind(*value) : BindNull();
  }

  /// True: a row is there; false: done.
  [[nodiscard]] Result<bool> Step();
  /// Runs a statement that gives no rows, then makes it ready for the next values.
  [[nodiscard]] Result<void> Run();

  [[nodiscard]] std::int64_t Integer(int column) const;
  [[nodiscard]] double Real(int column) const;
  [[nodiscard]] std::string Text(int column) const;
  [[nodiscard]] std::string Blob(int column) const;
  [[nodiscard]] bool IsNull(int column) const;
  [[nodiscard]] std::optional<double> OptionalReal(int column) const;
  [[nodiscard]] std::optional<std::int64_t> OptionalInteger(int column) const;

 private:
  friend class Database;
  struct Finalize {
    void operator()(sqlite3_stmt* statement) const { sqlite3_finalize(statement); }
  };
  std::unique_ptr<sqlite3_stmt, Finalize> statement_;
  std::string where_;
  int next_bind_ = 1;
  int bind_status_ = SQLITE_OK;
};

/// An open database, set up as for a file that may come from elsewhere: defensive, schema not
/// trusted, cell sizes checked, no memory mapping; foreign keys on, rollback journal, synchronous
/// EXTRA (a record is one file that may be copied or mailed, and a power cut must not tear it).
class Database {
 public:
  enum class Mode { kReadOnly, kReadWrite };

  [[nodiscard]] static Result<Database> Open(const std::filesystem::path& file, Mode mode);
  [[nodiscard]] static Result<Database> InMemory();
  /// In memory, with the contents that Serialize gave.
  [[nodiscard]] static Result<Database> FromBytes(std::string_view bytes, const std::string& where);

  [[nodiscard]] Result<Statement> Prepare(std::string_view sql) const;
  [[nodiscard]] Result<void> Execute(const std::string& sql) const;
  /// First column of the first row as an integer.
  [[nodiscard]] Result<std::int64_t> QueryInteger(std::string_view sql) const;
  [[nodiscard]] std::int64_t LastRowId() const;
  /// Whether the file can't be read before an interrupted change is undone from the journal beside
  /// it (opened read-only, it can't be undone).
  [[nodiscard]] bool NeedsRollback() const;
  /// The database as the bytes of the file it would be.
  [[nodiscard]] Result<std::string> Serialize() const;
  [[nodiscard]] const std::string& Where() const { return where_; }
  /// What messages call it from now on.
  void NameInMessages(std::string where) { where_ = std::move(where); }

 private:
  struct Close {
    void operator()(sqlite3* connection) const { sqlite3_close_v2(connection); }
  };
  [[nodiscard]] static Result<Database> Open(const std::string& name, int flags,
                                             const std::string& where);
  std::unique_ptr<sqlite3, Close> connection_;
  std::string where_;
};

}  // namespace tinesight

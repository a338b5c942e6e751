#include "record/database.hpp"

#include <algorithm>

namespace tinesight {
namespace {

std::string Reason(sqlite3* connection) {
  if (connection == nullptr) return "out of memory";
  switch (sqlite3_errcode(connection) & 0xFF) {
    case SQLITE_BUSY:
    case SQLITE_LOCKED:
      return "is busy: another program is writing to it; try again in a moment";
    case SQLITE_FULL:
      return "the disk is full; make room and try again";
    case SQLITE_READONLY:
      return "is write-protected, or its folder is; allow writing or use a copy";
    case SQLITE_CORRUPT:
    case SQLITE_NOTADB:
      return "the service record is damaged; go back to a copy";
    default:
      return sqlite3_errmsg(connection);
  }
}

}  // namespace

Statement& Statement::Bind(std::int64_t value) {
  bind_status_ |= sqlite3_bind_int64(statement_.get(), next_bind_++, value);
  return *this;
}

Statement& Statement::Bind(double value) {
  bind_status_ |= sqlite3_bind_double(statement_.get(), next_bind_++, value);
  return *this;
}

Statement& Statement::Bind(std::string_view text) {
  bind_status_ |= sqlite3_bind_text64(statement_.get(), next_bind_++, text.data(), text.size(),
                                      SQLITE_TRANSIENT, SQLITE_UTF8);
  return *this;
}

Statement& Statement::BindBlob(std::span<const std::uint8_t> bytes) {
  bind_status_ |= sqlite3_bind_blob64(statement_.get(), next_bind_++, bytes.data(), bytes.size(),
                                      SQLITE_TRANSIENT);
  return *this;
}

Statement& Statement::BindNull() {
  bind_status_ |= sqlite3_bind_null(statement_.get(), next_bind_++);
  return *this;
}

Result<bool> Statement::Step() {
  if (bind_status_ != SQLITE_OK) return Fail(where_ + ": a value does not fit the statement");
  const int status = sqlite3_step(statement_.get());
  if (status == SQLITE_ROW) return true;
  if (status == SQLITE_DONE) return false;
  return Fail(where_ + ": " + Reason(sqlite3_db_handle(statement_.get())));
}

Result<void> Statement::Run() {
  const Result<bool> row = Step();
  if (!row) return tl::unexpected(row.error());
  sqlite3_reset(statement_.get());
  sqlite3_clear_bindings(statement_.get());
  next_bind_ = 1;
  return {};
}

std::int64_t Statement::Integer(int column) const {
  return sqlite3_column_int64(statement_.get(), column);
}

double Statement::Real(int column) const { return sqlite3_column_double(statement_.get(), column); }

std::string Statement::Text(int column) const {
  const unsigned char* text = sqlite3_column_text(statement_.get(), column);
  const int size = sqlite3_column_bytes(statement_.get(), column);
  if (text == nullptr) return "";
  return {reinterpret_cast<const char*>(text), static_cast<std::size_t>(size)};
}

std::string Statement::Blob(int column) const {
  const void* bytes = sqlite3_column_blob(statement_.get(), column);
  const int size = sqlite3_column_bytes(statement_.get(), column);
  if (bytes == nullptr) return "";
  return {static_cast<const char*>(bytes), static_cast<std::size_t>(size)};
}

bool Statement::IsNull(int column) const {
  return sqlite3_column_type(statement_.get(), column) == SQLITE_NULL;
}

std::optional<double> Statement::OptionalReal(int column) const {
  return IsNull(column) ? std::nullopt : std::optional(Real(column));
}

std::optional<std::int64_t> Statement::OptionalInteger(int column) const {
  return IsNull(column) ? std::nullopt : std::optional(Integer(column));
}

Result<Database> Database::Open(const std::string& name, int flags, const std::string& where) {
  sqlite3* connection = nullptr;
  const int status =
      sqlite3_open_v2(name.c_str(), &connection, flags | SQLITE_OPEN_EXRESCODE, nullptr);
  Database database;
  database.connection_.reset(connection);
  database.where_ = where;
  if (status != SQLITE_OK) return Fail(where + ": cannot be opened: " + Reason(connection));
  sqlite3_busy_timeout(connection, 5000);
  sqlite3_db_config(connection, SQLITE_DBCONFIG_DEFENSIVE, 1, nullptr);
  sqlite3_db_config(connection, SQLITE_DBCONFIG_TRUSTED_SCHEMA, 0, nullptr);
  const Result<void> set = database.Execute(
      "PRAGMA cell_size_check = ON; PRAGMA mmap_size = 0; PRAGMA foreign_keys = ON;"
      "PRAGMA synchronous = EXTRA;");
  if (!set) return tl::unexpected(set.error());
  return database;
}

Result<Database> Database::Open(const std::filesystem::path& file, Mode mode) {
  return Open(file.string(), mode == Mode::kReadOnly ? SQLITE_OPEN_READONLY : SQLITE_OPEN_READWRITE,
              file.string());
}

Result<Database> Database::InMemory() {
  return Open(":memory:", SQLITE_OPEN_READWRITE | SQLITE_OPEN_CREATE, "new service record");
}

Result<Database> Database::FromBytes(std::string_view bytes, const std::string& where) {
  auto database = Open(":memory:", SQLITE_OPEN_READWRITE | SQLITE_OPEN_CREATE, where);
  if (!database) return database;
  auto* copy = static_cast<unsigned char*>(sqlite3_malloc64(bytes.size()));
  if (copy == nullptr) return Fail(where + ": out of memory");
  std::copy(bytes.begin(), bytes.end(), copy);
  const auto size = static_cast<sqlite3_int64>(bytes.size());
  const int status =
      sqlite3_deserialize(database->connection_.get(), "main", copy, size, size,
                          SQLITE_DESERIALIZE_FREEONCLOSE | SQLITE_DESERIALIZE_RESIZEABLE);
  if (status != SQLITE_OK) return Fail(where + ": " + Reason(database->connection_.get()));
  return database;
}

bool Database::NeedsRollback() const {
  sqlite3_exec(connection_.get(), "SELECT count(*) FROM sqlite_schema", nullptr, nullptr, nullptr);
  return sqlite3_extended_errcode(connection_.get()) == SQLITE_READONLY_ROLLBACK;
}

Result<Statement> Database::Prepare(std::string_view sql) const {
  sqlite3_stmt* prepared = nullptr;
  const int status = sqlite3_prepare_v2(connection_.get(), sql.data(), static_cast<int>(sql.size()),
                                        &prepared, nullptr);
  Statement statement;
  statement.statement_.reset(prepared);
  statement.where_ = where_;
  if (status != SQLITE_OK) return Fail(where_ + ": " + Reason(connection_.get()));
  return statement;
}

Result<void> Database::Execute(const std::string& sql) const {
  if (sqlite3_exec(connection_.get(), sql.c_str(), nullptr, nullptr, nullptr) != SQLITE_OK) {
    return Fail(where_ + ": " + Reason(connection_.get()));
  }
  return {};
}

Result<std::int64_t> Database::QueryInteger(std::string_view sql) const {
  Result<Statement> statement = Prepare(sql);
  if (!statement) return tl::unexpected(statement.error());
  const Result<bool> row = statement->Step();
  if (!row) return tl::unexpected(row.error());
  if (!*row) return Fail(where_ + ": nothing found");
  return statement->Integer(0);
}

std::int64_t Database::LastRowId() const { return sqlite3_last_insert_rowid(connection_.get()); }

Result<std::string> Database::Serialize() const {
  sqlite3_int64 size = 0;
  unsigned char* bytes = sqlite3_serialize(connection_.get(), "main", &size, 0);
  if (bytes == nullptr) return Fail(where_ + ": out of memory");
  std::string serialized(reinterpret_cast<const char*>(bytes), static_cast<std::size_t>(size));
  sqlite3_free(bytes);
  return serialized;
}

}  // namespace tinesight

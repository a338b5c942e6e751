#pragma once

// For record/ alone: the tables of a service record, and opening one safely.
#include <cstdint>
#include <filesystem>
#include <memory>
#include <string>
#include <utility>

#include "record/database.hpp"

namespace tinesight {

/// A record opened for reading: read-only, checked, in one consistent state for as long as this
/// lives, and in the newest schema. What is wrong with a file is told, and nothing is written.
class RecordSnapshot {
 public:
  /// An interrupted change beside the file (a journal left by a power cut) is undone in a copy in
  /// the system's folder for temporary files; a record of an older schema is brought forward in
  /// memory.
  [[nodiscard]] static Result<RecordSnapshot> Open(const std::filesystem::path& file);

  [[nodiscard]] const Database& Get() const { return *database_; }
  [[nodiscard]] Result<Statement> Prepare(std::string_view sql) const {
    return database_->Prepare(sql);
  }

 private:
  struct RemoveFolder {
    void operator()(const std::filesystem::path* folder) const;
  };
  std::unique_ptr<const std::filesystem::path, RemoveFolder> copy_folder_;  // outlives the database
  std::unique_ptr<Database> database_;
};

/// A record opened to change it, in a transaction that holds the file against other writers and
/// is undone unless Commit succeeds. It was checked as a snapshot first, so that no damaged or
/// foreign file is ever opened for writing, and is in the newest schema.
class RecordChange {
 public:
  [[nodiscard]] static Result<RecordChange> Begin(const std::filesystem::path& file);
  RecordChange(RecordChange&&) noexcept = default;
  RecordChange& operator=(RecordChange&&) noexcept = default;
  ~RecordChange();

  [[nodiscard]] const Database& Get() const { return *database_; }
  [[nodiscard]] Result<Statement> Prepare(std::string_view sql) const {
    return database_->Prepare(sql);
  }
  [[nodiscard]] Result<void> Commit();

 private:
  RecordChange() = default;
  std::unique_ptr<Database> database_;  // absent once committed or moved from
};

/// True: a file is there; false: nothing is; fails on what can be no record (a folder, a pipe).
[[nodiscard]] Result<bool> RecordExists(const std::filesystem::path& file);

/// An empty record in memory, in the newest schema.
[[nodiscard]] Result<Database> NewRecord();

}  // namespace tinesight

#pragma once

#include <string>
#include <tl/expected.hpp>

namespace tinesight {

/// An expected failure (a bad photo, file or fit) as a value. The message is one line for a
/// person: what is wrong, where, and what to do about it.
struct Error {
  std::string message;
};

template <typename T>
using Result = tl::expected<T, Error>;

/// Shorthand for `return Fail("…")` in a function that returns a Result.
inline tl::unexpected<Error> Fail(std::string message) {
  return tl::unexpected<Error>(Error{std::move(message)});
}

}  // namespace tinesight

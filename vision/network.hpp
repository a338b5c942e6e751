#pragma once

#include <cstddef>

namespace tinesight {

/// The network of SettleByReading(), an ONNX file: rod_reading.onnx, which CMake puts into the
/// program.
extern const unsigned char kRodReadingNetwork[];
extern const std::size_t kRodReadingNetworkBytes;

}  // namespace tinesight

#pragma once

#include <epoxy/gl.h>
#include <imgui.h>

#include <Eigen/Core>
#include <memory>
#include <opencv2/core/mat.hpp>
#include <string>

#include "calibration/error.hpp"
#include "viewer/photo_store.hpp"

namespace tinesight {

/// A texture of the graphics card; RGBA, linear, clamped at its edges.
class GlTexture {
 public:
  GlTexture() = default;
  ~GlTexture() { Release(); }
  GlTexture(const GlTexture&) = delete;
  GlTexture& operator=(const GlTexture&) = delete;
  GlTexture(GlTexture&& other) noexcept : id_(std::exchange(other.id_, 0)) {}
  GlTexture& operator=(GlTexture&& other) noexcept {
    std::swap(id_, other.id_);
    return *this;
  }

  /// A small picture at once (CV_8UC4, red first), reductions included.
  static GlTexture FromPicture(const cv::Mat& rgba);
  /// Room for a picture to be drawn into.
  static GlTexture Empty(int width_px, int height_px);

  [[nodiscard]] GLuint Id() const { return id_; }
  [[nodiscard]] ImTextureID ForImGui() const {
    return reinterpret_cast<ImTextureID>(static_cast<std::intptr_t>(id_));
  }
  explicit operator bool() const { return id_ != 0; }

 private:
  friend class PhotoTexture;
  void Release();
  GLuint id_ = 0;
};

/// A photo's texture, which grows from its smallest reduction to the whole picture, a few megabytes
/// a frame, so that the first look comes at once and no frame waits for 50 megapixels.
class PhotoTexture {
 public:
  explicit PhotoTexture(std::unique_ptr<PhotoPicture> picture);
  /// Sends some more; false: all is there.
  bool Advance();
  void Finish() {
    while (Advance()) {
    }
  }
  [[nodiscard]] const GlTexture& Texture() const { return texture_; }
  [[nodiscard]] bool Complete() const { return picture_ == nullptr; }

 private:
  GlTexture texture_;
  std::unique_ptr<PhotoPicture> picture_;  // gone once all is sent
  int first_level_ = 0;                    // of the picture that the card can hold
  int level_ = 0;                          // being sent, counted from the first
  int next_row_ = 0;
};

/// A compiled and linked program; asserts on our own faults, whose log it gives.
[[nodiscard]] Result<GLuint> LinkProgram(const char* vertex_source, const char* fragment_source);

}  // namespace tinesight

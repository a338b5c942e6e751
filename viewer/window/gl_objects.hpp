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

  /// A small picture at once (CV_8UC3, blue first), reductions included.
  static GlTexture FromPicture(const cv::Mat& bgr);
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

/// The shown photo's texture, which grows from its smallest reduction to the whole picture, a few
/// megabytes a frame, so that the first look comes at once and no frame waits for 50 megapixels.
/// One texture serves all photos of the same size: a driver may keep a deleted one for a while, and
/// the software renderer does, which is 270 MB each.
class PhotoTexture {
 public:
  /// Shows another photo.
  void Begin(PhotoStore::Picture picture);
  /// Shows nothing.
  void Clear();
  /// Sends some more; false: all is there, or there is nothing to send.
  bool Advance();
  void Finish() {
    while (Advance()) {
    }
  }
  [[nodiscard]] bool Complete() const { return showing_ && picture_ == nullptr; }
  /// nullptr: nothing to show.
  [[nodiscard]] const GlTexture* Texture() const { return showing_ ? &texture_ : nullptr; }

 private:
  void Make();
  GlTexture texture_;
  PhotoStore::Picture picture_;  // gone once all is sent
  bool showing_ = false;
  cv::Size size_px_;     // of the texture
  int first_level_ = 0;  // of the picture that the card can hold
  int level_ = 0;        // being sent, counted from the first
  int next_row_ = 0;
};

/// A compiled and linked program; asserts on our own faults, whose log it gives.
[[nodiscard]] Result<GLuint> LinkProgram(const char* vertex_source, const char* fragment_source);

}  // namespace tinesight

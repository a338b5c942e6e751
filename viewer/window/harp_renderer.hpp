#pragma once

#include <epoxy/gl.h>

#include <Eigen/Core>
#include <array>
#include <memory>
#include <vector>

#include "calibration/error.hpp"
#include "viewer/harp_model.hpp"
#include "viewer/view_3d.hpp"
#include "viewer/window/gl_objects.hpp"
#include "viewer/window/theme.hpp"

namespace tinesight {

/// Draws the harp's meshes into a texture of its own, anti-aliased. What has not changed is not
/// drawn again.
class HarpRenderer {
 public:
  [[nodiscard]] static Result<std::unique_ptr<HarpRenderer>> Make();
  ~HarpRenderer();
  HarpRenderer(const HarpRenderer&) = delete;
  HarpRenderer& operator=(const HarpRenderer&) = delete;

  /// Sends the meshes to the card.
  void SetModel(const HarpModel& model);

  struct Frame {
    View3d view;
    Eigen::Vector2i area_px = Eigen::Vector2i(1, 1);
    int selected_midi = 0;
    int hovered_midi = 0;
    /// Over a photo: only what was measured, half transparent.
    bool over_photo = false;
    /// While the view moves, edges are left jagged: a software renderer is four times as fast then.
    bool moving = false;
  };
  /// The picture, its alpha 0 where nothing is; rows from the bottom up, as OpenGL has them.
  const GlTexture& Draw(const Frame& wanted, const Theme& theme);

 private:
  HarpRenderer() = default;
  void ResizeTargets(const Eigen::Vector2i& area_px);
  void DrawParts(const Frame& frame, const Theme& theme);
  void DrawNote(const Frame& frame, const Theme& theme, int midi, bool selected);
  void SetLook(HarpPart part, Verdict verdict, const Theme& theme, float toward_accent,
               float toward_white) const;

  struct Range {
    HarpPart part;
    Verdict verdict;
    int midi;  // 0: of several notes
    GLint first;
    GLsizei count;
  };
  GLuint program_ = 0;
  GLint color_place_ = -1;
  GLint shine_place_ = -1;
  GLuint array_ = 0;
  GLuint buffer_ = 0;
  GLuint multisampled_ = 0;  // framebuffer and its two renderbuffers
  GLuint color_ = 0;
  GLuint depth_ = 0;
  GLuint resolved_ = 0;     // framebuffer of the texture
  GLuint plain_depth_ = 0;  // its depth, for drawing into it at once
  GlTexture texture_;
  Eigen::Vector2i size_px_ = Eigen::Vector2i::Zero();
  std::vector<Range> ranges_;  // of one mesh each
  std::vector<Range> runs_;    // of neighbors that look the same
  Eigen::Vector3d center_mm_ = Eigen::Vector3d::Zero();
  double radius_mm_ = 100.0;
  bool stale_ = true;
  Frame drawn_;
  bool drawn_dark_ = true;
};

}  // namespace tinesight

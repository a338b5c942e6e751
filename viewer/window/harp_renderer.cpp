#include "viewer/window/harp_renderer.hpp"

#include <algorithm>
#include <cmath>
#include <utility>

namespace tinesight {
namespace {

constexpr int kSamples = 4;

constexpr const char* kVertexSource = R"(#version 330 core
layout(location = 0) in vec3 place;
layout(location = 1) in vec3 facing;
uniform mat4 clip_from_harp;
uniform mat3 camera_from_harp;
out vec3 facing_camera;
void main() {
  gl_Position = clip_from_harp * vec4(place, 1.0);
  facing_camera = camera_from_harp * facing;
}
)";

// One light over the left shoulder and an even one; the camera looks along +z with y down.
constexpr const char* kFragmentSource = R"(#version 330 core
in vec3 facing_camera;
uniform vec3 color;
uniform float shine;
uniform float opacity;
out vec4 result;
void main() {
  vec3 n = normalize(facing_camera);
  if (n.z > 0.0) n = -n;
  vec3 light = normalize(vec3(-0.45, -0.75, -0.8));
  float diffuse = max(dot(n, light), 0.0);
  vec3 halfway = normalize(light + vec3(0.0, 0.0, -1.0));
  float specular = shine * pow(max(dot(n, halfway), 0.0), 40.0);
  result = vec4(color * (0.45 + 0.6 * diffuse) + specular, opacity);
  result.rgb = min(result.rgb, vec3(1.0)) * opacity;
}
)";

struct Vertex {
  std::array<float, 3> place;
  std::array<float, 3> facing;
};

Eigen::Vector3d FaceNormal(const SceneMesh& mesh, const std::array<std::uint32_t, 3>& t) {
  const auto& v = mesh.vertices_mm;
  return (v[t[1]] - v[t[0]]).cross(v[t[2]] - v[t[0]]);
}

std::array<float, 3> Floats(const Eigen::Vector3d& v) {
  return {static_cast<float>(v.x()), static_cast<float>(v.y()), static_cast<float>(v.z())};
}

// Each corner's normal is that of the faces about its vertex that lie within 40° of its own: round
// things look round, edges stay edges.
void Append(const SceneMesh& mesh, std::vector<Vertex>& vertices) {
  std::vector<std::vector<Eigen::Vector3d>> about(mesh.vertices_mm.size());
  for (const auto& t : mesh.triangles) {
    const Eigen::Vector3d normal = FaceNormal(mesh, t);
    for (const std::uint32_t corner : t) about[corner].push_back(normal);
  }
  const double least = std::cos(40.0 * 3.14159265358979 / 180.0);
  for (const auto& t : mesh.triangles) {
    const Eigen::Vector3d own = FaceNormal(mesh, t).normalized();
    for (const std::uint32_t corner : t) {
      Eigen::Vector3d normal = Eigen::Vector3d::Zero();
      for (const Eigen::Vector3d& other : about[corner]) {
        if (own.dot(other.normalized()) > least) normal += other;
      }
      vertices.push_back({Floats(mesh.vertices_mm[corner]), Floats(normal.normalized())});
    }
  }
}

struct Look {
  Eigen::Vector3f color;
  float shine = 0.0F;
};

Eigen::Vector3f Rgb(ImU32 color) {
  const ImVec4 c = ImGui::ColorConvertU32ToFloat4(color);
  return {c.x, c.y, c.z};
}

Look LookOf(HarpPart part, Verdict verdict, const Theme& theme) {
  const bool dark = theme.palette.dark;
  const Eigen::Vector3f marked = Rgb(theme.VerdictColor(verdict));
  switch (part) {
    case HarpPart::kTine:
      return {marked, 0.35F};
    case HarpPart::kOffsetArrow:
      return {dark ? Eigen::Vector3f(0.95F, 0.95F, 0.95F) : Eigen::Vector3f(0.12F, 0.12F, 0.12F),
              0.0F};
    case HarpPart::kIdealAxis:
      return {Rgb(theme.palette.accent), 0.0F};
    case HarpPart::kPoleTip:
      return {{0.80F, 0.80F, 0.78F}, 0.4F};
    case HarpPart::kBobbin:
      return {dark ? Eigen::Vector3f(0.16F, 0.17F, 0.18F) : Eigen::Vector3f(0.30F, 0.31F, 0.32F),
              0.1F};
    case HarpPart::kBlock:
      return {{0.52F, 0.54F, 0.55F}, 0.15F};
    case HarpPart::kToneBar:
      break;
  }
  return {dark ? Eigen::Vector3f(0.36F, 0.38F, 0.40F) : Eigen::Vector3f(0.66F, 0.68F, 0.69F), 0.1F};
}

// What was not measured but drawn.
bool OnlyDrawn(HarpPart part) {
  return part == HarpPart::kBobbin || part == HarpPart::kBlock || part == HarpPart::kToneBar;
}

bool Same(const HarpRenderer::Frame& a, const HarpRenderer::Frame& b) {
  return a.view.camera_from_harp.matrix() == b.view.camera_from_harp.matrix() &&
         a.view.focal == b.view.focal && a.view.shift == b.view.shift && a.area_px == b.area_px &&
         a.selected_midi == b.selected_midi && a.hovered_midi == b.hovered_midi &&
         a.over_photo == b.over_photo && a.moving == b.moving;
}

}  // namespace

Result<std::unique_ptr<HarpRenderer>> HarpRenderer::Make() {
  std::unique_ptr<HarpRenderer> renderer(new HarpRenderer);
  const auto program = LinkProgram(kVertexSource, kFragmentSource);
  if (!program) return tl::unexpected(program.error());
  renderer->program_ = *program;
  glGenVertexArrays(1, &renderer->array_);
  glGenBuffers(1, &renderer->buffer_);
  glGenFramebuffers(1, &renderer->multisampled_);
  glGenFramebuffers(1, &renderer->resolved_);
  glGenRenderbuffers(1, &renderer->color_);
  glGenRenderbuffers(1, &renderer->depth_);
  glGenRenderbuffers(1, &renderer->plain_depth_);
  return renderer;
}

HarpRenderer::~HarpRenderer() {
  glDeleteProgram(program_);
  glDeleteVertexArrays(1, &array_);
  glDeleteBuffers(1, &buffer_);
  glDeleteFramebuffers(1, &multisampled_);
  glDeleteFramebuffers(1, &resolved_);
  glDeleteRenderbuffers(1, &color_);
  glDeleteRenderbuffers(1, &depth_);
  glDeleteRenderbuffers(1, &plain_depth_);
}

void HarpRenderer::SetModel(const HarpModel& model) {
  stale_ = true;
  ranges_.clear();
  center_mm_ = model.center_mm;
  radius_mm_ = model.radius_mm;
  std::vector<Vertex> vertices;
  runs_.clear();
  std::vector<const HarpMesh*> sorted;
  for (const HarpMesh& part : model.meshes) sorted.push_back(&part);
  std::stable_sort(sorted.begin(), sorted.end(), [](const HarpMesh* a, const HarpMesh* b) {
    return std::pair(a->part, a->verdict) < std::pair(b->part, b->verdict);
  });
  for (const HarpMesh* part : sorted) {
    const auto first = static_cast<GLint>(vertices.size());
    Append(part->mesh, vertices);
    const auto count = static_cast<GLsizei>(vertices.size()) - first;
    ranges_.push_back({part->part, part->verdict, part->mesh.midi, first, count});
    if (!runs_.empty() && runs_.back().part == part->part &&
        runs_.back().verdict == part->verdict) {
      runs_.back().count += count;
    } else {
      runs_.push_back({part->part, part->verdict, 0, first, count});
    }
  }
  glBindVertexArray(array_);
  glBindBuffer(GL_ARRAY_BUFFER, buffer_);
  glBufferData(GL_ARRAY_BUFFER, static_cast<GLsizeiptr>(vertices.size() * sizeof(Vertex)),
               vertices.data(), GL_STATIC_DRAW);
  glEnableVertexAttribArray(0);
  glVertexAttribPointer(0, 3, GL_FLOAT, GL_FALSE, sizeof(Vertex), nullptr);
  glEnableVertexAttribArray(1);
  glVertexAttribPointer(1, 3, GL_FLOAT, GL_FALSE, sizeof(Vertex),
                        // OpenGL takes the offset as a pointer.
                        // NOLINTNEXTLINE(performance-no-int-to-ptr)
                        reinterpret_cast<const void*>(offsetof(Vertex, facing)));
  glBindVertexArray(0);
}

void HarpRenderer::ResizeTargets(const Eigen::Vector2i& area_px) {
  if (size_px_ == area_px) return;
  size_px_ = area_px;
  texture_ = GlTexture::Empty(area_px.x(), area_px.y());
  glBindRenderbuffer(GL_RENDERBUFFER, color_);
  glRenderbufferStorageMultisample(GL_RENDERBUFFER, kSamples, GL_RGBA8, area_px.x(), area_px.y());
  glBindRenderbuffer(GL_RENDERBUFFER, depth_);
  glRenderbufferStorageMultisample(GL_RENDERBUFFER, kSamples, GL_DEPTH_COMPONENT24, area_px.x(),
                                   area_px.y());
  glBindFramebuffer(GL_FRAMEBUFFER, multisampled_);
  glFramebufferRenderbuffer(GL_FRAMEBUFFER, GL_COLOR_ATTACHMENT0, GL_RENDERBUFFER, color_);
  glFramebufferRenderbuffer(GL_FRAMEBUFFER, GL_DEPTH_ATTACHMENT, GL_RENDERBUFFER, depth_);
  glBindFramebuffer(GL_FRAMEBUFFER, resolved_);
  glFramebufferTexture2D(GL_FRAMEBUFFER, GL_COLOR_ATTACHMENT0, GL_TEXTURE_2D, texture_.Id(), 0);
  glBindRenderbuffer(GL_RENDERBUFFER, plain_depth_);
  glRenderbufferStorage(GL_RENDERBUFFER, GL_DEPTH_COMPONENT24, area_px.x(), area_px.y());
  glFramebufferRenderbuffer(GL_FRAMEBUFFER, GL_DEPTH_ATTACHMENT, GL_RENDERBUFFER, plain_depth_);
}

const GlTexture& HarpRenderer::Draw(const Frame& wanted, const Theme& theme) {
  Frame frame = wanted;
  frame.area_px = wanted.area_px.cwiseMax(1).cwiseMin(8192);
  if (!stale_ && Same(frame, drawn_) && drawn_dark_ == theme.palette.dark) return texture_;
  stale_ = false;
  drawn_ = frame;
  drawn_dark_ = theme.palette.dark;
  ResizeTargets(frame.area_px);
  glBindFramebuffer(GL_FRAMEBUFFER, frame.moving ? resolved_ : multisampled_);
  glViewport(0, 0, frame.area_px.x(), frame.area_px.y());
  glDisable(GL_SCISSOR_TEST);
  glDisable(GL_BLEND);
  glDisable(GL_CULL_FACE);
  glEnable(GL_DEPTH_TEST);
  glDepthFunc(GL_LEQUAL);
  glDepthMask(GL_TRUE);
  // Over a photo what is empty is clear; else the picture brings its own background.
  const ImVec4 back = ImGui::ColorConvertU32ToFloat4(theme.palette.stage);
  if (frame.over_photo) {
    glClearColor(0.0F, 0.0F, 0.0F, 0.0F);
  } else {
    glClearColor(back.x, back.y, back.z, 1.0F);
  }
  glClear(GL_COLOR_BUFFER_BIT | GL_DEPTH_BUFFER_BIT);
  DrawParts(frame, theme);
  glDisable(GL_DEPTH_TEST);
  if (!frame.moving) {
    glBindFramebuffer(GL_READ_FRAMEBUFFER, multisampled_);
    glBindFramebuffer(GL_DRAW_FRAMEBUFFER, resolved_);
    glBlitFramebuffer(0, 0, size_px_.x(), size_px_.y(), 0, 0, size_px_.x(), size_px_.y(),
                      GL_COLOR_BUFFER_BIT, GL_NEAREST);
  }
  glBindFramebuffer(GL_FRAMEBUFFER, 0);
  return texture_;
}

void HarpRenderer::SetLook(HarpPart part, Verdict verdict, const Theme& theme, float toward_accent,
                           float toward_white) const {
  Look look = LookOf(part, verdict, theme);
  look.color += toward_accent * (Rgb(theme.palette.accent) - look.color);
  look.color += toward_white * (Eigen::Vector3f::Ones() - look.color);
  glUniform3fv(color_place_, 1, look.color.data());
  glUniform1f(shine_place_, look.shine);
}

void HarpRenderer::DrawParts(const Frame& frame, const Theme& theme) {
  const double distance = (frame.view.camera_from_harp * center_mm_).norm();
  const double far_mm = distance + 2.0 * radius_mm_ + 50.0;
  double near_mm = std::max(0.5, distance - 2.0 * radius_mm_);
  if (frame.view.cut_harp_mm) {
    near_mm = std::max(near_mm, (frame.view.camera_from_harp * *frame.view.cut_harp_mm).z());
  }
  const Eigen::Matrix4f clip =
      frame.view.ClipFromHarp(frame.area_px.cast<double>(), near_mm, far_mm).cast<float>();
  const Eigen::Matrix3f turn = frame.view.camera_from_harp.linear().cast<float>();
  glUseProgram(program_);
  const auto uniform = [this](const char* name) { return glGetUniformLocation(program_, name); };
  glUniformMatrix4fv(uniform("clip_from_harp"), 1, GL_FALSE, clip.data());
  glUniformMatrix3fv(uniform("camera_from_harp"), 1, GL_FALSE, turn.data());
  color_place_ = uniform("color");
  shine_place_ = uniform("shine");
  glUniform1f(uniform("opacity"), frame.over_photo ? 0.6F : 1.0F);
  glBindVertexArray(array_);
  for (const Range& run : runs_) {
    if (run.part == HarpPart::kIdealAxis || (frame.over_photo && OnlyDrawn(run.part))) continue;
    SetLook(run.part, run.verdict, theme, 0.0F, 0.0F);
    glDrawArrays(GL_TRIANGLES, run.first, run.count);
  }
  // Once more, at the same depth and so over themselves.
  if (frame.hovered_midi != frame.selected_midi) DrawNote(frame, theme, frame.hovered_midi, false);
  DrawNote(frame, theme, frame.selected_midi, true);
  glBindVertexArray(0);
  glUseProgram(0);
}

void HarpRenderer::DrawNote(const Frame& frame, const Theme& theme, int midi, bool selected) {
  for (const Range& range : ranges_) {
    if (range.midi != midi) continue;
    const bool only_drawn = OnlyDrawn(range.part);
    if (only_drawn && frame.over_photo) continue;
    if (range.part == HarpPart::kIdealAxis && !selected) continue;
    SetLook(range.part, range.verdict, theme, selected && only_drawn ? 0.4F : 0.0F,
            selected ? 0.0F : 0.3F);
    glDrawArrays(GL_TRIANGLES, range.first, range.count);
  }
}

}  // namespace tinesight

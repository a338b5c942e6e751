#include "viewer/window/gl_objects.hpp"

#include <algorithm>
#include <array>
#include <utility>

namespace tinesight {
namespace {

constexpr std::ptrdiff_t kBytesPerFrame = 8 << 20;

// Pictures' rows follow each other without a gap, whatever their length.
class PackedRows {
 public:
  PackedRows() { glPixelStorei(GL_UNPACK_ALIGNMENT, 1); }
  ~PackedRows() { glPixelStorei(GL_UNPACK_ALIGNMENT, 4); }
  PackedRows(const PackedRows&) = delete;
  PackedRows& operator=(const PackedRows&) = delete;
};

GLuint NewTexture() {
  GLuint id = 0;
  glGenTextures(1, &id);
  glBindTexture(GL_TEXTURE_2D, id);
  glTexParameteri(GL_TEXTURE_2D, GL_TEXTURE_MAG_FILTER, GL_LINEAR);
  glTexParameteri(GL_TEXTURE_2D, GL_TEXTURE_WRAP_S, GL_CLAMP_TO_EDGE);
  glTexParameteri(GL_TEXTURE_2D, GL_TEXTURE_WRAP_T, GL_CLAMP_TO_EDGE);
  return id;
}

GLuint Compile(GLenum kind, const char* source, std::string& log) {
  const GLuint shader = glCreateShader(kind);
  glShaderSource(shader, 1, &source, nullptr);
  glCompileShader(shader);
  GLint good = GL_FALSE;
  glGetShaderiv(shader, GL_COMPILE_STATUS, &good);
  if (good == GL_FALSE) {
    std::array<char, 1024> text{};
    glGetShaderInfoLog(shader, static_cast<GLsizei>(text.size()), nullptr, text.data());
    log += text.data();
  }
  return shader;
}

}  // namespace

void GlTexture::Release() {
  if (id_ != 0) glDeleteTextures(1, &id_);
  id_ = 0;
}

GlTexture GlTexture::FromPicture(const cv::Mat& bgr) {
  GlTexture texture;
  texture.id_ = NewTexture();
  glTexParameteri(GL_TEXTURE_2D, GL_TEXTURE_MIN_FILTER, GL_LINEAR_MIPMAP_LINEAR);
  const cv::Mat whole = bgr.isContinuous() ? bgr : bgr.clone();
  const PackedRows packed;
  glTexImage2D(GL_TEXTURE_2D, 0, GL_RGBA8, whole.cols, whole.rows, 0, GL_BGR, GL_UNSIGNED_BYTE,
               whole.data);
  glGenerateMipmap(GL_TEXTURE_2D);
  return texture;
}

GlTexture GlTexture::Empty(int width_px, int height_px) {
  GlTexture texture;
  texture.id_ = NewTexture();
  glTexParameteri(GL_TEXTURE_2D, GL_TEXTURE_MIN_FILTER, GL_LINEAR);
  glTexImage2D(GL_TEXTURE_2D, 0, GL_RGBA8, width_px, height_px, 0, GL_RGBA, GL_UNSIGNED_BYTE,
               nullptr);
  return texture;
}

void PhotoTexture::Begin(PhotoStore::Picture picture) {
  picture_ = std::move(picture);
  GLint most = 2048;
  glGetIntegerv(GL_MAX_TEXTURE_SIZE, &most);
  const auto& levels = picture_->levels;
  const auto count = static_cast<int>(levels.size());
  first_level_ = 0;
  while (first_level_ + 1 < count &&
         std::max(levels[static_cast<std::size_t>(first_level_)].cols,
                  levels[static_cast<std::size_t>(first_level_)].rows) > most) {
    ++first_level_;
  }
  if (size_px_ != levels[static_cast<std::size_t>(first_level_)].size()) Make();
  level_ = count - 1 - first_level_;
  next_row_ = 0;
  glBindTexture(GL_TEXTURE_2D, texture_.Id());
  glTexParameteri(GL_TEXTURE_2D, GL_TEXTURE_BASE_LEVEL, level_);
  showing_ = true;
  Advance();
}

void PhotoTexture::Make() {
  const auto& levels = picture_->levels;
  size_px_ = levels[static_cast<std::size_t>(first_level_)].size();
  texture_ = GlTexture();
  texture_.id_ = NewTexture();
  glTexParameteri(GL_TEXTURE_2D, GL_TEXTURE_MIN_FILTER, GL_LINEAR_MIPMAP_LINEAR);
  const int last = static_cast<int>(levels.size()) - 1 - first_level_;
  for (int level = 0; level <= last; ++level) {
    const cv::Mat& bgr = levels[static_cast<std::size_t>(first_level_ + level)];
    glTexImage2D(GL_TEXTURE_2D, level, GL_RGBA8, bgr.cols, bgr.rows, 0, GL_BGR, GL_UNSIGNED_BYTE,
                 nullptr);
  }
  glTexParameteri(GL_TEXTURE_2D, GL_TEXTURE_MAX_LEVEL, last);
}

void PhotoTexture::Clear() {
  picture_.reset();
  showing_ = false;
}

bool PhotoTexture::Advance() {
  if (!picture_) return false;
  glBindTexture(GL_TEXTURE_2D, texture_.Id());
  const PackedRows packed;
  std::ptrdiff_t budget = kBytesPerFrame;
  while (level_ >= 0 && budget > 0) {
    const cv::Mat& bgr = picture_->levels[static_cast<std::size_t>(first_level_ + level_)];
    const std::ptrdiff_t row_bytes = static_cast<std::ptrdiff_t>(bgr.cols) * 3;
    const auto rows = static_cast<int>(std::min<std::ptrdiff_t>(
        bgr.rows - next_row_, std::max<std::ptrdiff_t>(1, budget / row_bytes)));
    glTexSubImage2D(GL_TEXTURE_2D, level_, 0, next_row_, bgr.cols, rows, GL_BGR, GL_UNSIGNED_BYTE,
                    bgr.ptr(next_row_));
    budget -= rows * row_bytes;
    next_row_ += rows;
    if (next_row_ < bgr.rows) break;
    // The level is whole: from now on it is what is seen.
    glTexParameteri(GL_TEXTURE_2D, GL_TEXTURE_BASE_LEVEL, level_);
    --level_;
    next_row_ = 0;
  }
  if (level_ < 0) picture_.reset();
  return picture_ != nullptr;
}

Result<GLuint> LinkProgram(const char* vertex_source, const char* fragment_source) {
  std::string log;
  const GLuint vertex = Compile(GL_VERTEX_SHADER, vertex_source, log);
  const GLuint fragment = Compile(GL_FRAGMENT_SHADER, fragment_source, log);
  const GLuint program = glCreateProgram();
  glAttachShader(program, vertex);
  glAttachShader(program, fragment);
  glLinkProgram(program);
  glDeleteShader(vertex);
  glDeleteShader(fragment);
  GLint good = GL_FALSE;
  glGetProgramiv(program, GL_LINK_STATUS, &good);
  if (good == GL_FALSE) {
    glDeleteProgram(program);
    return Fail("the graphics driver refuses the drawing program: " + log);
  }
  return program;
}

}  // namespace tinesight

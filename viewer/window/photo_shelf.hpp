#pragma once

#include <filesystem>
#include <map>
#include <memory>
#include <optional>
#include <utility>

#include "viewer/photo_store.hpp"
#include "viewer/session.hpp"
#include "viewer/window/gl_objects.hpp"

namespace tinesight {

/// The photos of the current visit on the graphics card: the one that is shown, and the crops of
/// the selected note.
class PhotoShelf {
 public:
  /// Takes the photos of a visit; `folder` is where to look for them first, may be empty.
  void SetVisit(const Session& session, const std::filesystem::path& folder);
  /// Fetches what has arrived; true: draw again.
  bool Update(const Session& session);
  /// Every photo was loaded, and the shown one is there in full, or can't be shown.
  [[nodiscard]] bool Settled() const;
  /// Waits for the shown photo and the note's crops, for a picture without a window.
  void WaitForAll(const Session& session);

  /// The shown photo's texture; nullptr while it is not there.
  [[nodiscard]] const GlTexture* Shown() const { return shown_.Texture(); }
  struct Crop {
    const GlTexture* texture = nullptr;
    double origin_x_px = 0.0;
    double origin_y_px = 0.0;
    double side_px = 1.0;
  };
  /// A note's crop from a photo; nothing while it is not there.
  [[nodiscard]] std::optional<Crop> CropOf(std::size_t photo, int midi);
  [[nodiscard]] const PhotoStore& Store() const { return store_; }

 private:
  void Want(const Session& session);

  PhotoStore store_;
  std::optional<std::size_t> shown_index_;
  PhotoTexture shown_;
  std::uint64_t seen_changes_ = 0;
  struct KeptCrop {
    GlTexture texture;
    std::array<double, 2> origin_px{};
    double side_px = 1.0;
  };
  std::map<std::pair<std::size_t, int>, KeptCrop> crops_;
};

}  // namespace tinesight

"""Cuts the tines out of what render_rods.py rendered, straightened as vision/straightened does it; of --tips pictures,
as much of them as shows.

    /usr/bin/python3 cut_strips.py RENDER_FOLDER STRIP_FOLDER

One file per picture: half floats, linear light, strips x 3 x ROWS x COLUMNS, each tine twice with more and less blur.
"""
import glob
import json
import os
import sys

os.environ["OPENCV_IO_ENABLE_OPENEXR"] = "1"
import cv2  # noqa: E402
import numpy as np  # noqa: E402
import torch  # noqa: E402

from draw_rods import COLUMNS, HALF_WIDTH, ROWS  # noqa: E402

STEP_MM = 0.5  # along, as Straightened::kAlongStepMm
SHOWN_MM = (200, 36, 30, 26, 22, 19, 16, 13)  # of a tine: the first that the picture has is cut


def looked(picture, shot, points, least=0.98):
    """The picture at rows x columns of points; None: less than that share of them was rendered."""
    pose = np.array(shot["camera_from_harp"])
    seen = points @ pose[:3, :3].T + pose[:3, 3]
    height, width = picture.shape[:2]
    px = (seen[..., :2] / seen[..., 2:] * shot["f_px"] + [(width - 1) / 2, (height - 1) / 2]).astype(np.float32)
    if px.min() < 2 or px[..., 0].max() > width - 3 or px[..., 1].max() > height - 3:
        return None
    strip = cv2.remap(picture, px[..., 0], px[..., 1], cv2.INTER_LINEAR)
    return strip if (strip.sum(2) > 0).mean() > least else None


def straightened(picture, shot, middle, along, offsets_mm):
    """Rows about points of a line, columns to the right of it; None: not all of it is in the picture."""
    pose = np.array(shot["camera_from_harp"])
    across = np.cross(along, middle + pose[:3, :3].T @ pose[:3, 3])
    across /= np.linalg.norm(across, axis=1)[:, None]
    if (pose[:3, :3] @ across[0])[0] < 0:
        across = -across
    return looked(picture, shot, middle[:, None] + across[:, None] * offsets_mm[None, :, None])


def picture_of(name, rng):
    """What was rendered, with less and more blur."""
    picture = cv2.imread(name, cv2.IMREAD_UNCHANGED)[:, :, :3].astype(np.float32)
    rendered = np.ix_(*(np.flatnonzero(picture.any((axis, 2))) for axis in (1, 0)))
    part = picture[rendered]
    part = np.minimum(part / part.mean(), 30)
    for px in (rng.uniform(0.45, 0.8), rng.uniform(0.8, 1.4)):
        picture[rendered] = cv2.GaussianBlur(part, (0, 0), px)
        yield picture


def strip_of(picture, shot, note, rng):
    """As much of a tine as shows, from its tip; None: too little."""
    pose = np.array(shot["camera_from_harp"])
    eye = -pose[:3, :3].T @ pose[:3, 3]
    root, along, length = np.array(note["root_mm"]), np.array(note["direction"]), note["length_mm"]
    behind_block = (root[1] - note["block_edge_mm"][1]) * abs(eye[2] - root[2]) / max(1, abs(eye[1]))
    hidden = min(behind_block, 0.5 * length) + rng.uniform(-0.5, 2)
    first = length + rng.uniform(-0.3, 0.6)
    across = np.linspace(-HALF_WIDTH, HALF_WIDTH, COLUMNS) * note["diameter_mm"]
    for shown in SHOWN_MM:
        last = max(hidden, length - shown)
        count = max(8, int((first - last) / STEP_MM) + 1)
        middle = root + along * np.linspace(first, last, count)[:, None]
        strip = straightened(picture, shot, middle, along, across)
        if strip is not None:
            break
    else:
        return None
    # As GatherRows() mixes them.
    mixed = 1.5 * count / 72
    kernel = cv2.getGaussianKernel(2 * int(4 * mixed + 1) + 1, mixed)
    strip = cv2.sepFilter2D(strip, -1, np.ones((1, 1)), kernel, borderType=cv2.BORDER_REPLICATE)
    rows = np.repeat(np.linspace(0, count - 1, ROWS, dtype=np.float32)[:, None], COLUMNS, 1)
    columns = np.repeat(np.arange(COLUMNS, dtype=np.float32)[None], ROWS, 0)
    return cv2.remap(strip, columns, rows, cv2.INTER_LINEAR)


def cut_pictures(cut):
    """Cuts every tine, cut(picture, shot, note, rng), out of each picture of RENDER_FOLDER that has no file yet."""
    renders, folder = sys.argv[1], sys.argv[2]
    os.makedirs(folder, exist_ok=True)
    for name in sorted(glob.glob(os.path.join(renders, "[0-9]*.exr"))):
        out = os.path.join(folder, os.path.basename(name)[:-4] + ".pt")
        if os.path.exists(out):
            continue
        rng = np.random.default_rng(int(os.path.basename(name)[:-4]))
        with open(name[:-3] + "json") as file:
            shot = json.load(file)
        strips = []
        for blurred in picture_of(name, rng):
            strips += [s for s in (cut(blurred, shot, note, rng) for note in shot["notes"]) if s is not None]
        if strips:
            torch.save(torch.tensor(np.stack(strips)).permute(0, 3, 1, 2).half(), out)
        print(name, len(strips), "strips", flush=True)


if __name__ == "__main__":
    cut_pictures(strip_of)

#!/usr/bin/python3
"""Projects the truth into finished photos with OpenCV's camera model and measures how far the pictures are from it.

    python3 check_truth.py [PHOTO ...] [--crops FOLDER]

Per photo and bar: found minus true position of the tags (px), and how many tags OpenCV finds and which others.
With --crops, enlarged crops of tips, pickups and tag corners with the truth drawn in, to look at.
"""
import json
import os
import sys

import cv2
import numpy as np

sys.dont_write_bytecode = True
import layout as lay  # noqa: E402

HERE = os.path.dirname(os.path.abspath(__file__))
ROOT = os.path.dirname(HERE)


def load(name):
    with open(os.path.join(ROOT, "truth", name + ".json")) as f:
        return json.load(f)


def project(truth, points):
    m, c = np.array(truth["camera_from_rig"]), truth["camera"]
    k = np.array([[c["fx"], 0, c["cx"]], [0, c["fy"], c["cy"]], [0, 0, 1]])
    return cv2.projectPoints(np.array(points, float), cv2.Rodrigues(m[:3, :3])[0], m[:3, 3], k,
                             np.array(c["distortion"]))[0].reshape(-1, 2)


def mark(image, p, color, scale, origin, size=9):
    q = tuple(int(round(v)) for v in (np.array(p) - origin + 0.5) * scale - 0.5)
    cv2.line(image, (q[0] - size, q[1]), (q[0] + size, q[1]), color, 1)
    cv2.line(image, (q[0], q[1] - size), (q[0], q[1] + size), color, 1)


def crop(image, center, half, scale):
    x, y = (int(round(v)) for v in center)
    x, y = max(half, min(image.shape[1] - half, x)), max(half, min(image.shape[0] - half, y))
    part = image[y - half:y + half, x - half:x + half]
    return cv2.resize(part, None, fx=scale, fy=scale, interpolation=cv2.INTER_NEAREST), np.array([x - half, y - half])


STEP = 12  # samples per mm in the plane of a tag


def drawn(bits):
    """A tag as printed, ink gain included, 16 mm wide: 0 ink, 1 paper."""
    at = (np.arange(16 * STEP) + 0.5) / STEP - 8
    picture = np.ones((len(at), len(at)))
    ramp = lambda a, b: np.clip((at - a) * STEP + 0.5, 0, 1) * np.clip((b - at) * STEP + 0.5, 0, 1)
    for row in range(8):
        for col in range(8):
            if bits[row][col] == "0":
                u, v, g = col * 1.5 - 6, row * 1.5 - 6, lay.INK_GAIN
                picture = np.minimum(picture, 1 - np.outer(ramp(v - g, v + 1.5 + g), ramp(u - g, u + 1.5 + g)))
    return picture.astype(np.float32)


def tag_shift_px(linear, truth, corner_px, bits):
    """How far the photo's tag is from the truth: unrolled into its plane by the truth and aligned to the drawing."""
    plane = np.float32([[-6, -6], [6, -6], [6, 6], [-6, 6]])
    px_from_plane = cv2.getPerspectiveTransform(plane, corner_px.astype(np.float32))
    to_mm = np.array([[1 / STEP, 0, 0.5 / STEP - 8], [0, 1 / STEP, 0.5 / STEP - 8], [0, 0, 1]])
    size = 16 * STEP
    flat = cv2.warpPerspective(linear, px_from_plane @ to_mm, (size, size), flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP)
    mask = np.zeros((size, size), np.uint8)
    mask[STEP:-STEP, STEP:-STEP] = 255
    y, x = (np.mgrid[0:size, 0:size] - size / 2) / size
    m = cv2.GaussianBlur(drawn(bits), (0, 0), 4)
    inside = mask > 0
    a = np.stack([k[inside] for k in (m, m * x, m * y, np.ones_like(m))], 1)
    k = np.linalg.lstsq(a, flat[inside], rcond=None)[0]
    flat = (flat / (1 + (k[1] * x + k[2] * y) / k[0])).astype(np.float32)  # uneven light would pass for a shift
    best = (0.0, None)
    for blur in (2, 5, 8, 11):
        try:
            cc, warp = cv2.findTransformECC(cv2.GaussianBlur(drawn(bits), (0, 0), blur), flat, np.eye(2, 3, dtype=np.float32),
                                            cv2.MOTION_TRANSLATION, (3, 60, 1e-5), mask, 1)
        except cv2.error:
            continue
        if cc > best[0]:
            best = (cc, warp[:, 2] / STEP)
    if best[0] < 0.9:
        return None
    p = cv2.perspectiveTransform(np.float32([[[0, 0], best[1]]]), px_from_plane)[0]
    return p[1] - p[0]


def main():
    argv = sys.argv[1:]
    crops = None
    if "--crops" in argv:
        i = argv.index("--crops")
        crops = argv[i + 1]
        argv = argv[:i] + argv[i + 2:]
        os.makedirs(crops, exist_ok=True)
    names = argv or sorted(n[:-5] for n in os.listdir(os.path.join(ROOT, "truth")) if "_" in n)
    rig = load("rig")
    with open(os.path.join(HERE, "tags36h11.json")) as f:
        table = json.load(f)
    for name in names:
        truth = load(name)
        path = os.path.join(ROOT, truth["file"])
        if not os.path.exists(path):
            continue
        image = cv2.imread(path, cv2.IMREAD_COLOR | cv2.IMREAD_IGNORE_ORIENTATION)
        gray = cv2.cvtColor(image, cv2.COLOR_BGR2GRAY)
        value = gray.astype(np.float32) / 255
        linear = np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4).astype(np.float32)
        line = f"{name}:"
        for bar in ("pickup", "mount"):
            corners = [(t["id"], project(truth, t["corners_mm"])) for t in rig["tags"] if (t["id"] < 20) == (bar == "pickup")]
            seen = [(i, p) for i, p in corners if p.min() > 30 and np.all(p.max(0) < [gray.shape[1] - 30, gray.shape[0] - 30])]
            d = [tag_shift_px(linear, truth, p, table[str(i)]) for i, p in seen]
            d = np.array([x for x in d if x is not None]).reshape(-1, 2)
            line += f"  {bar} {len(d)}/{len(seen)}"
            if len(d):
                line += (f" mean ({d[:, 0].mean():+.3f}, {d[:, 1].mean():+.3f}) "
                         f"rms {np.sqrt((d ** 2).sum(1).mean()):.3f} max {np.linalg.norm(d, axis=1).max():.2f};")
        parameters = cv2.aruco.DetectorParameters_create()
        parameters.adaptiveThreshWinSizeMax, parameters.adaptiveThreshWinSizeStep = 103, 20
        parameters.perspectiveRemoveIgnoredMarginPerCell, parameters.errorCorrectionRate = 0.3, 1.0
        dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
        _, ids, _ = cv2.aruco.detectMarkers(gray, dictionary, parameters=parameters)
        ids = set() if ids is None else set(ids.ravel().tolist())
        line += f"  tags {len([i for i in ids if i < 20])}+{len([i for i in ids if 40 <= i < 60])}, others {sorted(i for i in ids if i >= 60 or 20 <= i < 40)}"
        print(line)
        if not crops:
            continue
        tiles = []
        notes = [n for n in truth.get("notes", []) if n["in_register"]]
        for n in notes[::4]:
            c, o = crop(image, n["pickup_px"], 50, 5)
            for key, color in (("tip_px", (0, 255, 0)), ("pickup_px", (0, 0, 255))):
                mark(c, n[key], color, 5, o)
            tiles.append(c)
        for t in rig["tags"][3:40:8]:
            p = project(truth, t["corners_mm"])
            if np.all((p[0] > 60) & (p[0] < [gray.shape[1] - 60, gray.shape[0] - 60])):
                c, o = crop(image, p[0], 50, 5)
                for q in p:
                    mark(c, q, (0, 160, 255), 5, o)
                tiles.append(c)
        columns = 4
        while len(tiles) % columns:
            tiles.append(np.zeros_like(tiles[0]))
        cv2.imwrite(os.path.join(crops, name + ".png"),
                    np.vstack([np.hstack(tiles[i:i + columns]) for i in range(0, len(tiles), columns)]))


main()

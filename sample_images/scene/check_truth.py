#!/usr/bin/python3
"""Projects the truth into finished photos with OpenCV's camera model and measures how far the pictures are from it.

    python3 check_truth.py [PHOTO ...] [--crops FOLDER]

Per photo: saddle points found minus truth (px), per bar, and the tags that OpenCV finds with their ids checked.
With --crops, enlarged crops of tips, pickups and tag corners with the truth drawn in, to look at.
"""
import json
import os
import sys

import cv2
import numpy as np

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


def find_saddle(linear, center, ju, jv, blur):
    """Shift of the printed saddle from where the truth puts it: the drawn shape, blurred, is aligned to the picture."""
    half = int(2.5 * max(np.abs(ju).max(), np.abs(jv).max()))
    x, y = (int(round(v)) for v in center)
    if not (half < x < linear.shape[1] - half - 1 and half < y < linear.shape[0] - half - 1):
        return None
    patch = linear[y - half:y + half + 1, x - half:x + half + 1]
    s = 5
    offset = (np.arange((2 * half + 1) * s) + 0.5) / s - 0.5 - half
    px, py = np.meshgrid(offset + x - center[0], offset + y - center[1])
    inverse = np.linalg.inv(np.stack([ju, jv], 1))
    u, v = inverse[0, 0] * px + inverse[0, 1] * py, inverse[1, 0] * px + inverse[1, 1] * py
    ink = ((u > -2.03) & (u < 0.03) & (v > -2.03) & (v < 0.03)) | ((u < 2.03) & (u > -0.03) & (v < 2.03) & (v > -0.03))
    ink |= np.abs(u) > 3.0 - 0.03
    model = cv2.resize(1 - ink.astype(np.float32), (2 * half + 1, 2 * half + 1), interpolation=cv2.INTER_AREA)
    model = cv2.GaussianBlur(model, (0, 0), blur)
    warp = np.eye(2, 3, dtype=np.float32)
    try:
        cc, warp = cv2.findTransformECC(model, patch, warp, cv2.MOTION_TRANSLATION, (3, 60, 1e-5), None, 3)
    except cv2.error:
        return None
    return warp[:, 2] if cc > 0.9 else None


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
            px = project(truth, [p["xyz_mm"] for p in rig["points"] if p["bar"] == bar])
            tags = [t for t in rig["tags"] if (t["id"] < 20) == (bar == "pickup")]
            corners = project(truth, [c for t in tags for c in t["corners_mm"]]).reshape(-1, 4, 2)
            edges = (corners[:, 1] - corners[:, 0]) / 12, (corners[:, 3] - corners[:, 0]) / 12
            depth = (np.array(truth["camera_from_rig"]) @ [0, *((-25, 30) if bar == "pickup" else (17, -205)), 1])[2]
            coc = truth["camera"]["fx"] * truth["aperture_mm"] * abs(1 / depth - 1 / truth["focus_distance_mm"])
            ok = np.all((px > 30) & (px < [gray.shape[1] - 30, gray.shape[0] - 30]), axis=1)
            if not ok.any():
                line += f"  {bar} none in view"
                continue
            d = [find_saddle(linear, px[j], edges[0][min(j, 19)], edges[1][min(j, 19)], (1.1 ** 2 + (coc / 4) ** 2) ** 0.5)
                 for j in range(21) if ok[j]]
            good = np.array([x is not None for x in d])
            d = np.array([x for x in d if x is not None]).reshape(-1, 2)
            if not len(d):
                line += f"  {bar} 0/{ok.sum()}"
                continue
            line += (f"  {bar} {good.sum()}/{ok.sum()} mean ({d[:, 0].mean():+.3f}, {d[:, 1].mean():+.3f}) "
                     f"rms {np.sqrt((d ** 2).sum(1).mean()):.3f} max {np.abs(d).max():.2f};")
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

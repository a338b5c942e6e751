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
        line = f"{name}:"
        for bar in ("pickup", "mount"):
            px = project(truth, [p["xyz_mm"] for p in rig["points"] if p["bar"] == bar])
            tags = [t for t in rig["tags"] if (t["id"] < 20) == (bar == "pickup")]
            corners = project(truth, [c for t in tags for c in t["corners_mm"]]).reshape(-1, 4, 2)
            side = np.median(np.linalg.norm(corners[:, 0] - corners[:, 1], axis=1)) / 12
            ok = np.all((px > 30) & (px < [gray.shape[1] - 30, gray.shape[0] - 30]), axis=1)
            if not ok.any():
                line += f"  {bar} none in view"
                continue
            half = int(max(3, round(1.6 * side)))
            found = cv2.cornerSubPix(gray, px[ok].astype(np.float32).reshape(-1, 1, 2).copy(), (half, half), (-1, -1),
                                     (3, 60, 1e-3)).reshape(-1, 2)
            d = found - px[ok]
            good = np.linalg.norm(d, axis=1) < 2.5
            d = d[good]
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

#!/usr/bin/python3
"""Makes the photo of a rendered picture: lens distortion, vignetting, exposure, sensor noise, JPEG, EXIF.

    python3 develop.py PHOTO FOLDER [OUT.jpg]
"""
import json
import os
import struct
import sys
import zlib

os.environ["OPENCV_IO_ENABLE_OPENEXR"] = "1"
import cv2
import numpy as np

sys.dont_write_bytecode = True
import layout as lay  # noqa: E402

HERE = os.path.dirname(os.path.abspath(__file__))
BYTES = {"harp": 2_350_000, "rig": 1_480_000}  # most that one photo may take


def undistorted_map(camera, shape):
    """Where in the render (pixel centers at integers, principal point in its center) each photo pixel looks."""
    k1, k2, p1, p2, k3 = camera["distortion"]
    v, u = np.mgrid[0:camera["height"], 0:camera["width"]].astype(np.float32)
    xd, yd = (u - camera["cx"]) / camera["fx"], (v - camera["cy"]) / camera["fy"]
    x, y = xd.copy(), yd.copy()
    for _ in range(6):
        r2 = x * x + y * y
        s = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
        x, y = (xd - 2 * p1 * x * y - p2 * (r2 + 2 * x * x)) / s, (yd - p1 * (r2 + 2 * y * y) - 2 * p2 * x * y) / s
    h, w = shape[:2]
    fx, fy = camera["fx"] * lay.RENDER_SCALE, camera["fy"] * lay.RENDER_SCALE
    return ((x * fx + (w - 1) / 2).astype(np.float32), (y * fy + (h - 1) / 2).astype(np.float32),
            (1 + xd * xd + yd * yd).astype(np.float32))


def assemble(folder, truth):
    """The picture from its passes. Color x light: the light is smoothed along the surfaces (guided by normals and
    color, so that no outline moves), which takes the Monte-Carlo grain away; the sensor's own noise comes later."""
    read = lambda n: cv2.imread(os.path.join(folder, n + "0001.exr"), cv2.IMREAD_UNCHANGED)[:, :, :3].astype(np.float32)
    normal, diffuse_color, glossy_color = read("normal"), read("diffuse_color"), read("glossy_color")
    rest = read("image")
    guide = np.stack([normal[:, :, 0], 0.7 * normal[:, :, 1] + 0.7 * normal[:, :, 2],
                      2 * (diffuse_color + glossy_color).mean(2) ** 0.5], 2)
    total = 0
    for kind, color, radius, eps, keep in (("diffuse", diffuse_color, 4, 2e-3, 0.12), ("glossy", glossy_color, 2, 1e-3, 0.25)):
        raw = read(kind + "_light")
        rest -= color * raw
        limit = cv2.medianBlur(raw, 5)
        light = np.minimum(raw, 1.6 * limit + 0.25)  # sparks
        smooth = np.maximum(cv2.ximgproc.guidedFilter(guide, light, radius, eps), 0)
        total = total + color * (keep * light + (1 - keep) * smooth)
    depth = cv2.imread(os.path.join(folder, "depth0001.exr"), cv2.IMREAD_UNCHANGED)
    depth = np.nan_to_num(depth if depth.ndim == 2 else depth[:, :, 0], posinf=1e4).astype(np.float32)
    f = truth["camera"]["fx"] * lay.RENDER_SCALE
    blur = f * truth["aperture_mm"] * np.abs(1 / np.clip(depth, 50, 5000) - 1 / truth["focus_distance_mm"])
    blur = cv2.blur(cv2.erode(cv2.medianBlur(blur, 5), np.ones((9, 9))), (7, 7))  # never across a sharp outline
    far = np.clip((blur - 5) / 3, 0, 1)[:, :, None]
    total = far * cv2.GaussianBlur(total, (0, 0), 1.25) + (1 - far) * total  # few lens samples look like sand there
    rest[np.abs(rest) < 0.02] = 0  # what half-float rounding leaves; the lamps themselves stay
    return np.maximum(total + np.maximum(rest, 0), 0)


def tone(x):
    """Linear up to 0.55, then a soft shoulder to 1; then the sRGB curve."""
    knee = 0.55
    y = np.where(x < knee, x, knee + (1 - knee) * (1 - np.exp(-(x - knee) / (1 - knee))))
    return np.where(y <= 0.0031308, 12.92 * y, 1.055 * np.power(np.maximum(y, 1e-6), 1 / 2.4) - 0.055)


def expose(image, kind):
    """Gain that brings the mean gray to a phone's choice without burning the paper."""
    small = image[::8, ::8]
    lo, hi = 0.02, 60.0
    for _ in range(40):
        g = (lo * hi) ** 0.5
        if tone(small * g).mean() * 255 < (112 if kind == "harp" else 118):
            lo = g
        else:
            hi = g
    return g


def exif(kind, name, date):
    """An APP1 payload of an invented phone."""
    def ascii_(s):
        return s.encode() + b"\0"

    def ifd(entries, start, next_=0):
        out, data = struct.pack("<H", len(entries)), b""
        base = start + 2 + 12 * len(entries) + 4
        for tag, type_, count, value in sorted(entries):
            if len(value) <= 4:
                out += struct.pack("<HHI", tag, type_, count) + value.ljust(4, b"\0")
            else:
                out += struct.pack("<HHII", tag, type_, count, base + len(data))
                data += value + (b"\0" if len(value) % 2 else b"")
        return out + struct.pack("<I", next_) + data

    short, long_ = (lambda v: struct.pack("<H", v)), (lambda v: struct.pack("<I", v))
    ratio = lambda a, b: struct.pack("<II", a, b)
    text = lambda tag, s: (tag, 2, len(s) + 1, ascii_(s))
    sub = [(0x829A, 5, 1, ratio(1, 60 if kind == "harp" else 90)), (0x829D, 5, 1, ratio(9, 5)), (0x8827, 3, 1, short(160)),
           (0x9000, 7, 4, b"0232"), text(0x9003, date), text(0x9004, date), (0x9101, 7, 4, b"\1\2\3\0"),
           (0x920A, 5, 1, ratio(535, 100)), (0xA001, 3, 1, short(1)), (0xA002, 4, 1, long_(4032)), (0xA003, 4, 1, long_(3024)),
           (0xA404, 5, 1, ratio(1, 1)), (0xA405, 3, 1, short(26)), text(0xA433, "Lumora"),
           text(0xA434, "Handset 5 main camera 5.35mm f/1.8")]
    main = [text(0x010F, "Lumora"), text(0x0110, "Handset 5"), (0x0112, 3, 1, short(1)), (0x011A, 5, 1, ratio(72, 1)),
            (0x011B, 5, 1, ratio(72, 1)), (0x0128, 3, 1, short(2)), text(0x0131, "5.1"), text(0x0132, date),
            (0x8769, 4, 1, long_(0))]
    size = len(ifd(main, 8))
    main[-1] = (0x8769, 4, 1, long_(8 + size))
    first = ifd(main, 8)
    return b"Exif\0\0" + b"II*\0" + struct.pack("<I", 8) + first + ifd(sub, 8 + len(first))


def encode(image, limit):
    """The best JPEG quality that stays within the limit."""
    lo, hi, best = 40, 95, None
    while lo <= hi:
        q = (lo + hi + 1) // 2
        data = cv2.imencode(".jpg", image, [cv2.IMWRITE_JPEG_QUALITY, q, cv2.IMWRITE_JPEG_OPTIMIZE, 1])[1].tobytes()
        if len(data) <= limit:
            best, lo = (data, q), q + 1
        else:
            hi = q - 1
    return best


def main():
    name, path = sys.argv[1:3]
    truth = json.load(open(os.path.join(HERE, "..", "truth", name + ".json")))
    out = sys.argv[3] if len(sys.argv) > 3 else os.path.join(HERE, "..", truth["file"])
    camera, kind = truth["camera"], truth["kind"]
    image = assemble(path, truth)
    mx, my, fall = undistorted_map(camera, image.shape)
    assert mx.min() > 3 and my.min() > 3 and mx.max() < image.shape[1] - 4 and my.max() < image.shape[0] - 4
    image = cv2.GaussianBlur(image, (0, 0), 0.9)  # the lens and the color mosaic
    image = cv2.remap(image, mx, my, cv2.INTER_CUBIC)
    image = np.maximum(image, 0) * (fall ** -0.7)[:, :, None]
    image *= expose(image, kind)
    rng = np.random.default_rng(zlib.crc32(name.encode()))
    full = 9000.0  # electrons at white
    sd = np.sqrt(np.maximum(image, 0) * full + 30.0) / full
    noise = rng.standard_normal(image.shape, dtype=np.float32)
    noise = 0.7 * noise + 1.1 * cv2.GaussianBlur(noise, (0, 0), 0.8)  # demosaicing spreads it
    image = tone(np.maximum(image + noise * sd, 0))
    image8 = np.clip(image * 255 + 0.5, 0, 255).astype(np.uint8)
    data, q = encode(image8, BYTES[kind])
    minute = 2 * zlib.crc32(name.encode()) % 50
    date = "2026:%s:%s:%02d" % ("03:14 09" if kind == "rig" else "03:14 10", "%02d" % minute, len(name) * 3)
    app1 = exif(kind, name, date)
    data = data[:2] + b"\xff\xe1" + struct.pack(">H", len(app1) + 2) + app1 + data[2:]
    os.makedirs(os.path.dirname(os.path.abspath(out)), exist_ok=True)
    with open(out + ".part", "wb") as f:
        f.write(data)
    os.replace(out + ".part", out)
    print(f"{name}: quality {q}, {len(data) / 1e6:.2f} MB, mean {image8.mean():.0f}, 99.5 % {np.percentile(image8[::4, ::4], 99.5):.0f}")


if __name__ == "__main__":
    main()

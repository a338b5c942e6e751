#!/usr/bin/python3
"""The demo instrument, the rig as it really is, and every photo's camera: all the numbers, no pictures.

    python3 layout.py        writes ../instrument.json and ../truth/*.json

Frames as in alignment/README.md: +x toward treble, +y up as played (down in the photo), +z away from the camera, mm.
yaw = atan2(dx, dz), pitch = atan2(dy, dz) of the tine's (or tone bar's) direction. Everything is seeded.
"""
import json
import math
import os

import numpy as np

HERE = os.path.dirname(os.path.abspath(__file__))
OUT = os.path.dirname(HERE)

# ---------------------------------------------------------------- instrument
FIRST, LAST, MIDDLE = 28, 100, 64
LONG_MM = 60.0  # tines longer than that have one screw to each side of their root
SPACING = 13.7
REGISTERS = {"r1": (28, 44), "r2": (42, 58), "r3": (56, 72), "r4": (70, 86), "r5": (84, 100)}
NAMES = ["C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B"]


def note_name(m):
    return f"{NAMES[m % 12]}{m // 12 - 1}"


def fraction(m):
    return (m - FIRST) / (LAST - FIRST)


def nominal(m):
    f = fraction(m)
    return {
        "midi": m,
        "tine_length_mm": round(157.0 * (18.0 / 157.0) ** f, 2),
        "tine_diameter_mm": round(1.9 - 0.3 * max(0.0, (m - 60) / 40.0), 3),
        "pole_tip_diameter_mm": 3.0,
        "bobbin_diameter_mm": 13.6,
        "gap_mm": round(1.6 - 0.8 * f, 3),
        "height_mm": round(1.2 - 0.6 * f, 3),
        "tolerance_lateral_mm": 0.5,
        "tolerance_height_mm": 0.5,
        "tolerance_gap_mm": 0.4,
    }


CROOKED = {31: 0.62, 37: -1.25, 45: 0.95, 51: -0.7, 60: 1.3, 68: -0.85, 79: 1.1, 90: -1.3}
SKEWED = {34: -0.55, 47: 0.8, 63: -0.9, 75: 1.0, 88: 0.95}
PICKUP_OUT = {53: 0.8, 82: -0.8}
HEIGHT_OFF = {40: 0.9, 57: -0.85, 66: 1.0, 95: 0.8}
GROMMET = {43: -0.8, 77: -0.8}


def style(m):
    """What the pickup and the tuning spring of a note look like."""
    band = min(4, (m - FIRST) // 15)
    return {"pole": ["cone", "cylinder", "cone", "chisel", "cone"][band],
            "coil": ["copper", "red", "dark", "copper", "red"][band]}


def project_out(values, columns_of, members):
    """Takes from every register's ordinary notes the part that would turn or shift its fitted harp frame."""
    for _ in range(400):
        for first, last in REGISTERS.values():
            sel = [m for m in range(first, last + 1) if m in members]
            a = np.array([columns_of(m) for m in sel], float)
            y = np.array([values[m] for m in sel])
            c = np.linalg.lstsq(a, y, rcond=None)[0]
            for m, r in zip(sel, y - a @ c):
                values[m] = r


def make_notes():
    rng = np.random.default_rng(20260314)
    notes = range(FIRST, LAST + 1)
    draw = lambda sd: {m: float(np.clip(rng.normal(), -2.4, 2.4) * sd) for m in notes}
    px, py, pz = draw(0.12), draw(0.12), draw(0.2)
    bar_yaw, bar_pitch = draw(0.15), draw(0.12)
    crook, pitch_rel = draw(0.13), draw(0.12)
    height, gap, root_x = draw(0.2), draw(0.15), draw(0.22)
    length, diameter = draw(0.06), draw(0.004)
    spring, look = draw(1.0), {m: int(rng.integers(1 << 30)) for m in notes}
    # The harp frame of a register is fitted to pickups and tone bars: keep the ordinary ones from tilting it.
    project_out(px, lambda m: (1, m - 64), set(notes) - set(PICKUP_OUT))
    project_out(py, lambda m: (1, m - 64), set(notes))
    project_out(pz, lambda m: (1, m - 64), set(notes))
    project_out(bar_yaw, lambda m: (1,), set(notes) - set(SKEWED))
    project_out(bar_pitch, lambda m: (1,), set(notes))
    result = []
    for m in notes:
        n = nominal(m)
        faults = []
        pickup = np.array([(m - MIDDLE) * SPACING + px[m] + PICKUP_OUT.get(m, 0.0), py[m], pz[m]])
        if m in PICKUP_OUT:
            faults.append("pickup_out_of_line")
        yb = bar_yaw[m]
        if m in SKEWED:
            yb = SKEWED[m]
            faults.append("tone_bar_skewed")
        yt = yb + crook[m]
        if m in CROOKED:
            yt = CROOKED[m]
            faults.append("tine_crooked")
        pt = bar_pitch[m] + pitch_rel[m]
        dh = height[m]
        if m in HEIGHT_OFF:
            dh = HEIGHT_OFF[m]
            faults.append("height_off")
        if m in GROMMET:
            dh = GROMMET[m]
            faults.append("grommet_flattened")
        L = n["tine_length_mm"] + length[m]
        d = np.array([math.tan(math.radians(yt)), math.tan(math.radians(pt)), 1.0])
        d /= np.linalg.norm(d)
        tip_z = pickup[2] - max(0.45, n["gap_mm"] + gap[m])
        tip_y_at_face = pickup[1] + n["height_mm"] + dh
        root_z = tip_z - L * d[2]
        to_face = (pickup[2] - root_z) / d[2]
        # An ordinary note was once centered by hand: about half of what its yaw takes away was put back at the root.
        back = 0.0 if faults else -0.5 * L * math.tan(math.radians(yt))
        root = np.array([(m - MIDDLE) * SPACING + root_x[m] + back, tip_y_at_face - to_face * d[1], root_z])
        tip = root + L * d
        face = root + to_face * d
        lateral, h, g = face[0] - pickup[0], face[1] - pickup[1], pickup[2] - tip[2]
        result.append({
            "midi": m, "name": note_name(m), "faults": faults,
            "root_harp_mm": root.tolist(), "tip_harp_mm": tip.tolist(), "pickup_harp_mm": pickup.tolist(),
            "tine_length_mm": L, "tine_diameter_mm": n["tine_diameter_mm"] + diameter[m],
            "yaw_deg": yt, "pitch_deg": pt, "tone_bar_yaw_deg": yb, "tone_bar_pitch_deg": bar_pitch[m],
            "lateral_mm": lateral, "height_mm": h, "gap_mm": g,
            "correction_deg": -math.degrees(math.atan2(lateral, pickup[2] - root[2])),
            "look_seed": look[m], "spring_draw": spring[m],
        })
    return result


# ---------------------------------------------------------------- rig
INK_GAIN = 0.03
PRINT_ALONG, PRINT_ACROSS = 0.9985, 0.9990
BARS = {"pickup": (0, -25.0, 30.0), "mount": (40, 17.0, -205.0)}


def rotation(rx, ry, rz):
    cx, sx, cy, sy, cz, sz = (f(a) for a in (rx, ry, rz) for f in (math.cos, math.sin))
    return (np.array([[cz, -sz, 0], [sz, cz, 0], [0, 0, 1]]) @ np.array([[cy, 0, sy], [0, 1, 0], [-sy, 0, cy]])
            @ np.array([[1, 0, 0], [0, cx, -sx], [0, sx, cx]]))


def bar_shape(name):
    """The real strip of a bar: paper waves, uneven stretch, and where the bar stands. Deterministic."""
    rng = np.random.default_rng(7 if name == "pickup" else 8)
    k = 2 * math.pi / np.array([330.0, 190.0, 120.0])
    ax, ay, az = rng.normal(0, (0.030, 0.022, 0.016), (3, 3))
    phase = rng.uniform(0, 2 * math.pi, (3, 3))
    tag_jitter = rng.normal(0, 0.022, (20, 2))
    saddle_jitter = rng.normal(0, 0.022, (21, 2))
    _, y0, z0 = BARS[name]
    r, t = np.eye(3), np.array([0.0, y0, z0])
    if name == "mount":
        r, t = rotation(0.0032, -0.0027, 0.0041), t + np.array([0.83, -0.61, 1.12])

    def at(u, v, jitter=(0.0, 0.0), lift=0.0):
        """Strip coordinates (mm of the drawing, from the strip's center) -> rig frame."""
        w = lambda a, p: float(np.sum(a * np.sin(k * u + p)))
        x = u * PRINT_ALONG + w(ax, phase[0]) + jitter[0]
        y = v * PRINT_ACROSS + w(ay, phase[1]) + jitter[1]
        return r @ np.array([x, y, 2.2 * w(az, phase[2]) - lift]) + t

    return at, tag_jitter, saddle_jitter


def make_rig():
    tags, points = [], []
    for name, (first, _, _) in BARS.items():
        at, tj, sj = bar_shape(name)
        for i in range(20):
            u = (i - 9.5) * 18
            tags.append({"id": first + i, "corners_mm": [at(u + a, b, tj[i]).tolist()
                                                         for a, b in ((-6, -6), (6, -6), (6, 6), (-6, 6))]})
        for j in range(21):
            points.append({"id": f"{name}-{j}", "bar": name, "index": j,
                           "xyz_mm": at((j - 10) * 18, 0, sj[j]).tolist()})
    return {"frame": "rig", "print_scale_along": PRINT_ALONG, "print_scale_across": PRINT_ACROSS,
            "ink_gain_mm": INK_GAIN, "tags": tags, "points": points,
            "note": "true rig; corners are of the drawn black square, ink gain moves the visible outline outward"}


# ---------------------------------------------------------------- camera
WIDTH, HEIGHT = 4032, 3024
FX, CX, CY = 3081.4, 2021.3, 1506.8
DIST = [-0.0603, 0.0297, 0.00031, -0.00042, 0.0]
F_NUMBER, FOCAL_MM = 1.8, 5.35
RENDER_SCALE = 1.0  # of the photo; less is quicker and softer


def look_at(eye, target, roll_deg):
    """camera_from_rig of a camera at eye that looks at target; roll turns the camera clockwise as held."""
    eye, target = np.asarray(eye, float), np.asarray(target, float)
    z = (target - eye) / np.linalg.norm(target - eye)
    x = np.cross([0, 1, 0], z)
    x /= np.linalg.norm(x)
    y = np.cross(z, x)
    a = math.radians(roll_deg)
    x, y = math.cos(a) * x + math.sin(a) * y, -math.sin(a) * x + math.cos(a) * y
    m = np.eye(4)
    m[:3, :3] = [x, y, z]
    m[:3, 3] = -m[:3, :3] @ eye
    return m


def project(camera, camera_from_rig, points):
    p = np.atleast_2d(points) @ np.asarray(camera_from_rig)[:3, :3].T + np.asarray(camera_from_rig)[:3, 3]
    x, y = p[:, 0] / p[:, 2], p[:, 1] / p[:, 2]
    k1, k2, p1, p2, k3 = camera["distortion"]
    r2 = x * x + y * y
    s = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
    xd = x * s + 2 * p1 * x * y + p2 * (r2 + 2 * x * x)
    yd = y * s + p1 * (r2 + 2 * y * y) + 2 * p2 * x * y
    return np.stack([camera["fx"] * xd + camera["cx"], camera["fy"] * yd + camera["cy"]], 1)


def camera_json(scale=1.0):
    return {"width": WIDTH, "height": HEIGHT, "fx": FX * scale, "fy": FX * scale, "cx": CX, "cy": CY,
            "distortion": DIST, "exif": {"make": "Lumora", "model": "Handset 5", "focal_length_mm": FOCAL_MM}}


# azimuth (+ = from treble), elevation, distance from target, target, roll: chosen to fill the frame between them
RIG_VIEWS = [
    (-3, 31, 353, (-7, -67, -96), 2), (-22, 56, 348, (18, 37, -124), -4), (10, 56, 429, (-104, 39, -125), 6),
    (2, 40, 357, (51, -60, -41), 90), (-3, 35, 376, (0, -48, -32), -88), (7, 31, 341, (-4, -22, -99), 178),
    (22, 31, 374, (90, 49, -93), 42), (-33, 20, 377, (-108, -3, -54), -38), (-11, 26, 374, (-31, -1, -31), -12),
    (-25, 26, 478, (36, -61, -42), 93), (19, 41, 419, (-91, 56, -78), 14), (37, 33, 381, (92, 49, -48), -28),
]
ELEVATION = {"r1": 15.6, "r2": 16.4, "r3": 17.0, "r4": 20.5, "r5": 27.5}


def make_photos():
    photos = {}
    rng = np.random.default_rng(555)
    for i, (az, el, dist, target, roll) in enumerate(RIG_VIEWS):
        a, e = math.radians(az), math.radians(el)
        eye = np.array(target) + dist * np.array([math.sin(a) * math.cos(e), -math.sin(e), -math.cos(a) * math.cos(e)])
        photos[f"rig_{i + 1:02d}"] = {
            "kind": "rig", "focal_scale": 1 + rng.uniform(-0.015, 0.015),
            "camera_from_rig": look_at(eye, target, roll), "focus_at": np.array([0.0, -4, -88])}
    for reg in REGISTERS:
        first, last = REGISTERS[reg]
        L = nominal((first + last) // 2)["tine_length_mm"]
        for side, sign in (("left", -1), ("right", 1)):
            ez = -205 - rng.uniform(200, 230)
            el = ELEVATION[reg] + rng.uniform(-0.6, 0.6)
            target = np.array([rng.uniform(-5, 5), rng.uniform(-4, 4), -30 + rng.uniform(-5, 5)])
            eye = np.array([sign * rng.uniform(60, 80), -(-30 - ez) * math.tan(math.radians(el)), ez])
            photos[f"{reg}_{side}"] = {
                "kind": "harp", "register": reg, "focal_scale": 1 + rng.uniform(-0.015, 0.015),
                "camera_from_rig": look_at(eye, target, rng.uniform(-4, 4)),
                "focus_at": np.array([0.0, 0.0, -0.5 * L])}
    return photos


def make_placements():
    rng = np.random.default_rng(77)
    result = {}
    for reg, (first, last) in REGISTERS.items():
        m = np.eye(4)
        m[:3, :3] = rotation(*np.radians(rng.uniform(-0.4, 0.4, 3)))
        m[:3, 3] = np.array([((first + last) / 2 - MIDDLE) * SPACING, 0, 0]) + rng.uniform(-1.5, 1.5, 3)
        result[reg] = m
    return result


def move(m, p):
    return np.asarray(m)[:3, :3] @ np.asarray(p) + np.asarray(m)[:3, 3]


def dump(path, data):
    def rounded(v):
        if isinstance(v, (np.ndarray, list, tuple)):
            return [rounded(x) for x in v]
        if isinstance(v, dict):
            return {k: rounded(x) for k, x in v.items()}
        return round(float(v), 9) if isinstance(v, (float, np.floating)) else v
    with open(os.path.join(OUT, path), "w") as f:
        json.dump(rounded(data), f, indent=1)
        f.write("\n")


def main():
    notes = make_notes()
    # Every fourth note, and the last before the screws change place, as what lies between is interpolated.
    long_notes = [m for m in range(FIRST, LAST + 1) if nominal(m)["tine_length_mm"] > LONG_MM]
    listed = sorted(set(range(FIRST, LAST + 1, 4)) | {LAST, max(long_notes)})
    profile = []
    for m in listed:
        n = nominal(m)
        n["name"] = note_name(m)
        rear, _, spacing = screws(n["tine_length_mm"])
        n["screw_spacing_mm"] = round(spacing, 2)
        n["root_ahead_of_rear_screw_mm"] = -rear
        profile.append(n)
    dump("instrument.json", {
        "name": "Workshop demonstration harp, 73 notes", "note_spacing_mm": SPACING, "notes": profile,
        "block_width_mm": 7.0, "block_height_mm": 8.0, "block_length_mm": 13.0, "tone_bar_width_mm": 9.0,
        "tone_bar_distance_mm": 8.5, "screw_pitch_mm": 0.7})
    dump("truth/instrument.json", {"frame": "harp", "notes": notes})
    dump("truth/rig.json", make_rig())
    dump("truth/camera.json", camera_json())
    placements = make_placements()
    per_register = {}
    for reg, (first, last) in REGISTERS.items():
        hfr = placements[reg]
        rfh = np.linalg.inv(hfr)
        out = []
        for n in notes:
            out.append({**n, "in_register": first <= n["midi"] <= last,
                        **{f"{k}_rig_mm": move(rfh, n[f"{k}_harp_mm"]).tolist() for k in ("root", "tip", "pickup")}})
        card = (first + last) // 2
        cx = next(n for n in out if n["midi"] == card)["pickup_rig_mm"][0]
        per_register[reg] = {"register": reg, "first_midi": first, "last_midi": last, "harp_from_rig": hfr.tolist(),
                             "card": {"id": 200 + card, "center_rig_mm": [cx, -9.5, 29.0], "size_mm": 9.0},
                             "notes": out}
        dump(f"truth/{reg}.json", per_register[reg])
    for name, p in make_photos().items():
        cam = camera_json(p["focal_scale"])
        cfr = p["camera_from_rig"]
        focus = move(cfr, p["focus_at"])[2]
        out = {"file": f"{p['kind']}/{name}.jpg", "kind": p["kind"], "focal_scale": p["focal_scale"], "camera": cam,
               "camera_from_rig": cfr.tolist(), "focus_distance_mm": focus, "f_number": F_NUMBER,
               "aperture_mm": FOCAL_MM / F_NUMBER}
        if p["kind"] == "harp":
            reg = per_register[p["register"]]
            out.update(register=p["register"], damper="harp-raised", harp_from_rig=reg["harp_from_rig"], notes=[])
            for n in reg["notes"]:
                px = project(cam, cfr, [n["root_rig_mm"], n["tip_rig_mm"], n["pickup_rig_mm"]])
                if np.all((px > 15) & (px < [WIDTH - 16, HEIGHT - 16])):
                    out["notes"].append({"midi": n["midi"], "in_register": n["in_register"], "root_px": px[0].tolist(),
                                         "tip_px": px[1].tolist(), "pickup_px": px[2].tolist()})
        dump(f"truth/{name}.json", out)


def screws(L):
    """z of the two screws from the root, along the tone bar, and their spacing."""
    if L > LONG_MM:
        z1, z2 = -18.5, min(0.42 * L, 48.0)
    else:
        z1, z2 = -36.5, -19.0
    return z1, z2, z2 - z1


if __name__ == "__main__":
    main()

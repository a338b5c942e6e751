"""Blender 3.4 / Cycles scene of one photo. World coordinates are the rig frame in mm (x treble, y down, z away).

    blender -b --factory-startup -P scene.py -- PHOTO FOLDER [--scale 1.0] [--spp 12]

Renders without lens distortion, a little wider than the photo, linear; develop.py makes the photo of it.
"""
import json
import math
import os
import sys

import bpy
import numpy as np
from mathutils import Matrix, Vector

HERE = os.path.dirname(os.path.abspath(__file__))
sys.path.insert(0, HERE)
sys.dont_write_bytecode = True
import layout as lay  # noqa: E402

# ---------------------------------------------------------------- meshes


class Mesh:
    """Collects vertices and faces; `place` is applied to what is added."""

    def __init__(self):
        self.v, self.f, self.place = [], [], np.eye(4)

    def add(self, verts, faces):
        base = len(self.v)
        for p in verts:
            self.v.append(tuple(self.place[:3, :3] @ np.asarray(p, float) + self.place[:3, 3]))
        self.f += [tuple(base + i for i in f) for f in faces]

    def box(self, c, s, ch=0.25):
        """Chamfered box."""
        h = np.array(s) / 2.0
        ch = min(ch, 0.45 * min(s))
        verts, index = [], {}
        for sx in (-1, 1):
            for sy in (-1, 1):
                for sz in (-1, 1):
                    for axis in range(3):
                        p = np.array([sx, sy, sz]) * h
                        for a in range(3):
                            if a != axis:
                                p[a] -= (sx, sy, sz)[a] * ch
                        index[sx, sy, sz, axis] = len(verts)
                        verts.append(p + c)
        faces = []
        for axis in range(3):
            o = [a for a in range(3) if a != axis]
            for s_ in (-1, 1):
                quad = []
                for q in ((-1, -1), (1, -1), (1, 1), (-1, 1)):
                    k = [0, 0, 0]
                    k[axis], k[o[0]], k[o[1]] = s_, q[0], q[1]
                    quad.append(index[(*k, axis)])
                faces.append(quad)
            for q in ((-1, -1), (1, -1), (1, 1), (-1, 1)):  # edges along `axis`
                k = [0, 0, 0]
                k[o[0]], k[o[1]] = q
                lo, hi = list(k), list(k)
                lo[axis], hi[axis] = -1, 1
                faces.append([index[(*lo, o[0])], index[(*hi, o[0])], index[(*hi, o[1])], index[(*lo, o[1])]])
        for sx in (-1, 1):
            for sy in (-1, 1):
                for sz in (-1, 1):
                    faces.append([index[sx, sy, sz, a] for a in range(3)])
        self.add(verts, faces)

    def lathe(self, profile, n=24, origin=(0, 0, 0), axis=(0, 0, 1)):
        """profile: (radius, along) pairs; closed at both ends."""
        q = Vector((0, 0, 1)).rotation_difference(Vector(axis)).to_matrix()
        q = np.array(q)
        verts, faces = [], []
        for r, z in profile:
            for k in range(n):
                a = 2 * math.pi * k / n
                verts.append(q @ [r * math.cos(a), r * math.sin(a), z] + np.array(origin))
        for i in range(len(profile) - 1):
            for k in range(n):
                faces.append((i * n + k, i * n + (k + 1) % n, (i + 1) * n + (k + 1) % n, (i + 1) * n + k))
        faces.append(tuple(range(n - 1, -1, -1)))
        faces.append(tuple(range((len(profile) - 1) * n, len(profile) * n)))
        self.add(verts, faces)

    def rings(self, rings):
        """Loft between rings of equally many points; closed at both ends."""
        n = len(rings[0])
        verts = [p for r in rings for p in r]
        faces = [(i * n + k, i * n + (k + 1) % n, (i + 1) * n + (k + 1) % n, (i + 1) * n + k)
                 for i in range(len(rings) - 1) for k in range(n)]
        faces += [tuple(range(n - 1, -1, -1)), tuple(range((len(rings) - 1) * n, len(rings) * n))]
        self.add(verts, faces)

    def tube(self, path, r, n=8):
        path = [np.asarray(p, float) for p in path]
        rings, up = [], None
        for i, p in enumerate(path):
            t = path[min(i + 1, len(path) - 1)] - path[max(i - 1, 0)]
            t /= np.linalg.norm(t)
            if up is None:
                up = np.cross(t, [0.3, 0.5, 0.81])
            up = up - t * (up @ t)
            up /= np.linalg.norm(up)
            w = np.cross(t, up)
            rings.append([p + r * (math.cos(a) * up + math.sin(a) * w)
                          for a in np.arange(n) * 2 * math.pi / n])
        self.rings(rings)

    def coil(self, a, b, radius, wire, turns, per=14, n=7):
        a, b = np.asarray(a, float), np.asarray(b, float)
        t = (b - a) / np.linalg.norm(b - a)
        u = np.cross(t, [0.21, 0.71, 0.33] if abs(t[2]) > 0.5 else [0.1, 0.2, 0.97])
        u /= np.linalg.norm(u)
        w = np.cross(t, u)
        steps = int(turns * per)
        self.tube([a + (b - a) * i / steps + radius * (math.cos(2 * math.pi * i / per) * u
                                                      + math.sin(2 * math.pi * i / per) * w)
                   for i in range(steps + 1)], wire, n)

    def object(self, name, material, smooth=True, angle=35):
        m = bpy.data.meshes.new(name)
        m.from_pydata(self.v, [], self.f)
        m.validate()
        import bmesh
        b = bmesh.new()
        b.from_mesh(m)
        bmesh.ops.recalc_face_normals(b, faces=b.faces)
        b.to_mesh(m)
        b.free()
        if smooth:
            m.polygons.foreach_set("use_smooth", [True] * len(m.polygons))
            m.use_auto_smooth, m.auto_smooth_angle = True, math.radians(angle)
        m.materials.append(material)
        o = bpy.data.objects.new(name, m)
        bpy.context.scene.collection.objects.link(o)
        return o


# ---------------------------------------------------------------- materials
_cache = {}


def material(name, color, color2=None, rough=(0.5, 0.5), metal=0.0, grain=(1, 1, 1), scale=0.3, bump=0.0,
             stain=None, stain_amount=0.0, vary=0.0, spec=0.5, dust=0.0):
    """Principled surface whose color and roughness wander with stretched noise; vary = brightness per object."""
    if name in _cache:
        return _cache[name]
    m = bpy.data.materials.new(name)
    m.use_nodes = True
    nt = m.node_tree
    nodes, link = nt.nodes, nt.links.new
    p = nodes["Principled BSDF"]
    p.inputs["Metallic"].default_value = metal
    p.inputs["Specular"].default_value = spec
    _cache[name] = m
    color2 = color2 or color
    if color2 == color and rough[0] == rough[1] and not bump and not stain and not vary and not dust:
        p.inputs["Base Color"].default_value = (*color, 1)
        p.inputs["Roughness"].default_value = rough[0]
        return m
    coord = nodes.new("ShaderNodeTexCoord")
    mapping = nodes.new("ShaderNodeMapping")
    mapping.inputs["Scale"].default_value = [g * scale for g in grain]
    link(coord.outputs["Object"], mapping.inputs["Vector"])
    info = nodes.new("ShaderNodeObjectInfo")
    add = nodes.new("ShaderNodeVectorMath")
    add.operation = "MULTIPLY_ADD"
    add.inputs[1].default_value = (1, 1, 1)
    shift = nodes.new("ShaderNodeMath")
    shift.operation, shift.inputs[1].default_value = "MULTIPLY", 57.0
    link(info.outputs["Random"], shift.inputs[0])
    link(mapping.outputs[0], add.inputs[0])
    link(shift.outputs[0], add.inputs[2])
    noise = nodes.new("ShaderNodeTexNoise")
    noise.inputs["Scale"].default_value = 1.0
    noise.inputs["Detail"].default_value = 2.0
    noise.inputs["Roughness"].default_value = 0.65
    link(add.outputs[0], noise.inputs["Vector"])
    spread = nodes.new("ShaderNodeMapRange")
    spread.inputs["From Min"].default_value, spread.inputs["From Max"].default_value = 0.32, 0.68
    link(noise.outputs["Fac"], spread.inputs["Value"])

    def mix(fac, a, b, kind="MIX"):
        x = nodes.new("ShaderNodeMixRGB")
        x.blend_type = kind
        for socket, value in zip(x.inputs, (fac, a, b)):
            if isinstance(value, bpy.types.NodeSocket):
                link(value, socket)
            else:
                socket.default_value = value
        return x.outputs[0]

    out = mix(spread.outputs[0], (*color, 1), (*color2, 1))
    if stain:
        blotch = nodes.new("ShaderNodeTexNoise")
        blotch.inputs["Scale"].default_value = 0.09
        blotch.inputs["Detail"].default_value = 2.5
        move = nodes.new("ShaderNodeVectorMath")
        move.operation = "ADD"
        link(coord.outputs["Object"], move.inputs[0])
        link(shift.outputs[0], move.inputs[1])
        link(move.outputs[0], blotch.inputs["Vector"])
        amount = nodes.new("ShaderNodeMapRange")
        amount.inputs["From Min"].default_value, amount.inputs["From Max"].default_value = 0.50, 0.72
        amount.inputs["To Max"].default_value = stain_amount
        link(blotch.outputs["Fac"], amount.inputs["Value"])
        out = mix(amount.outputs[0], out, (*stain, 1))
    if vary:
        v = nodes.new("ShaderNodeMapRange")
        v.inputs["To Min"].default_value, v.inputs["To Max"].default_value = 1 - vary, 1.0
        link(info.outputs["Random"], v.inputs["Value"])
        out = mix(1.0, out, v.outputs[0], "MULTIPLY")
    if dust:
        speck = nodes.new("ShaderNodeTexNoise")
        speck.inputs["Scale"].default_value = 1.6
        speck.inputs["Detail"].default_value = 2.0
        link(coord.outputs["Object"], speck.inputs["Vector"])
        amount = nodes.new("ShaderNodeMapRange")
        amount.inputs["From Min"].default_value, amount.inputs["From Max"].default_value = 0.60, 0.72
        amount.inputs["To Max"].default_value = dust
        link(speck.outputs["Fac"], amount.inputs["Value"])
        out = mix(amount.outputs[0], out, (0.42, 0.40, 0.37, 1))
    link(out, p.inputs["Base Color"])
    r = nodes.new("ShaderNodeMapRange")
    r.inputs["To Min"].default_value, r.inputs["To Max"].default_value = rough
    link(noise.outputs["Fac"], r.inputs["Value"])
    link(r.outputs[0], p.inputs["Roughness"])
    if bump:
        b = nodes.new("ShaderNodeBump")
        b.inputs["Strength"].default_value = 1.0
        b.inputs["Distance"].default_value = bump
        link(noise.outputs["Fac"], b.inputs["Height"])
        link(b.outputs[0], p.inputs["Normal"])
    return m


def materials():
    M = {}
    M["tine"] = material("tine", (0.58, 0.57, 0.55), (0.74, 0.73, 0.71), (0.20, 0.46), 1.0, (1, 1, 0.06), 2.2, 0.010,
                         (0.30, 0.21, 0.14), 0.55, 0.25)
    M["tine_end"] = material("tine_end", (0.6, 0.6, 0.6), (0.75, 0.75, 0.75), (0.3, 0.6), 1.0, (1, 1, 1), 3.0, 0.01)
    M["block"] = material("block", (0.46, 0.46, 0.47), (0.62, 0.62, 0.62), (0.34, 0.62), 1.0, (1, 0.25, 0.25), 1.1, 0.03,
                          (0.25, 0.17, 0.11), 0.5, 0.3)
    M["bar"] = material("bar", (0.50, 0.51, 0.52), (0.66, 0.66, 0.67), (0.26, 0.50), 1.0, (1, 1, 0.03), 2.5, 0.012,
                        (0.24, 0.15, 0.09), 0.6, 0.3)
    M["screw"] = material("screw", (0.52, 0.50, 0.42), (0.62, 0.60, 0.52), (0.25, 0.45), 1.0, scale=1.0, vary=0.3)
    M["steel_spring"] = material("steel_spring", (0.55, 0.55, 0.56), rough=(0.3, 0.3), metal=1.0, vary=0.2)
    M["brass"] = material("brass", (0.72, 0.50, 0.20), rough=(0.28, 0.28), metal=1.0, vary=0.3)
    M["rubber"] = material("rubber", (0.03, 0.03, 0.03), (0.055, 0.05, 0.05), (0.6, 0.8), scale=0.8, dust=0.5)
    M["bobbin"] = material("bobbin", (0.022, 0.022, 0.024), (0.035, 0.034, 0.034), (0.33, 0.5), scale=0.7, dust=0.35)
    M["pole"] = material("pole", (0.52, 0.52, 0.53), (0.66, 0.65, 0.63), (0.28, 0.50), 1.0, (1, 1, 1), 1.6, 0.012,
                         (0.30, 0.22, 0.16), 0.5, 0.25)
    M["copper"] = material("copper", (0.62, 0.23, 0.09), (0.75, 0.33, 0.14), (0.3, 0.45), 0.7, (1, 1, 9), 1.0, 0.05, vary=0.3)
    M["red"] = material("red", (0.30, 0.022, 0.02), (0.42, 0.04, 0.03), (0.35, 0.5), 0.0, (1, 1, 9), 1.0, 0.05, vary=0.3)
    M["dark"] = material("dark", (0.06, 0.03, 0.02), (0.11, 0.05, 0.03), (0.35, 0.5), 0.2, (1, 1, 9), 1.0, 0.05, vary=0.3)
    M["wood"] = material("wood", (0.36, 0.20, 0.095), (0.56, 0.36, 0.19), (0.45, 0.7), 0.0, (0.05, 1, 1), 0.45, 0.05, dust=0.25)
    M["maple"] = material("maple", (0.55, 0.38, 0.22), (0.70, 0.52, 0.33), (0.4, 0.6), 0.0, (0.04, 1, 1), 0.30, 0.03, dust=0.2)
    M["benchtop"] = material("benchtop", (0.16, 0.10, 0.06), (0.30, 0.20, 0.12), (0.5, 0.8), 0.0, (0.03, 1, 1), 0.12, 0.1,
                             (0.05, 0.04, 0.035), 0.7, dust=0.3)
    M["alu"] = material("alu", (0.66, 0.67, 0.68), (0.78, 0.78, 0.79), (0.28, 0.42), 1.0, (0.02, 1, 1), 3.0, 0.006)
    M["black_alu"] = material("black_alu", (0.03, 0.03, 0.032), (0.045, 0.045, 0.048), (0.4, 0.5), 0.0, scale=0.4)
    M["paper"] = material("paper", (0.70, 0.70, 0.685), (0.745, 0.745, 0.73), (0.85, 0.85), scale=0.08, spec=0.1)
    M["ink"] = material("ink", (0.022, 0.022, 0.024), (0.030, 0.030, 0.031), (0.75, 0.75), scale=0.5, spec=0.12)
    M["felt"] = material("felt", (0.10, 0.02, 0.025), (0.16, 0.04, 0.04), (0.95, 0.95), scale=2.0, bump=0.2, spec=0.05)
    M["mat"] = material("mat", (0.03, 0.07, 0.055), (0.045, 0.09, 0.07), (0.6, 0.8), scale=0.2, dust=0.4)
    for n, c in {"c_red": (0.35, 0.02, 0.02), "c_black": (0.02, 0.02, 0.02), "c_yellow": (0.6, 0.4, 0.03),
                 "c_white": (0.6, 0.6, 0.56), "c_blue": (0.03, 0.08, 0.3), "c_green": (0.04, 0.22, 0.08)}.items():
        M[n] = material(n, c, rough=(0.4, 0.4))
    M["glass"] = material("glass", (0.25, 0.3, 0.3), rough=(0.08, 0.08), spec=0.8)
    return M


# ---------------------------------------------------------------- the harp


def frame(origin, yaw_deg, pitch_deg):
    """4x4 whose z axis has the yaw and pitch (tangents), x stays level."""
    z = np.array([math.tan(math.radians(yaw_deg)), math.tan(math.radians(pitch_deg)), 1.0])
    z /= np.linalg.norm(z)
    x = np.cross([0, 1, 0], z)
    x /= np.linalg.norm(x)
    m = np.eye(4)
    m[:3, 0], m[:3, 1], m[:3, 2], m[:3, 3] = x, np.cross(z, x), z, origin
    return m


RAIL_Y = 21.0


def build_note(n, M, objects):
    m, L, r = n["midi"], n["tine_length_mm"], n["tine_diameter_mm"] / 2
    rng = np.random.default_rng(n["look_seed"])
    root, tip = np.array(n["root_harp_mm"]), np.array(n["tip_harp_mm"])

    def add(mesh, name, mat, **kw):
        objects.append(mesh.object(f"{name}{m}", mat, **kw))

    # tine: thicker where it leaves the block
    taper = min(12.0, 0.35 * L)
    t = Mesh()
    t.place = frame(root, n["yaw_deg"], n["pitch_deg"])
    prof = [(r * 1.36, -2.5), (r * 1.36, 0.0)] + [(r * (1 + 0.36 * (1 - s) ** 1.5), taper * s) for s in np.linspace(0.12, 1, 9)]
    prof += [(r, z) for z in np.linspace(taper, L - 0.12, 6)[1:]] + [(r - 0.10, L)]
    t.lathe(prof, 40)
    add(t, "tine", M["tine"])
    # tuning spring
    if m < 89 or m % 3 == 0:
        long = 5.0 if m < 76 else (3.2 if m < 89 else 2.0)
        from_tip = min(max(3.0, 0.085 * L + 1.6 * n["spring_draw"]), 15.0) + (1.5 if m < 89 else 0.0)
        if L > 24 or long < 3:
            s = Mesh()
            s.place = t.place
            wire = 0.26
            zc = L - from_tip - long
            s.coil((0, 0, zc), (0, 0, zc + long), max(1.35 - wire, r + wire * 0.9), wire, long / (2 * wire) * 0.97)
            add(s, "spring", M["brass"] if rng.random() < 0.35 else M["steel_spring"])
    # block, boss and tone bar
    b = Mesh()
    b.place = frame(root, n["tone_bar_yaw_deg"], n["tone_bar_pitch_deg"])
    b.box((0, 0, -6.5), (7.0, 8.0, 13.0), 0.45)
    b.lathe([(1.9, -0.55), (1.9, 0.0), (1.5, 0.3)], 20, (0, -4.0, -6.5), (0, -1, 0))
    b.box((0, 5.35, -6.3), (6.2, 2.9, 10.5), 0.2)
    add(b, "block", M["block"])
    z1, z2, _ = lay.screws(L)
    back, front = z1 - 5.0, min(max(0.68 * L, 7.5), L - 9.0)
    bar = Mesh()
    bar.place = b.place
    bar.box((0, 8.5, (back + front) / 2), (9.0, 3.5, front - back), 0.35)
    add(bar, "bar", M["bar"])
    screw, spring, grommet = Mesh(), Mesh(), Mesh()
    down = RAIL_Y - root[1]
    for z in (z1, z2):
        zz = z - n["tone_bar_yaw_deg"] * 0
        for mesh in (screw, spring, grommet):
            mesh.place = b.place
        screw.lathe([(0.01, -1.9), (1.6, -1.85), (2.6, -1.2), (2.9, -0.2), (2.9, 0)], 24, (0, 6.72, zz), (0, 1, 0))
        screw.lathe([(1.55, 3.4), (1.55, down - 6)], 12, (0, 6.72, zz), (0, 1, 0))
        a = rng.uniform(0, math.pi)
        grommet.box((0, 4.84, zz), (0.6, 0.12, 0.6), 0.02)
        spring.coil((0, 13.6, zz), (0, down - 0.1, zz), 2.9, 0.38, 5, 14, 6)
        squash = 0.75 if "grommet_flattened" in n["faults"] else 1.0
        grommet.lathe([(2.0, 0), (4.1, 0.2), (4.3, 1.2 * squash), (3.4, 1.8 * squash), (4.2, 2.5 * squash), (3.9, 3.3 * squash),
                       (2.0, 3.4 * squash)], 24, (0, 10.26, zz), (0, 1, 0))
    add(screw, "screw", M["screw"])
    add(spring, "barspring", M["steel_spring"])
    add(grommet, "grommet", M["rubber"])
    # pickup
    look = lay.style(m)
    p = np.array(n["pickup_harp_mm"])
    pr = rng.uniform(1.5, 2.4)
    place = frame(p, rng.normal(0, 0.35), rng.normal(0, 0.35))
    pole, flange, coil, bracket = Mesh(), Mesh(), Mesh(), Mesh()
    for mesh in (pole, flange, coil):
        mesh.place = place
    if look["pole"] == "cone":
        pole.lathe([(1.44, 0.0), (1.5, 0.06), (2.5, pr + 0.3), (2.5, 15.0)], 40)
    elif look["pole"] == "cylinder":
        pole.lathe([(1.38, 0.0), (1.5, 0.12), (1.5, pr + 1.0), (1.5, 15.0)], 40)
    else:
        n_ = 48
        ang = np.arange(n_) * 2 * math.pi / n_
        rings = []
        for z, hx, hy in ((0.0, 1.5, 0.34), (0.12, 1.5, 0.42), (pr, 2.1, 1.75), (pr + 0.6, 2.4, 2.3)):
            rings.append([(float(np.clip(2.4 * math.cos(a), -hx, hx)), float(np.clip(2.4 * math.sin(a), -hy, hy)), z) for a in ang])
        rings.append([(2.4 * math.cos(a), 2.4 * math.sin(a), 15.0) for a in ang])
        pole.rings(rings)
    add(pole, "pole", M["pole"], angle=25)
    R = 6.8
    flange.lathe([(2.45 if look["pole"] != "cylinder" else 1.6, pr), (R - 0.2, pr), (R, pr + 0.2), (R, pr + 1.3), (4.2, pr + 1.35)], 48)
    flange.lathe([(4.2, pr + 9.0), (R, pr + 9.05), (R, pr + 10.4), (2.5, pr + 10.5)], 48)
    add(flange, "flange", M["bobbin"])
    coil.lathe([(4.3, pr + 1.2), (6.0, pr + 1.25), (6.1, pr + 5), (5.95, pr + 9.05), (4.3, pr + 9.1)], 40)
    add(coil, "coil", M[look["coil"]])
    bracket.place = place
    bracket.box((0, 9.5, pr + 12.2), (8.0, 22.0, 1.4), 0.3)
    bracket.box((0, 1.0, pr + 13.6), (6.0, 6.0, 2.0), 0.3)
    add(bracket, "bracket", M["alu"])
    wire = Mesh()
    wire.place = place
    c = rng.uniform(-1.5, 1.5, 4)
    for dx, k in ((-1.4, 0), (1.4, 1)):
        wire.tube([(dx, -6.0, pr + 9.6), (dx + c[k] * 0.4, -7.2 + c[k] * .2, pr + 11.5), (dx + c[k], -4, pr + 17), (dx + 2 * c[k], 6, pr + 22),
                   (dx + 3 * c[k + 1], 14, pr + 26)], 0.28, 6)
    add(wire, "wire", M[["c_white", "c_black"][m % 2]])


def build_harp(truth, register, M, rng):
    objects = []
    reach = 330
    center = np.array(truth["harp_from_rig"])[0][3]
    notes = [n for n in register["notes"] if abs(n["pickup_harp_mm"][0] - center) < reach]
    for n in notes:
        build_note(n, M, objects)
    # rails follow the roots; drawn as a slab with a polygon outline
    xs, backs, fronts = [], [], []
    for m in range(lay.FIRST - 1, lay.LAST + 2):
        L = 157.0 * (18.0 / 157.0) ** lay.fraction(m)
        xs.append((m - lay.MIDDLE) * lay.SPACING)
        backs.append(-L - 1 - 48 + 20 * min(max((L - 60) / 40, 0), 1))
        fronts.append(min(-L + 62, -6.0))
    rail = Mesh()
    k = len(xs)
    verts = [(x, y, z) for y in (RAIL_Y, RAIL_Y + 17) for zs in (backs, fronts) for x, z in zip(xs, zs)]
    faces = []
    for i in range(k - 1):
        for off, flip in ((0, False), (2 * k, True)):
            faces.append((off + i, off + i + 1, off + k + i + 1, off + k + i))
        faces.append((i, i + 1, 2 * k + i + 1, 2 * k + i))
        faces.append((k + i, k + i + 1, 3 * k + i + 1, 3 * k + i))
    faces += [(0, k, 3 * k, 2 * k), (k - 1, 2 * k - 1, 4 * k - 1, 3 * k - 1)]
    rail.add(verts, faces)
    objects.append(rail.object("rail", M["maple"], smooth=False))
    w = (lay.LAST - lay.FIRST + 2) * lay.SPACING
    r2 = Mesh()
    r2.box((0, 22, 23), (w, 9, 22), 0.8)
    r2.box((0, 14.2, 15.5), (w, 6, 3), 0.4)
    objects.append(r2.object("pickup_rail", M["alu"]))
    frame_ = Mesh()
    frame_.box((0, 36, 28), (w + 60, 20, 46), 2)
    for s, front in ((-1, -186), (1, -84)):  # the cheeks end behind the mount bar of the rig
        frame_.box((s * (w / 2 + 18), 21, (front + 60) / 2), (26, 54, 60 - front), 2)
    objects.append(frame_.object("harp_frame", M["wood"], smooth=False))
    felt = Mesh()
    felt.box((0, 25.2, 45), (w, 1.6, 20), 0.4)
    objects.append(felt.object("felt", M["felt"]))
    loom = Mesh()
    x = np.linspace(-w / 2, w / 2, 160)
    for j in range(3):
        ph = rng.uniform(0, 6, 4)
        loom.tube([(a, 15.5 + 1.6 * math.sin(a / 37 + ph[0]) - j, 33 + 3 * j + 2.2 * math.sin(a / 29 + ph[1])) for a in x], 1.1, 8)
    objects.append(loom.object("loom", M["c_black"]))
    rig_from_harp = np.linalg.inv(np.array(truth["harp_from_rig"]))
    for o in objects:
        o.matrix_world = Matrix(rig_from_harp.tolist())


# ---------------------------------------------------------------- the rig


def quad(mesh, at, u0, u1, v0, v1, jitter, lift, steps=1):
    us = np.linspace(u0, u1, steps + 1)
    verts = [at(u, v, jitter, lift) for u in us for v in (v0, v1)]
    mesh.add(verts, [(2 * i, 2 * i + 2, 2 * i + 3, 2 * i + 1) for i in range(steps)])


def draw_tag(mesh, bits, at, cu, cv, cell, jitter):
    g = lay.INK_GAIN
    n = len(bits)
    for row in range(n):
        col = 0
        while col < n:
            if bits[row][col] == "1":
                col += 1
                continue
            end = col
            while end < n and bits[row][end] == "0":
                end += 1
            u0, v0 = cu + (col - n / 2) * cell, cv + (row - n / 2) * cell
            quad(mesh, at, u0 - g, u0 + (end - col) * cell + g, v0 - g, v0 + cell + g, jitter, 0.004, max(1, end - col))
            col = end


def build_rig(M, register):
    with open(os.path.join(HERE, "tags36h11.json")) as f:
        table = json.load(f)
    g = lay.INK_GAIN
    ink, paper, metal, arms = Mesh(), Mesh(), Mesh(), Mesh()
    for name, (first, y, z) in lay.BARS.items():
        at, tj, sj = lay.bar_shape(name)
        quad(paper, at, -184, 184, -9, 9, (0, 0), 0.0, 184)
        for i in range(20):
            draw_tag(ink, table[str(first + i)], at, (i - 9.5) * 18, 0, 1.5, tj[i])
        for j in range(21):
            x = (j - 10) * 18
            quad(ink, at, x - 2 - g, x + g, -2 - g, g, sj[j], 0.004)
            quad(ink, at, x - g, x + 2 + g, -g, 2 + g, sj[j], 0.004)
        o, ex, ey = at(0, 0), at(1, 0) - at(0, 0), at(0, 1) - at(0, 0)
        ex[2] = (at(184, 0) - at(-184, 0))[2] / 368
        ex, ey = ex / np.linalg.norm(ex), ey / np.linalg.norm(ey)
        place = np.eye(4)
        place[:3, 0], place[:3, 1], place[:3, 2], place[:3, 3] = ex, ey, np.cross(ex, ey), (at(184, 0) + at(-184, 0)) / 2
        metal.place = place
        metal.box((0, 0, 5.45), (412, 22, 10), 0.8)
        for s in (-1, 1):
            metal.lathe([(3.2, 0), (3.2, 2.2), (2.6, 2.6)], 24, (s * 195, 0, 0.5), (0, 0, -1))
    for s in (-1, 1):  # side arms: along the top, then down to the mount bar
        arms.box((s * 201, -25, -78), (8, 12, 236), 0.8)
        arms.box((s * 201, -3, -194), (8, 56, 9), 0.8)
    metal.object("bars", M["alu"])
    arms.object("arms", M["black_alu"])
    if register:
        cx, cy, cz = register["card"]["center_rig_mm"]
        flat = lambda u, v, jitter=(0, 0), lift=0.0: np.array([cx + u, cy + v, cz - lift])
        quad(paper, flat, -6, 6, -9.5, 6, (0, 0), 0.0)
        draw_tag(ink, table[str(register["card"]["id"])], flat, 0, 0, 9.0 / 8, (0, 0))
    paper.object("paper", M["paper"], smooth=False)
    ink.object("ink", M["ink"], smooth=False)


# ---------------------------------------------------------------- surroundings


def screwdriver(at, yaw, M, color, length=90):
    c, s = math.cos(yaw), math.sin(yaw)
    h, k = Mesh(), Mesh()
    h.lathe([(4, 0), (10, 3), (11, 30), (9, 60), (11, 80), (7, 92), (4, 95)], 20, at, (c, 0, s))
    k.lathe([(3, 95), (3, 95 + length), (1.2, 98 + length)], 16, at, (c, 0, s))
    h.object("handle", M[color])
    k.object("shank", M["steel_spring"])


def jar(at, r, h, M, mat):
    j = Mesh()
    j.lathe([(r * 0.9, 0), (r, 3), (r, h * 0.8), (r * 0.8, h * 0.9), (r * 0.82, h), (r * 0.7, h)], 32, at, (0, -1, 0))
    j.object("jar", M[mat])


def surroundings(kind, M, rng):
    floor_y = 47.0 if kind != "rig" else 60.0
    top = Mesh()
    top.box((0, floor_y + 20, 150), (2600, 40, 1300), 3)
    top.object("bench", M["benchtop"])
    mat = Mesh()
    mat.box((rng.uniform(-60, 60), floor_y - 1.0, -190), (760, 2.5, 420), 1)
    mat.object("mat", M["mat"])
    wall_z = rng.uniform(520, 760)
    wall_color = [(0.34, 0.35, 0.33), (0.42, 0.36, 0.28), (0.25, 0.30, 0.34), (0.38, 0.33, 0.30)][int(rng.integers(4))]
    w = Mesh()
    w.box((0, -500, wall_z + 10), (3600, 2400, 20), 1)
    wm = material("wall", wall_color, tuple(0.8 * c for c in wall_color), (0.8, 0.9), scale=0.012, bump=0.6, dust=0.05)
    w.object("wall", wm)
    shelf = Mesh()
    sy = floor_y - rng.uniform(230, 300)
    shelf.box((rng.uniform(-100, 100), sy, wall_z - 75), (1500, 18, 150), 1.5)
    shelf.object("shelf", M["wood"])
    colors = ["c_red", "c_black", "c_yellow", "c_white", "c_blue", "c_green", "wood", "maple", "alu", "mat"]
    pick = lambda: M[colors[int(rng.integers(len(colors)))]]
    x = -680.0
    while x < 680:
        wdt, hgt = rng.uniform(25, 110), rng.uniform(40, 150)
        if rng.random() < 0.35:
            jar((x + wdt / 2, sy - 9, wall_z - 80), wdt / 2.4, hgt, M, ["glass", "c_white", "brass", "c_green"][int(rng.integers(4))])
        else:
            b = Mesh()
            b.box((x + wdt / 2, sy - 9 - hgt / 2, wall_z - 80 + rng.uniform(-10, 10)), (wdt, hgt, rng.uniform(50, 110)), 2)
            b.object("shelfbox", pick())
        x += wdt + rng.uniform(3, 60)
    for _ in range(9):  # things on the bench behind the work, and hanging on the wall
        b = Mesh()
        wdt, hgt, z = rng.uniform(40, 160), rng.uniform(20, 140), rng.uniform(180, wall_z - 100)
        x = rng.uniform(-620, 620)
        b.box((0, 0, 0), (wdt, hgt, rng.uniform(40, 100)), 2)
        o = b.object("benchbox", pick())
        o.location, o.rotation_euler = (x, floor_y - hgt / 2, z), (0, rng.uniform(-0.7, 0.7), 0)
    for k in range(7):
        b = Mesh()
        b.box((rng.uniform(-600, 600), floor_y - rng.uniform(60, 190), wall_z - 6), (rng.uniform(8, 26), rng.uniform(60, 150), 8), 3)
        b.object("hung", pick())
    for _ in range(2):
        jar((rng.uniform(-450, 450), floor_y, rng.uniform(120, 300)), rng.uniform(22, 40), rng.uniform(50, 100), M,
            ["c_white", "c_blue", "brass"][int(rng.integers(3))])
    screwdriver((rng.uniform(-330, -250), floor_y - 12, rng.uniform(-290, -240)), rng.uniform(-0.9, 0.3), M, "c_red")
    screwdriver((rng.uniform(240, 300), floor_y - 12, rng.uniform(-270, -220)), rng.uniform(1.0, 2.6), M, "c_yellow", 60)
    if kind == "rig":
        for _ in range(16):
            b = Mesh()
            wdt, hgt, dep = rng.uniform(15, 90), rng.uniform(4, 30), rng.uniform(15, 120)
            b.box((0, 0, 0), (wdt, hgt, dep), 1)
            o = b.object("rigclutter", pick())
            o.location = (rng.uniform(-420, 420), floor_y - 2.2 - hgt / 2, rng.uniform(-260, 260))
            o.rotation_euler = (0, rng.uniform(-1.5, 1.5), 0)
        post = Mesh()
        for s in (-1, 1):
            post.box((s * 205, (floor_y - 20) / 2, 38), (26, floor_y + 20, 14), 1)
            post.box((s * 205, (floor_y + 22) / 2, -190), (26, floor_y - 22, 12), 1)
        post.object("posts", M["maple"])
    cable = Mesh()
    for k in range(2):
        a, b_, ph = rng.uniform(-1, 1), rng.uniform(0.5, 1.5), rng.uniform(0, 6)
        cable.tube([(-420 + 21 * i, floor_y - 3.5, -250 - 60 * k + 28 * math.sin(0.11 * b_ * i + ph) + a * i) for i in range(41)], 2.4, 8)
    cable.object("cable", M["c_black"])


LIGHTS = {  # world strength, list of (kind, location, size, watts-ish, color)
    "window": (0.34, [("area", (-900, -520, -250), 620, 1.0, (0.86, 0.93, 1.0)), ("area", (500, -900, 100), 700, 0.18, (1, 0.95, 0.88))]),
    "lamp": (0.20, [("area", (430, -430, -330), 45, 0.75, (1.0, 0.90, 0.74)), ("area", (-300, -1000, -200), 800, 0.30, (0.92, 0.96, 1.0))]),
    "bulb": (0.16, [("point", (-260, -480, -150), 34, 0.75, (1.0, 0.76, 0.46)), ("area", (600, -800, -500), 600, 0.22, (1.0, 0.82, 0.6))]),
    "mixed": (0.28, [("area", (850, -420, -120), 520, 0.75, (0.84, 0.92, 1.0)), ("point", (-240, -380, -260), 28, 0.30, (1.0, 0.78, 0.5))]),
    "overhead": (0.25, [("area", (-120, -900, -330), 260, 0.8, (1.0, 0.97, 0.92)), ("area", (-800, -300, -300), 300, 0.35, (0.8, 0.9, 1.0))]),
}
LIGHT_OF = {"r1": "mixed", "r2": "window", "r3": "lamp", "r4": "bulb", "r5": "overhead"}


def lights(kind, scene):
    strength, lamps = LIGHTS[kind]
    for i, (form, loc, size, power, color) in enumerate(lamps):
        d = bpy.data.lights.new(f"light{i}", "AREA" if form == "area" else "POINT")
        reach = np.linalg.norm(np.array(loc) - [0, 0, -60])
        d.energy = power * reach ** 2 * math.pi * (4.0 if form == "area" else 11.0)
        d.color = color
        if form == "area":
            d.shape, d.size = "SQUARE", size
        else:
            d.shadow_soft_size = size
        o = bpy.data.objects.new(f"light{i}", d)
        scene.collection.objects.link(o)
        o.location = loc
        o.rotation_euler = (Vector((0, 0, -60)) - Vector(loc)).to_track_quat("-Z", "Y").to_euler()
    w = bpy.data.worlds.new("room")
    scene.world = w
    w.cycles.sampling_method = "NONE"  # a smooth sky: found by reflection alone, at half the cost
    w.use_nodes = True
    nodes, link = w.node_tree.nodes, w.node_tree.links.new
    bg = nodes["Background"]
    coord, sep = nodes.new("ShaderNodeTexCoord"), nodes.new("ShaderNodeSeparateXYZ")
    link(coord.outputs["Generated"], sep.inputs[0])
    rng_ = nodes.new("ShaderNodeMapRange")
    rng_.inputs["From Min"].default_value, rng_.inputs["From Max"].default_value = -1, 1
    link(sep.outputs["Y"], rng_.inputs["Value"])
    ramp = nodes.new("ShaderNodeValToRGB")
    e = ramp.color_ramp.elements
    e[0].position, e[0].color = 0.0, (0.95, 0.97, 1.0, 1)
    e[1].position, e[1].color = 1.0, (0.16, 0.11, 0.08, 1)
    for pos, col in ((0.30, (0.75, 0.76, 0.78, 1)), (0.42, (0.42, 0.41, 0.42, 1)), (0.55, (0.30, 0.27, 0.25, 1))):
        x = e.new(pos)
        x.color = col
    link(rng_.outputs[0], ramp.inputs[0])
    noise = nodes.new("ShaderNodeTexNoise")
    noise.inputs["Scale"].default_value = 1.7
    link(coord.outputs["Generated"], noise.inputs["Vector"])
    gain = nodes.new("ShaderNodeMapRange")
    gain.inputs["From Min"].default_value, gain.inputs["From Max"].default_value = 0.35, 0.65
    gain.inputs["To Min"].default_value, gain.inputs["To Max"].default_value = 0.35 * strength, 1.7 * strength
    link(noise.outputs["Fac"], gain.inputs["Value"])
    link(ramp.outputs[0], bg.inputs["Color"])
    link(gain.outputs[0], bg.inputs["Strength"])


# ---------------------------------------------------------------- camera and render


def overscan(camera, scale):
    """Size of the undistorted picture that covers the photo; its principal point is its center."""
    k1, k2, p1, p2, k3 = camera["distortion"]
    edge = [(u, v) for u in np.linspace(0, camera["width"] - 1, 60) for v in (0, camera["height"] - 1)]
    edge += [(u, v) for v in np.linspace(0, camera["height"] - 1, 60) for u in (0, camera["width"] - 1)]
    big = [0.0, 0.0]
    for u, v in edge:
        xd, yd = (u - camera["cx"]) / camera["fx"], (v - camera["cy"]) / camera["fy"]
        x, y = xd, yd
        for _ in range(30):
            r2 = x * x + y * y
            s = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
            x = (xd - 2 * p1 * x * y - p2 * (r2 + 2 * x * x)) / s
            y = (yd - p1 * (r2 + 2 * y * y) - 2 * p2 * x * y) / s
        big = [max(big[0], abs(x)), max(big[1], abs(y))]
    return (2 * (math.ceil(big[0] * camera["fx"] * scale) + 8), 2 * (math.ceil(big[1] * camera["fy"] * scale) + 8))


def main():
    argv = sys.argv[sys.argv.index("--") + 1:]
    photo, out = argv[0], argv[1]
    opt = dict(zip(argv[2::2], argv[3::2]))
    scale, spp = float(opt.get("--scale", 1)), int(opt.get("--spp", 12))
    with open(os.path.join(HERE, "..", "truth", photo + ".json")) as f:
        truth = json.load(f)
    bpy.ops.wm.read_factory_settings(use_empty=True)
    scene = bpy.context.scene
    M = materials()
    register = None
    if truth["kind"] == "harp":
        with open(os.path.join(HERE, "..", "truth", truth["register"] + ".json")) as f:
            register = json.load(f)
        seed = 100 + int(truth["register"][1:])
        light = LIGHT_OF[truth["register"]]
    else:
        number = int(photo[-2:])
        seed = 200 + (number - 1) // 4  # the rig was carried to three places
        light = ["overhead", "window", "lamp"][(number - 1) // 4]
    rng = np.random.default_rng(seed)
    surroundings(truth["kind"], M, rng)
    build_rig(M, register)
    if register:
        build_harp(truth, register, M, rng)
    lights(light, scene)

    cam = truth["camera"]
    scale *= lay.RENDER_SCALE
    w, h = overscan(cam, scale)
    data = bpy.data.cameras.new("camera")
    o = bpy.data.objects.new("camera", data)
    scene.collection.objects.link(o)
    scene.camera = o
    data.sensor_fit, data.clip_start, data.clip_end = "HORIZONTAL", 5, 10000
    data.lens = 1000 * truth["aperture_mm"] * truth["f_number"]  # in mm of a scene in mm: the aperture comes out true
    data.sensor_width = data.lens * w / (cam["fx"] * scale)
    data.dof.use_dof = True
    data.dof.focus_distance = truth["focus_distance_mm"]
    data.dof.aperture_fstop = truth["f_number"]
    rig_from_camera = np.linalg.inv(np.array(truth["camera_from_rig"])) @ np.diag([1, -1, -1, 1])
    o.matrix_world = Matrix(rig_from_camera.tolist())

    r, c = scene.render, scene.cycles
    r.engine = "CYCLES"
    r.resolution_x, r.resolution_y, r.resolution_percentage = w, h, 100
    r.threads_mode, r.threads = "FIXED", 2
    r.image_settings.file_format, r.image_settings.color_depth, r.image_settings.exr_codec = "OPEN_EXR", "16", "ZIP"
    r.use_persistent_data = False
    scene.view_settings.view_transform = "Raw"
    c.device, c.samples, c.use_adaptive_sampling = "CPU", spp, True
    c.adaptive_threshold, c.adaptive_min_samples = 0.03, max(4, spp // 2)
    c.use_denoising, c.use_auto_tile = False, False
    c.max_bounces, c.diffuse_bounces, c.glossy_bounces, c.transmission_bounces = 2, 1, 2, 0
    c.caustics_reflective = c.caustics_refractive = False
    c.sample_clamp_direct, c.sample_clamp_indirect = 12.0, 1.5
    c.blur_glossy = 0.6
    c.seed = seed * 31 + (1 if photo.endswith("left") else 2)
    if "--border" in opt:  # left,right,top,bottom as fractions: a look at a part in full size
        b = [float(x) for x in opt["--border"].split(",")]
        r.use_border, r.use_crop_to_border = True, False
        r.border_min_x, r.border_max_x, r.border_min_y, r.border_max_y = b[0], b[1], 1 - b[3], 1 - b[2]
    passes(scene, out)
    bpy.ops.render.render(write_still=False)


def passes(scene, folder):
    """Light and color of the surfaces are written apart: develop.py smooths the light, never the print's edges."""
    layer = scene.view_layers[0]
    layer.use_pass_normal = layer.use_pass_z = True
    for kind in ("diffuse", "glossy"):
        for part in ("color", "direct", "indirect"):
            setattr(layer, f"use_pass_{kind}_{part}", True)
    scene.use_nodes = True
    nodes, link = scene.node_tree.nodes, scene.node_tree.links.new
    nodes.clear()
    source = nodes.new("CompositorNodeRLayers")
    file = nodes.new("CompositorNodeOutputFile")
    file.base_path = folder
    file.format.file_format, file.format.color_depth, file.format.exr_codec = "OPEN_EXR", "16", "ZIP"
    file.file_slots.clear()

    def light(kind):
        add = nodes.new("CompositorNodeMixRGB")
        add.blend_type = "ADD"
        add.inputs[0].default_value = 1.0
        link(source.outputs[kind + "Dir"], add.inputs[1])
        link(source.outputs[kind + "Ind"], add.inputs[2])
        return add.outputs[0]

    for name, socket in (("image", source.outputs["Image"]), ("normal", source.outputs["Normal"]), ("depth", source.outputs["Depth"]),
                         ("diffuse_color", source.outputs["DiffCol"]), ("diffuse_light", light("Diff")),
                         ("glossy_color", source.outputs["GlossCol"]), ("glossy_light", light("Gloss"))):
        file.file_slots.new(name)
        link(socket, file.inputs[name])


if __name__ == "__main__":
    main()

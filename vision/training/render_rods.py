"""Blender 3.4 / Cycles: the tines of a harp made up at random, seen by a camera at random; see README.md.

    blender -b -noaudio --factory-startup -P render_rods.py -- SEED OUT.exr [--tips | --poles | --roots]

Writes OUT.exr, linear, without lens distortion, only where tines (or, faster, their ends, the poles before them or their
roots) are, and OUT.json: camera, tines, pole tips and the blocks' upper edges toward the pickups. Lengths are mm, x toward
treble, y down as the camera sees it, z away from it. Neither the sample photos' harp nor their light is used.
"""
import json
import math
import os
import sys

import bpy
import numpy as np
from mathutils import Matrix, Vector

sys.dont_write_bytecode = True
sys.path.insert(0, os.path.join(os.path.dirname(os.path.abspath(__file__)), "../../sample_images/scene"))
from scene import Mesh  # noqa: E402

SPACING_MM = 13.7
SAMPLES = 6 if "--poles" in sys.argv else 10  # a pixel
GRAINS = [(3, 3, 0.15), (1, 1, 1), (0.5, 0.5, 4), (6, 6, 0.05), (2, 2, 0.4)]


class Random:
    def __init__(self, seed):
        self.rng = np.random.default_rng(seed)

    def __call__(self, low, high, n=None):
        return self.rng.uniform(low, high, n)

    def log(self, low, high):
        return math.exp(self(math.log(low), math.log(high)))

    def often(self, share):
        return self(0, 1) < share

    def one_of(self, things):
        return things[int(self.rng.integers(len(things)))]

    def gray(self, low, high, tint=0.06):
        return np.clip(self(low, high) * self(1 - tint, 1 + tint, 3), 0, 1)

    def wood(self):
        return self(0.1, 0.7) * np.array([1, self(0.5, 0.8), self(0.2, 0.55)])


def material(color, rough, metal=0.0, grain=None, contrast=0.15):
    m = bpy.data.materials.new("m")
    m.use_nodes = True
    nodes, link = m.node_tree.nodes, m.node_tree.links.new
    surface = nodes["Principled BSDF"]
    surface.inputs["Metallic"].default_value = metal
    surface.inputs["Roughness"].default_value = rough
    surface.inputs["Base Color"].default_value = (*color, 1)
    if grain is not None:
        at, scale, noise = (nodes.new("ShaderNode" + kind) for kind in ("TexCoord", "Mapping", "TexNoise"))
        scale.inputs["Scale"].default_value = grain
        noise.inputs["Scale"].default_value, noise.inputs["Detail"].default_value = 1, 6
        link(at.outputs["Object"], scale.inputs[0])
        link(scale.outputs[0], noise.inputs["Vector"])
        shades, roughness = nodes.new("ShaderNodeValToRGB"), nodes.new("ShaderNodeMapRange")
        for element, place, factor in zip(shades.color_ramp.elements, (0.3, 0.7), (1 - 2 * contrast, 1 + contrast)):
            element.position, element.color = place, (*np.clip(np.array(color) * factor, 0, 1), 1)
        roughness.inputs["To Min"].default_value, roughness.inputs["To Max"].default_value = 0.7 * rough, 1.4 * rough
        for node, socket in ((shades, "Base Color"), (roughness, "Roughness")):
            link(noise.outputs["Fac"], node.inputs[0])
            link(node.outputs[0], surface.inputs[socket])
    return m


def frame(origin, direction):
    x = np.cross([0.0, 1.0, 0.0], direction)
    x /= np.linalg.norm(x)
    place = np.eye(4)
    place[:3] = np.stack([x, np.cross(direction, x), direction, origin], 1)
    return place


def direction(yaw_deg, pitch_deg):
    d = np.array([math.tan(math.radians(yaw_deg)), math.tan(math.radians(pitch_deg)), 1.0])
    return d / np.linalg.norm(d)


def make_notes(random):
    first, normal = int(random.rng.integers(28, 85)), random.rng.normal
    notes = []
    for midi in range(first, first + 17):
        place = (midi - 28) / 72
        bar_yaw, length = normal(0, 0.25), 157 * (18 / 157) ** place * (1 + normal(0, 0.01))
        tip = np.array([(midi - first - 8) * SPACING_MM + normal(0, 0.5), 1.2 - 0.6 * place + normal(0, 0.5), -random.log(0.4, 2.5)])
        along = direction(bar_yaw + normal(0, 0.5), normal(0, 0.2))
        notes.append({"midi": midi, "length_mm": length, "diameter_mm": 1.9 - 0.3 * max(0, midi - 60) / 40, "bar_yaw_deg": bar_yaw,
                      "tip_mm": tip.tolist(), "root_mm": (tip - length * along).tolist(), "direction": along.tolist()})
    return notes


def build_tine(note, random, looks):
    length, radius = note["length_mm"], note["diameter_mm"] / 2
    tine = Mesh()
    tine.place = frame(note["root_mm"], note["direction"])
    thick, broken = random(1.05, 1.4), random.log(0.02, 0.3)
    tine.lathe([(radius * thick, -3), (radius * thick, 0), (radius * (0.65 + 0.35 * thick), random(0.04, 0.1) * length),
                (radius, random(0.12, 0.25) * length), (radius, 0.6 * length), (radius, length - broken), (radius - broken, length), (0, length)], 64)
    tine.object("tine", looks["tine"])
    if random.often(0.15):
        return
    spring = Mesh()
    spring.place = tine.place
    long = random(2.5, 8) if note["midi"] < 80 else random(1.5, 4)
    start = length - min(14, max(3.5, 0.1 * length + random.rng.normal(0, 2))) - long
    turns, thick, coil = max(2, int(long / random(0.45, 0.8))), random(0.7, 1.7), [(radius + 0.02, start)]
    for turn in range(turns):
        coil += [(radius + over * thick, start + (turn + part) * long / turns)
                 for part, over in ((0.1, 0.35), (0.3, 0.6), (0.5, 0.66), (0.7, 0.6), (0.9, 0.35))]
    spring.lathe(coil + [(radius + 0.02, start + long)], 32)
    spring.object("spring", looks[random.one_of(("brass", "brass", "steel", "steel", "steel"))])


def random_pickup(random):
    """The shape of a pole, its face's radius, how far that stands out of the flange, and what is about it."""
    flange = random(5, 8.5)
    return {"kind": random.one_of(("cone", "cone", "cylinder", "bead", "chisel", "blade")), "face": random.log(0.7, 2.1), "out": random.log(0.9, 4.5),
            "wider": random(0.1, 1.6), "bevel": random.log(0.04, 0.35), "collar": random.often(0.25) and random(1.1, 1.7), "flange": flange,
            "thick": random(0.8, 2.2), "coil": flange * random(0.78, 0.97), "long": random(5, 13)}


def build_pole(mesh, pickup):
    """From its face at 0 into the flange."""
    out, r = pickup["out"] + 0.1, pickup["face"]
    base = r + pickup["wider"]
    if pickup["kind"] in ("cone", "cylinder"):
        bevel = min(pickup["bevel"], 0.5 * out)
        mesh.lathe([(r - bevel, 0), (r, bevel), (base if pickup["kind"] == "cone" else r, out)], 48)
    elif pickup["kind"] == "bead":
        mesh.lathe([(wide * r, far * out) for wide, far in ((0.45, 0), (0.8, 0.07), (1.1, 0.23), (1.25, 0.46), (1.2, 0.73), (0.9, 1))], 48)
    else:
        angles = 2 * math.pi * np.arange(32) / 32
        x = np.sign(np.cos(angles)) * np.minimum(1, 1.5 * np.abs(np.cos(angles)))
        y = np.sign(np.sin(angles)) * np.minimum(1, 1.5 * np.abs(np.sin(angles)))
        edge, wide = (0.35, 1.0) if pickup["kind"] == "chisel" else (0.15, 1.4)
        mesh.rings([[(a * r * u, b * r * v, z) for u, v in zip(x, y)] for z, a, b in ((0, wide, edge), (out, 1.3, 1.3))])
    if pickup["collar"]:
        mesh.lathe([(0, 0.7 * out), (pickup["collar"] * base, 0.7 * out), (pickup["collar"] * base, out + 0.2)], 48)


def build_bobbin(flange, coil, pickup):
    out, r, thick, long = (pickup[what] for what in ("out", "flange", "thick", "long"))
    for z in (out, out + thick + long):
        flange.lathe([(r, z), (r, z + thick)], 64)
    coil.lathe([(pickup["coil"], out + thick), (pickup["coil"], out + thick + long)], 48)


def build_pickup(place, random):
    """Each of its own shape and look: a picture shows as many as it has notes, and nothing that learns looks at two.
    How wide its pole's tip is across."""
    pickup, pole, flange, coil = random_pickup(random), Mesh(), Mesh(), Mesh()
    for mesh in (pole, flange, coil):
        mesh.place = place
    build_pole(pole, pickup)
    build_bobbin(flange, coil, pickup)
    pole.object("pole", material(random.gray(0.25, 0.75, 0.1), random(0.12, 0.5), 1, random.one_of(GRAINS), random(0.03, 0.25)))
    flange.object("flange", material(random.gray(0.02, 0.85 if random.often(0.2) else 0.6, 0.2), 0.5, 0, (0.5, 0.5, 0.5)))
    coil.object("coil", material(random(0.02, 0.6, 3), 0.4, 0, (0.3, 0.3, 6)))
    return 2 * pickup["face"] * {"bead": 1.25, "blade": 1.4}.get(pickup["kind"], 1.0)


def random_block(random):
    """Of all notes; `top`: over the tine's axis."""
    return {"wide": random(5.5, 8.5), "top": random(2.4, 5), "below": random(3, 7), "long": random(8, 16), "round": random.log(0.1, 0.6),
            "look": random.one_of(("plain", "plain", "screw", "hole", "ridge"))}


def build_block(mesh, block, random):
    wide, top, long = block["wide"], block["top"], block["long"]
    mesh.box((0, (block["below"] - top) / 2, -long / 2), (wide, block["below"] + top, long), block["round"])
    z, r = -long * random(0.3, 0.7), wide * random(0.15, 0.35)
    if block["look"] == "screw":
        mesh.lathe([(r, -0.2), (r, 0.5), (0.8 * r, 0.8), (0, 0.8)], 24, (0, -top, z), (0, -1, 0))
    elif block["look"] == "hole":
        mesh.lathe([(1.3 * r, -0.1), (1.3 * r, 0.12), (r, 0.12), (0.9 * r, -0.02), (0, -0.02)], 24, (0, -top, z), (0, -1, 0))
    elif block["look"] == "ridge":
        mesh.box((0, -top, z), (wide * 0.9, 0.6, random(0.5, 2)), 0.1)


def build_harp(notes, random):
    metal = lambda low, high, *rest: material(random.gray(low, high), *rest)  # noqa: E731
    looks = {"tine": material(random.gray(0.3, 0.75, 0.1), random(0.15, 0.5), 1, random.one_of(GRAINS), random(0.03, 0.35)),
             "bar": metal(0.3, 0.7, random(0.15, 0.55), 1, random.one_of(GRAINS), random(0.05, 0.35)),
             "block": metal(0.15, 0.7, random(0.2, 0.6), float(random.often(0.8)), random.one_of(GRAINS), random(0.03, 0.25)), "steel": metal(0.4, 0.7, random(0.12, 0.4), 1),
             "brass": material((0.75, 0.55, 0.2), random(0.12, 0.4), 1), "rubber": material((0.03, 0.03, 0.03), 0.7),
             "wood": material(random.wood(), random(0.3, 0.7), 0, (0.02, 0.4, 0.4), random(0.1, 0.4)),
             "rail": material(random.gray(0.3, 0.65) if random.often(0.6) else random.wood(), random(0.25, 0.5), float(random.often(0.5)), (0.05, 1, 1)),
             "behind": material(random(0.02, 0.5) * random(0.6, 1.2, 3), 0.8, 0, (0.01, 0.01, 0.01), 0.3)}
    block = random_block(random)
    parts = {name: Mesh() for name in ("bar", "block", "rubber", "steel", "wood", "rail", "behind")}
    for note in notes:
        build_tine(note, random, looks)
        length, root = note["length_mm"], np.array(note["root_mm"])
        for part in ("bar", "block", "rubber", "steel"):
            parts[part].place = frame(root, direction(note["bar_yaw_deg"], 0))
        build_block(parts["block"], block, random)
        note["block_edge_mm"] = (parts["block"].place @ [0, -block["top"], 0, 1])[:3].tolist()
        bar = max(0.9 * length, 42)
        parts["bar"].box((0, 7.5, bar / 2 - 14), (8.6, 3.2, bar + 28), 0.3)
        for z in (-18, 0.45 * length) if length > 60 else (-34, -20):
            if z < 0:
                parts["bar"].box((0, 7.5, z / 2 - 8), (8.6, 3.2, -z), 0.3)
            parts["rubber"].lathe([(3.6, 0), (4.2, 0.8), (4.2, 5), (3.6, 5.8)], 28, (0, 9.2, z), (0, 1, 0))
            parts["steel"].lathe([(3.2, 0), (3.2, 1.4), (2.6, 1.9)], 24, (0, 5.9, z), (0, -1, 0))
        note["pole_mm"] = [note["tip_mm"][0] + random(-0.6, 0.6), random(-0.3, 0.3), random(-0.4, 0.4)]
        note["pole_wide_mm"] = build_pickup(frame(note["pole_mm"], [0, 0, 1]), random)
    parts["wood"].box((0, 20, -90), (330, 10, 205), 0.8)
    parts["rail"].box((0, 18, 9), (300, 9, 14), 0.8)
    parts["behind"].box((0, 60, 100), (2400, 30, 1400))
    parts["behind"].box((0, -400, 800), (3000, 2000, 20))
    for name, mesh in parts.items():
        mesh.object(name, looks[name])
    for _ in range(8):  # things around, to be mirrored
        thing = Mesh()
        thing.box((random(-500, 500), 30, random(180, 600)), (random(30, 120), random(20, 110), random(30, 90)), 0.8)
        thing.object("thing", material(random(0.02, 0.6, 3), random(0.2, 0.7)))
    for _ in range(3):
        cable, x = Mesh(), random(-100, 100)
        cable.tube([(x + random.rng.normal(0, 8) * j / 3, 14.2, -150 + 20 * j) for j in range(9)], 1.1)
        cable.object("cable", material(random(0.02, 0.6, 3), 0.35))


def light(scene, random):
    world = bpy.data.worlds.new("world")
    scene.world, world.use_nodes = world, True
    sky = world.node_tree.nodes["Background"]
    sky.inputs[0].default_value, sky.inputs[1].default_value = (*random(0.35, 0.8, 3), 1), random.log(0.06, 0.7)
    if random.often(0.5):  # rooms: from ceiling to floor
        nodes, link = world.node_tree.nodes, world.node_tree.links.new
        at, parts, shades = (nodes.new("ShaderNode" + kind) for kind in ("TexCoord", "SeparateXYZ", "ValToRGB"))
        link(at.outputs["Generated"], parts.inputs[0])
        link(parts.outputs["Y"], shades.inputs[0])
        for element, place in zip(shades.color_ramp.elements, (random(0.05, 0.5), random(0.5, 0.95))):
            element.position, element.color = place, (*random.log(0.1, 1) * random(0.7, 1, 3), 1)
        link(shades.outputs[0], sky.inputs[0])
    for _ in range(int(random.rng.integers(1, 4))):
        azimuth, elevation, far = random(0, 2 * math.pi), random(0.15, 1.4), random(350, 1000)
        at = Vector((far * math.cos(azimuth) * math.cos(elevation), -far * math.sin(elevation), far * math.sin(azimuth) * math.cos(elevation) - 60))
        lamp = bpy.data.lights.new("lamp", "AREA")
        lamp.size, lamp.energy, lamp.color = random.log(12, 600), 12 * random(0.15, 0.9) * far ** 2, random(0.75, 1, 3)
        it = bpy.data.objects.new("lamp", lamp)
        it.location, it.rotation_euler = at, (Vector((0, 0, -60)) - at).to_track_quat("-Z", "Y").to_euler()
        scene.collection.objects.link(it)


def camera_from_harp(random, first_midi):
    steep = (first_midi - 28) / 56
    eye = np.array([random.one_of((-1, 1)) * random(20, 90), -random(110, 165) - 45 * steep, 50 * steep - random(390, 460)])
    z = np.array([random(-4, 4), random(-3, 3), -random(25, 40)]) - eye
    z /= np.linalg.norm(z)
    x = np.cross([0, 1, 0], z)
    x /= np.linalg.norm(x)
    y, roll = np.cross(z, x), math.radians(random(-5, 5))
    pose = np.eye(4)
    pose[:3, :3] = [math.cos(roll) * x + math.sin(roll) * y, math.cos(roll) * y - math.sin(roll) * x, z]
    pose[:3, 3] = -pose[:3, :3] @ eye
    return pose


def shown_mm(length_mm):
    """From where to where of a tine, from its root, the picture must reach."""
    if "--tips" in sys.argv:
        return length_mm - 14, length_mm + 8
    if "--poles" in sys.argv:
        return length_mm - 4, length_mm + 5
    return (-9, 15) if "--roots" in sys.argv else (0.3 * length_mm, 1.03 * length_mm)


def main():
    seed, out = int(sys.argv[sys.argv.index("--") + 1]), sys.argv[sys.argv.index("--") + 2]
    random = Random(seed)
    bpy.ops.wm.read_factory_settings(use_empty=True)
    scene = bpy.context.scene
    notes = make_notes(random)
    build_harp(notes, random)
    light(scene, random)
    width, height, f_px, pose = 4032, 3024, random(2700, 3250), camera_from_harp(random, notes[0]["midi"])
    longest = max(n["length_mm"] for n in notes)

    camera = bpy.data.cameras.new("camera")
    camera.sensor_fit, camera.clip_start, camera.clip_end, camera.lens = "HORIZONTAL", 5, 10000, 5.4
    camera.sensor_width = camera.lens * width / f_px
    camera.dof.use_dof, camera.dof.aperture_fstop = True, random(1.6, 2.6)
    camera.dof.focus_distance = float((pose @ [0, 0, -random(0.1, 0.7) * longest, 1])[2])
    scene.camera = bpy.data.objects.new("camera", camera)
    scene.collection.objects.link(scene.camera)
    scene.camera.matrix_world = Matrix((np.linalg.inv(pose) @ np.diag([1, -1, -1, 1])).tolist())

    render, cycles = scene.render, scene.cycles
    render.engine, render.filepath, render.threads_mode, render.threads = "CYCLES", out, "FIXED", 1
    render.resolution_x, render.resolution_y, render.resolution_percentage = width, height, 100
    render.image_settings.file_format, render.image_settings.color_depth = "OPEN_EXR", "16"
    scene.view_settings.view_transform = "Raw"
    cycles.device, cycles.samples, cycles.seed, cycles.use_denoising = "CPU", SAMPLES, seed, False
    cycles.max_bounces, cycles.caustics_reflective, cycles.caustics_refractive = 3, False, False
    cycles.sample_clamp_direct, cycles.sample_clamp_indirect, cycles.blur_glossy = 10, 1.5, 0.5

    ends = np.array([np.array(n["root_mm"]) + mm * np.array(n["direction"]) for n in notes for mm in shown_mm(n["length_mm"])])
    seen = ends @ pose[:3, :3].T + pose[:3, 3]
    px = seen[:, :2] / seen[:, 2:] * f_px + [(width - 1) / 2, (height - 1) / 2]
    low, high = np.maximum(px.min(0) - 50, 0) / [width, height], np.minimum((px.max(0) + 50) / [width, height], 1)
    render.use_border, render.use_crop_to_border = True, False
    render.border_min_x, render.border_max_x, render.border_min_y, render.border_max_y = low[0], high[0], 1 - high[1], 1 - low[1]
    with open(out.replace(".exr", ".json"), "w") as file:
        json.dump({"f_px": f_px, "width": width, "height": height, "camera_from_harp": pose.tolist(), "notes": notes}, file)
    bpy.ops.render.render(write_still=True)


if __name__ == "__main__":
    main()

"""Draws rods over made-up ground, straightened: rows along the rod, columns across it, the rod's middle in the middle.

    /usr/bin/python3 draw_rods.py FOLDER SEED COUNT     writes COUNT files of 1024 strips each

Nothing here is like one workshop: ground, light and surface are drawn at random and far apart, so that what is learned
from them holds for photos that nobody has seen. What is true of all photos is kept: a rod mirrors its surroundings, and
at its outlines the ground behind it; blur mixes light before the phone turns it into gray levels; a tuning spring is
wound around its tine. Lengths across are in diameters; along, the strip is 1.
"""
import math
import os
import sys

import torch
import torch.nn.functional as F

ROWS, COLUMNS, HALF_WIDTH = 64, 90, 2.25  # of the strips
GROUND_COLUMNS, GROUND_HALF = 160, 3.2    # of the picture that they are cut from
PIXEL = 2 * GROUND_HALF / (GROUND_COLUMNS - 1)
GOLD, WOOD = (0.45, 0.8, 1.0), (0.35, 0.62, 1.0)  # blue, green, red, as OpenCV has them

x = torch.linspace(-GROUND_HALF, GROUND_HALF, GROUND_COLUMNS).view(1, 1, 1, -1)
t = torch.linspace(0, 1, ROWS).view(1, 1, -1, 1)


def uniform(n, low, high):
    return low + (high - low) * torch.rand(n, 1, 1, 1)


def spread(n, low, high):
    """Between two positive values, evenly in the logarithm."""
    return torch.exp(uniform(n, math.log(low), math.log(high)))


def chance(n, share):
    return (torch.rand(n, 1, 1, 1) < share).float()


def band(at, low, high, soft):
    """1 between two places, 0 beyond them."""
    return torch.sigmoid((at - low) / soft) * torch.sigmoid((high - at) / soft)


def ramp(z):
    return z.clamp(0, 1)


def noise(n, cells_along, cells_across):
    z = torch.randn(n, 1, max(2, min(cells_along, ROWS)), max(2, min(cells_across, GROUND_COLUMNS)))
    return F.interpolate(z, (ROWS, GROUND_COLUMNS), mode="bilinear", align_corners=True)


def grain(n):
    """Noise, from blotches to brushed lines: each quarter of the strips has its own kind."""
    kinds = [noise(part, int(2 ** float(torch.empty(1).uniform_(1, 6))), int(2 ** float(torch.empty(1).uniform_(1, 7.5))))
             for part in (n // 4, n // 4, n // 4, n - 3 * (n // 4))]
    return torch.cat(kinds)[torch.randperm(n)]


def tinted(bgr):
    return torch.tensor(bgr).view(1, 3, 1, 1)


def color(n, tint=0.3, low=0.02, high=0.9):
    kind = torch.rand(n, 1, 1, 1)
    base = torch.where(kind < 0.2, tinted(WOOD), torch.where(kind < 0.27, tinted((0.3, 0.75, 1.0)), torch.ones(1, 3, 1, 1)))
    return (spread(n, low, high) * base * (1 + tint * (torch.rand(n, 3, 1, 1) - 0.5) * 2 * torch.rand(n, 1, 1, 1) ** 1.5)).clamp(0, 1.5)


def ground(n):
    """Bands across and along, spots of glare, each of its color and grain; light that changes over all; shadows."""
    g = color(n) * (1 + uniform(n, 0, 0.3) * grain(n))
    for _ in range(int(torch.randint(4, 9, (1,)))):
        kind = torch.rand(n, 1, 1, 1)
        start = uniform(n, -0.3, 1.1) + uniform(n, -0.12, 0.12) * x + uniform(n, -0.01, 0.01) * x * x
        across = band(t, start, start + uniform(n, 0.02, 0.6) ** 1.3, spread(n, 0.004, 0.06))
        left = uniform(n, -2.6, 2.2) + uniform(n, -0.8, 0.8) * t
        top = uniform(n, -0.5, 1) + uniform(n, -0.1, 0.1) * x
        along = band(x, left, left + spread(n, 0.1, 4), spread(n, 0.01, 0.3)) * band(t, top, top + uniform(n, 0.1, 1.5), 0.01)
        spot = torch.exp(-((x - uniform(n, -2.5, 2.5)) / spread(n, 0.1, 1.2)) ** 2 - ((t - uniform(n, 0, 1)) / spread(n, 0.01, 0.15)) ** 2)
        share = torch.where(kind < 0.42, across, torch.where(kind < 0.8, along, spot)) * (1 - 0.5 * chance(n, 0.2))
        look = color(n) * torch.where(kind < 0.8, 1.0, 2.0) * (1 + uniform(n, 0, 0.5) ** 1.5 * grain(n))
        g = g * (1 - share) + share * look
    g = g * (1 + uniform(n, -0.4, 0.4) * x / GROUND_HALF + uniform(n, -0.4, 0.4) * (t - 0.5)) * torch.exp(0.25 * noise(n, 3, 4))
    for _ in range(2):
        left = uniform(n, -3.5, 3.5) + uniform(n, -2, 2) * t
        g = g * (1 - band(x, left, left + uniform(n, 0.3, 1.3), uniform(n, 0.03, 0.5)) * chance(n, 0.5) * uniform(n, 0.1, 0.8))
    return g.clamp(0.003, 4)


def surroundings(n, phi):
    """What lies in the direction phi around the rod, from the line of sight: dim walls, lamps, windows."""
    e = color(n, 0.1, 0.03, 0.5) * (1 + uniform(n, -0.5, 0.5) * torch.sin(phi + uniform(n, -3, 3)))
    for _ in range(5):
        at = uniform(n, -2.6, 2.6) + uniform(n, -0.5, 0.5) * (t - 0.5) * chance(n, 0.7)
        half = spread(n, 0.08, 0.8)
        bright = spread(n, 0.03, 3) * chance(n, 0.6) * (1 + uniform(n, -0.6, 0.6) * (t - 0.5))
        e = e + bright * band(phi, at - half, at + half, spread(n, 0.02, 0.5)) * (1 + 0.15 * (torch.rand(n, 3, 1, 1) - 0.5))
    beyond = torch.sigmoid((t - uniform(n, -0.2, 1.2)) / uniform(n, 0.01, 0.1)) * torch.sigmoid((phi - uniform(n, -2, 2)) / uniform(n, 0.05, 0.4))
    return (e * (1 - chance(n, 0.35) * uniform(n, 0.2, 0.9) * beyond)).clamp(0, 6)


def at_place(picture, across, along):
    along = along.expand_as(across + along)
    grid = torch.stack([(across / GROUND_HALF).clamp(-1, 1).expand_as(along), (2 * along - 1).clamp(-1, 1)], -1)[:, 0]
    return F.grid_sample(picture, grid, mode="bilinear", padding_mode="border", align_corners=True)


def rod(n, g, middle, radius):
    """A round bar over the ground g: mirror and dull share, more of a mirror at its outlines, where it shows the ground."""
    u = ((x - middle) / radius).clamp(-0.9995, 0.9995)
    normal = torch.asin(u)
    phi = 2 * normal
    down = (math.pi - phi.abs()).clamp(0, 1.35)
    reflected = at_place(g, x + torch.sign(u) * spread(n, 1, 12) * torch.tan(down),
                         t + uniform(n, -0.35, 0.35) * chance(n, 0.7) + uniform(n, -0.1, 0.3) * down)
    low = torch.sigmoid((phi.abs() - uniform(n, 1.2, 2.3)) / uniform(n, 0.02, 0.35))
    mirror = surroundings(n, phi) * (1 - low) + reflected * uniform(n, 0.3, 1.1) * low
    face_on = uniform(n, 0.25, 0.75)
    mirror = mirror * (face_on + (1 - face_on) * (1 - torch.cos(normal)) ** 5)
    lamp = torch.cos(normal - uniform(n, -1.6, 1.6)).clamp(0) * uniform(n, 0, 1.2) * chance(n, 0.6)
    dull = (lamp + uniform(n, 0.1, 0.6) * (0.4 + 0.6 * torch.cos(normal))) * color(n, 0.15, 0.1, 0.6)
    share = uniform(n, 0, 1)
    surface = 1 + uniform(n, 0, 0.35) ** 1.5 * grain(n) + uniform(n, 0, 0.15) * noise(n, ROWS, 60) * chance(n, 0.4)
    stains = torch.exp(0.2 * chance(n, 0.3) * noise(n, 6, 40))
    return ((share * mirror + (1 - share) * dull) * color(n, 0.15, 0.5, 1) * surface * stains).clamp(0, 6)


def inside(middle, radius):
    return ramp((radius - (x - middle).abs()) / PIXEL + 0.5)


def add_spring(n, picture, g, middle, radius, over_rod):
    """A coil wound around the rod, so in its middle, most often near the tip; its ends are bowed as one looks along it."""
    start = torch.where(chance(n, 0.15) > 0, uniform(n, 0.3, 0.8), uniform(n, -0.12, 0.3))
    length = spread(n, 0.04, 0.3)
    wide = radius * uniform(n, 1.2, 2.3) * (1 + uniform(n, -0.15, 0.15) * (t - start) / length.clamp(min=0.1)).clamp(0.8, 1.2)
    at = middle + 0.03 * torch.randn(n, 1, 1, 1) * (1 + 3 * chance(n, 0.1))
    u = ((x - at) / wide).clamp(-1, 1)
    bow = uniform(n, -0.9, 0.9) * length * torch.sqrt(1 - u * u + 1e-4)
    first = start + bow * chance(n, 0.6) + uniform(n, -0.02, 0.02) * u
    last = start + length + bow * uniform(n, 0.3, 1.1) + uniform(n, -0.02, 0.02) * u
    there = chance(n, 0.8)
    coil = rod(n, g, at, wide) * spread(n, 0.74, 2.7)
    coil = torch.where(torch.rand(n, 1, 1, 1) < 0.35, coil.mean(1, keepdim=True) * tinted(GOLD), coil)
    coil = coil * (1 + uniform(n, 0, 0.7) * torch.sin(t * uniform(n, 40, 300) + 3 * u) * chance(n, 0.5))
    share = inside(at, wide) * ramp((t - first) / 0.012) * ramp((last - t) / 0.012) * there
    picture = picture * (1 - share) + share * coil
    shade = torch.sigmoid((t - last) / 0.01) * torch.sigmoid((last + uniform(n, 0.02, 0.1) - t) / 0.02)
    return picture * (1 - shade * uniform(n, 0, 0.6) * over_rod * there)


def blurred(picture, deviation, axis):
    """Gaussian along an axis; deviation in pixels, one for each strip."""
    n = len(picture)
    deviation = deviation.view(n, 1).clamp(min=0.15)
    reach = int(min(3 * float(deviation.max()) + 1, 40))
    kernel = torch.exp(-0.5 * (torch.arange(-reach, reach + 1).float()[None] / deviation) ** 2)
    kernel = kernel / kernel.sum(1, keepdim=True)
    shape, pad = ((n, 1, 1, -1), (reach, reach, 0, 0)) if axis == 3 else ((n, 1, -1, 1), (0, 0, reach, reach))
    return F.conv2d(F.pad(picture.transpose(0, 1), pad, mode="replicate"), kernel.view(shape), groups=n).transpose(0, 1)


def photographed(n, picture):
    """Blur that changes along the rod, then the phone's development."""
    blur = spread(n, 0.035, 0.17)
    near = blurred(picture, blur / PIXEL, 3)
    far = blurred(picture, blur * torch.exp(uniform(n, -0.6, 0.6)) / PIXEL, 3)
    picture = blurred(near * (1 - t) + far * t, spread(n, 0.4, 2), 2)
    picture = 0.25 * picture * torch.exp(uniform(n, -0.7, 0.7)) / picture.mean((1, 2, 3), keepdim=True)
    picture = picture * (1 + 0.1 * torch.randn(n, 3, 1, 1)) + uniform(n, 0, 0.03)
    picture = picture.clamp(1e-4) ** uniform(n, 0.38, 0.75)
    shoulder = uniform(n, 0, 0.8)
    picture = picture / (1 + shoulder * picture) * (1 + shoulder)
    sharpened = picture - blurred(picture, uniform(n, 0.06, 0.15) / PIXEL, 3)
    return (picture + uniform(n, 0, 1) * chance(n, 0.5) * sharpened).clamp(0, 1)


def cut(n, picture, middle):
    """The strip about the rod's middle, its colors a little aside of each other, with noise."""
    columns = torch.linspace(-HALF_WIDTH, HALF_WIDTH, COLUMNS)
    fringe = 0.012 * torch.randn(n, 3, 1, 1) * chance(n, 0.5)
    fringe[:, 1] = 0
    channels = []
    for c in range(3):
        across = middle[:, 0] + columns + fringe[:, c]
        grid = torch.stack([across / GROUND_HALF, (2 * t[0] - 1).expand(n, ROWS, COLUMNS)], -1)
        channels.append(F.grid_sample(picture[:, c:c + 1], grid, mode="bilinear", padding_mode="border", align_corners=True))
    strip = torch.cat(channels, 1)
    coarse = F.interpolate(torch.randn(n, 3, ROWS // 2, COLUMNS // 3), (ROWS, COLUMNS), mode="bilinear")
    return strip + uniform(n, 0, 0.012) * (torch.randn_like(strip) + coarse)


def draw(n):
    """n strips, uint8, n x 3 x ROWS x COLUMNS."""
    g = ground(n)
    middle = uniform(n, -0.5, 0.5) + uniform(n, -0.6, 0.6) * (t - 0.5)
    radius = 0.5 * (1 + 0.025 * torch.randn(n, 1, 1, 1)) * (1 + uniform(n, -0.05, 0.07) * (t - 0.5))
    shadow = middle + uniform(n, -2.5, 2.5) + uniform(n, -0.5, 0.5) * (t - 0.5)
    g = g * (1 - band(x, shadow - radius, shadow + radius, uniform(n, 0.03, 0.5)) * chance(n, 0.4) * uniform(n, 0.2, 0.85))
    look = rod(n, g, middle, radius)
    inner = slice(GROUND_COLUMNS // 2 - 30, GROUND_COLUMNS // 2 + 30)
    as_ground = look / look[..., inner].mean((2, 3), keepdim=True) * g[..., inner].mean((2, 3), keepdim=True)
    look = torch.where(torch.rand(n, 1, 1, 1) < 0.35, as_ground * torch.exp(uniform(n, -0.35, 0.35)), look)
    tip = torch.where(torch.rand(n, 1, 1, 1) < 0.2, uniform(n, 0, 0.2), torch.tensor(-9.0))
    share = inside(middle, radius) * ramp((t - tip) / 0.01)
    picture = add_spring(n, g * (1 - share) + look * share, g, middle, radius, share)
    block = torch.where(torch.rand(n, 1, 1, 1) < 0.2, uniform(n, 0.8, 1), torch.tensor(9.0)) + uniform(n, -0.03, 0.03) * x
    hidden = torch.sigmoid((t - block) / 0.008)
    picture = picture * (1 - hidden) + hidden * color(n) * (1 + 0.1 * grain(n))
    thing = torch.sigmoid((uniform(n, 0.2, 2) - (x - uniform(n, -3, 3)).abs()) / 0.05)
    thing = thing * torch.sigmoid((uniform(n, 0.02, 0.15) - (t - uniform(n, 0, 1)).abs()) / 0.01) * chance(n, 0.12)
    picture = picture * (1 - thing) + thing * color(n)
    return (cut(n, photographed(n, picture), middle).clamp(0, 1) * 255).round().to(torch.uint8)


def main():
    folder, seed, count = sys.argv[1], int(sys.argv[2]), int(sys.argv[3])
    os.makedirs(folder, exist_ok=True)
    torch.manual_seed(seed)
    for k in range(count):
        torch.save(torch.cat([draw(64) for _ in range(16)]), os.path.join(folder, f"{seed}_{k:04d}.pt"))


if __name__ == "__main__":
    main()

"""Trains the network of rod_reading.cpp; see README.md.

    /usr/bin/python3 train.py DRAWN_FOLDER STRIP_FOLDER MINUTES OUT [--from WEIGHTS] [--rendered SHARE] [--rate RATE]
        [--ends END_STRIP_FOLDER] [--hold COUNT]

Writes OUT.pt and OUT.onnx, now and then and at the end. Strips are taken up as they appear. COUNT
files of each folder of rendered strips are not learned from; errors on them are told.
"""
import argparse
import glob
import math
import os
import random
import time

import torch
import torch.nn.functional as F

import draw_rods
from draw_rods import chance, uniform
from network import COLUMNS, HALF_WIDTH, PLACES, READ, ROWS, UNIT, normalized, read_lines, rod_network, surprise

BATCH, FILES = 64, 8  # strips of a step, and the files that each kind of them comes from
USUAL_ERROR, FAR_SHARE, FAR_ERROR = 0.06, 0.15, 0.13  # diameters, at either end, of the lines to start from


def developed(light):
    """Linear light to what phones make of it, 0 to 1."""
    n = len(light)
    s = light.float() * torch.exp(uniform(n, -1.1, 0.7)) * 0.3 * (1 + 0.1 * torch.randn(n, 3, 1, 1)) + uniform(n, 0, 0.02) * chance(n, 0.5)
    s = torch.where(torch.rand(n, 1, 1, 1) < 0.7, 1 - torch.exp(-uniform(n, 0.8, 1.8) * s), s).clamp(1e-4, 1) ** uniform(n, 0.38, 0.6)
    near = torch.tensor([0.05, 0.25, 0.4, 0.25, 0.05]).expand(3, 1, 1, 5)
    s = s + uniform(n, 0, 1) * chance(n, 0.5) * (s - F.conv2d(F.pad(s, (2, 2, 0, 0), mode="replicate"), near, groups=3))
    steep = uniform(n, 0, 0.4) * chance(n, 0.5)
    s = s * (1 - steep) + steep * s * s * (3 - 2 * s)
    coarse = F.interpolate(torch.randn(n, 3, ROWS // 2, draw_rods.COLUMNS // 3), s.shape[2:], mode="bilinear")
    return (s + uniform(n, 0, 0.02) * torch.randn_like(s) + uniform(n, 0, 0.015) * coarse).clamp(0, 1)


def blurred(pictures, widest, column=1.0):
    """Some out of focus, by circles of up to so many rows' radius; `column`: from one to the next, in rows."""
    n, reach = len(pictures), int(widest) + 1
    at = torch.arange(-float(reach), reach + 1)
    far = ((column * at) ** 2 + at[:, None] ** 2).sqrt()
    kernels = (uniform(n, 0.6, widest).reshape(n, 1, 1) + 0.5 - far).clamp(0, 1)
    kernels = (kernels / kernels.sum((1, 2), keepdim=True)).repeat_interleave(3, 0)[:, None]
    padded = F.pad(pictures, (reach,) * 4, mode="replicate")
    soft = F.conv2d(padded.reshape(1, n * 3, *padded.shape[2:]), kernels, groups=n * 3)
    return torch.where(torch.rand(n, 1, 1, 1) < 0.5, soft.reshape(pictures.shape), pictures)


def softened(pictures, share):
    """So many of them blurred a little."""
    near = torch.tensor([0.06, 0.24, 0.4, 0.24, 0.06])
    soft = F.conv2d(F.pad(pictures, (2, 2, 2, 2), mode="replicate"), (near[:, None] * near).expand(3, 1, 5, 5), groups=3)
    return torch.where(torch.rand(len(pictures), 1, 1, 1) < share, soft, pictures)


def under_shade(pictures, rows, columns, strength):
    """Under a shade that changes slowly, from one of so many places to the next."""
    field = F.interpolate(torch.randn(len(pictures), 1, rows, columns), pictures.shape[2:], mode="bilinear", align_corners=True)
    return pictures * torch.exp(strength * field)


def about_lines(strips):
    """Parts of strips about lines that are a little off; how far off the rod is from them at the first and last row."""
    n = len(strips)
    far = torch.rand(n, 1) < FAR_SHARE
    true = (torch.randn(n, 2) * torch.where(far, FAR_ERROR, USUAL_ERROR)).clamp(-0.35, 0.35)
    first = 0.4 * torch.rand(n, 1) * (torch.rand(n, 1) < 0.5)
    last = 1 - 0.4 * torch.rand(n, 1) * (torch.rand(n, 1) < 0.5)
    upside_down = torch.rand(n, 1) < 0.25
    first, last = torch.where(upside_down, last, first), torch.where(upside_down, first, last)
    along = first + (last - first) * PLACES
    side = torch.where(torch.rand(n, 1, 1) < 0.5, 1.0, -1.0) * (1 + 0.03 * torch.randn(n, 1, 1)).clamp(0.9, 1.1)
    line = true[:, :1] * (1 - PLACES) + true[:, 1:] * PLACES
    across = (torch.linspace(-HALF_WIDTH, HALF_WIDTH, COLUMNS) - line[:, :, None]) * side
    grid = torch.stack([across / draw_rods.HALF_WIDTH, (2 * along - 1)[:, :, None].expand_as(across)], -1)
    return F.grid_sample(strips, grid, mode="bilinear", padding_mode="border", align_corners=True), true


def disguised(strips):
    """Other exposures, tints, grays; now and then a negative."""
    n = len(strips)
    s = strips.clamp(1e-3) ** torch.exp(0.25 * torch.randn(n, 1, 1, 1)) * torch.exp(0.15 * torch.randn(n, 3, 1, 1))
    kind = torch.rand(n, 1, 1, 1)
    s = torch.where(kind < 0.1, s.mean(1, keepdim=True).expand_as(s), torch.where(kind < 0.3, s[:, torch.randperm(3)], s))
    s = torch.where(torch.rand(n, 1, 1, 1) < 0.05, s.amax((1, 2, 3), keepdim=True) - s, s)
    return s + torch.randn_like(s) * uniform(n, 0, 0.02)


class Strips:
    """The files of a folder, taken up as they appear; the first `hold` of them are held back."""

    def __init__(self, folder, hold=0):
        self.folder, self.hold, self.files = folder, hold, {}

    def look(self):
        for name in glob.glob(os.path.join(self.folder, "*.pt")):
            if name not in self.files:
                self.files[name] = torch.load(name)

    def draw(self, count):
        parts = random.choices([self.files[name] for name in sorted(self.files)[self.hold:]], k=FILES)
        return torch.cat([p[torch.randint(0, len(p), (count // FILES,))] for p in parts])

    def held(self):
        return torch.cat([self.files[name] for name in sorted(self.files)[:self.hold]])


def write(network, weights, rows, columns, out):
    """OUT.pt and OUT.onnx, for strips of rows x columns."""
    torch.save(weights, out + ".pt")
    network.load_state_dict(weights)
    torch.onnx.export(network.eval(), torch.zeros(1, network.a.in_channels, rows, columns), out + ".onnx", input_names=["strip"], output_names=["rows"], opset_version=11)


def learn(make, rows, columns, look, loss_of, told, options, weight_decay=1e-3):
    """Teaches the network that make() gives by loss_of(network), for the minutes given; look() takes up what is new.
    Each minute prints told(network) of the mean of the weights of late, which is steadier than the last, and writes that."""
    network, smooth = make(), make()
    if options.start:
        network.load_state_dict(torch.load(options.start))
    optimizer = torch.optim.AdamW(network.parameters(), lr=options.rate, weight_decay=weight_decay)
    mean = {k: v.clone() for k, v in network.state_dict().items()}

    begin, last, step = time.time(), time.time(), 0
    while (done := (time.time() - begin) / 60 / options.minutes) < 1:
        if step % 200 == 0:
            look()
        for group in optimizer.param_groups:
            group["lr"] = options.rate * min(1, (step + 1) / 200) * (0.5 + 0.5 * math.cos(math.pi * done)) + 1e-6
        loss = loss_of(network)
        optimizer.zero_grad()
        loss.backward()
        torch.nn.utils.clip_grad_norm_(network.parameters(), 1.0)
        optimizer.step()
        step += 1
        keep = min(0.999, step / (step + 100))
        for name, value in network.state_dict().items():
            mean[name].mul_(keep).add_(value, alpha=1 - keep)
        if time.time() - last > 60:
            last = time.time()
            write(smooth, mean, rows, columns, options.out)
            with torch.no_grad():
                print(f"{(last - begin) / 60:.1f} min, step {step}, loss {float(loss):.2f}; {told(smooth)}", flush=True)
    write(smooth, mean, rows, columns, options.out)


def options_of(*folders):
    parser = argparse.ArgumentParser()
    for folder in folders:
        parser.add_argument(folder)
    parser.add_argument("minutes", type=float)
    parser.add_argument("out")
    parser.add_argument("--from", dest="start")
    parser.add_argument("--rate", type=float, default=2e-3)
    return parser


def shaded(strips):
    """Some blurred, some with another ground beside the rod, most under a shade that changes slowly."""
    n, s = len(strips), softened(strips, 0.25)
    beside = (torch.linspace(-HALF_WIDTH, HALF_WIDTH, COLUMNS).abs() - uniform(n, 0.75, 1.2)).mul(8).sigmoid() * chance(n, 0.2)
    s = s + beside * (s[torch.randperm(n)].roll(random.randrange(-20, 20), 2) - s)
    return under_shade(s, 5, 3, uniform(n, 0, 0.25)).clamp(0, 1)


def main():
    parser = options_of("drawn", "strips")
    parser.add_argument("--rendered", type=float, default=0.5)
    parser.add_argument("--ends", help="strips that show tines' ends, as many as of --rendered's each")
    parser.add_argument("--hold", type=int, default=0)
    options = parser.parse_args()
    drawn = Strips(options.drawn)
    rendered = [Strips(folder, options.hold) for folder in (options.strips, options.ends) if folder]
    share = FILES * round(BATCH * options.rendered / FILES)

    def look():
        for strips in (drawn, *rendered):
            strips.look()

    def batch():
        parts = []
        if share * len(rendered) < BATCH:
            parts.append(drawn.draw(BATCH - share * len(rendered)).float() / 255)
        if share > 0:
            parts += [developed(strips.draw(share)) for strips in rendered]
        return about_lines(torch.cat(parts))

    def loss_of(network):
        strips, true = batch()
        rows = network(normalized(disguised(shaded(strips))))
        offsets, information = read_lines(rows)
        line = true[:, :1] * (1 - READ) + true[:, 1:] * READ
        return surprise(offsets, information, true).clamp(max=20).mean() + 0.3 * F.smooth_l1_loss(rows[:, 0, :, 0], line / UNIT, beta=0.5)

    def told(network):
        errors = []
        for strips in rendered:
            lines, true = about_lines(developed(strips.held())) if options.hold else batch()
            error = read_lines(network(normalized(disguised(lines))))[0] - true
            errors.append(f"{len(strips.files)} files, error {float(error.square().mean().sqrt()):.4f}")
        return f"{len(drawn.files)} + " + ", ".join(errors)

    learn(rod_network, ROWS, COLUMNS, look, loss_of, told, options, weight_decay=5e-3)


if __name__ == "__main__":
    main()

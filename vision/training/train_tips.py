"""Trains the network of tip_reading.cpp; see README.md.

    /usr/bin/python3 train_tips.py TIP_FOLDER MINUTES OUT [--from WEIGHTS] [--rate RATE] [--hold COUNT]

Strips about lines that end at the tine's tip, blue, green, red x ROWS x COLUMNS, go in, brought to mean 0 and deviation
1; how likely each row is to be the tip's comes out (logits). Writes OUT.pt and OUT.onnx. Strips are taken up as they
appear. COUNT files are not learned from; errors on them are told.
"""
import argparse
import glob
import math
import os
import random
import time

import torch
import torch.nn.functional as F
from torch import nn

import cut_tips
from draw_rods import uniform
from network import normalized
from train import developed, disguised, save

ROWS, COLUMNS, HALF_WIDTH, STEP_MM = 80, 32, 1.6, 0.25
TIP_ROWS = (12, 60)  # where the tip may be
BATCH, FILES = 64, 8


class Network(nn.Module):
    """Convolutions that narrow a strip to one column, then along the column, further and further."""

    def __init__(self, widths=(16, 24, 32, 40), along=48):
        super().__init__()
        self.a = nn.Conv2d(3, widths[0], 3, padding=1)
        self.b = nn.Conv2d(widths[0], widths[1], 3, stride=(1, 2), padding=1)
        self.c = nn.Conv2d(widths[1], widths[2], 3, stride=(1, 2), padding=1)
        self.d = nn.Conv2d(widths[2], widths[3], 3, stride=(1, 2), padding=1)
        self.e = nn.Conv2d(widths[3], along, (3, COLUMNS // 8), padding=(1, 0))
        self.r = nn.ModuleList([nn.Conv2d(along, along, (3, 1), padding=(k, 0), dilation=(k, 1)) for k in (1, 2, 4, 8)])
        self.o = nn.Conv2d(along, 1, 1)
        self.forget = nn.Dropout2d(0.1)
        for layer in self.modules():
            if isinstance(layer, nn.Conv2d):
                nn.init.kaiming_normal_(layer.weight, nonlinearity="relu")
                nn.init.zeros_(layer.bias)
        for layer in [self.o, *self.r]:
            layer.weight.data *= 0.3

    def forward(self, strips):
        x = strips
        for layer in (self.a, self.b, self.c, self.d, self.e):
            x = F.relu(layer(x))
        for layer in self.r:
            x = x + self.forget(F.relu(layer(x)))
        return self.o(x)


def about_tips(tips):
    """Parts of strips about lines that are a little off; in which row the tip is."""
    n = len(tips)
    row = TIP_ROWS[0] + (TIP_ROWS[1] - TIP_ROWS[0]) * torch.rand(n, 1)
    row = torch.where(torch.rand(n, 1) < 0.5, (30 + 5 * torch.randn(n, 1)).clamp(*TIP_ROWS), row)
    step = torch.exp(0.1 * torch.randn(n, 1).clamp(-2, 2))
    along = cut_tips.TIP_ROW + (torch.arange(ROWS) - row) * step
    off = 0.05 * torch.randn(n, 1) + 0.004 * torch.randn(n, 1) * (torch.arange(ROWS) - row) / 4
    side = torch.where(torch.rand(n, 1, 1) < 0.5, 1.0, -1.0) * torch.exp(0.06 * torch.randn(n, 1, 1).clamp(-2, 2))
    across = (torch.linspace(-HALF_WIDTH, HALF_WIDTH, COLUMNS) - off[:, :, None]) * side
    grid = torch.stack([across / cut_tips.HALF_WIDTH, (2 * along / (cut_tips.ROWS - 1) - 1)[:, :, None].expand_as(across)], -1)
    return F.grid_sample(tips, grid, mode="bilinear", padding_mode="border", align_corners=True), row[:, 0]


def shaded(strips):
    """Some blurred, some with another ground beside the rod, most under a shade that changes slowly."""
    n = len(strips)
    soft = torch.rand(n, 1, 1, 1) < 0.3
    near = torch.tensor([0.06, 0.24, 0.4, 0.24, 0.06])
    blurred = F.conv2d(F.pad(strips, (2, 2, 2, 2), mode="replicate"), (near[:, None] * near).expand(3, 1, 5, 5), groups=3)
    s = torch.where(soft, blurred, strips)
    beside = (torch.linspace(-HALF_WIDTH, HALF_WIDTH, COLUMNS).abs() - uniform(n, 0.65, 1.2)).mul(8).sigmoid() * (torch.rand(n, 1, 1, 1) < 0.25)
    s = s + beside * (s[torch.randperm(n)].roll(random.randrange(-10, 10), 2) - s)
    field = F.interpolate(torch.randn(n, 1, 5, 3), s.shape[2:], mode="bilinear", align_corners=True)
    return (s * torch.exp(uniform(n, 0, 0.35) * field)).clamp(0, 1)


def surprise(logits, row):
    """Minus the logarithm of the likelihood of rows between which the tip is."""
    low = row.floor().long()
    part = row - low
    log = F.log_softmax(logits[:, 0, :, 0], 1)
    return -((1 - part) * log.gather(1, low[:, None])[:, 0] + part * log.gather(1, low[:, None] + 1)[:, 0])


def read_tips(logits, about=6):
    """Row and standard deviation, as tip_reading.cpp reads them: of what is about the likeliest row."""
    p = logits[:, 0, :, 0].softmax(1)
    rows = torch.arange(ROWS)
    near = (rows - p.argmax(1)[:, None]).abs() <= about
    share = (p * near).sum(1)
    mean = (p * near * rows).sum(1) / share
    return mean, ((p * near * (rows - mean[:, None]) ** 2).sum(1) / share).sqrt(), share


def told(network, tips, kept):
    network.eval()
    with torch.no_grad():
        strips, row = about_tips(developed(tips))
        logits = network(normalized(disguised(strips)))
        mean, deviation, share = read_tips(logits)
        off = STEP_MM * (mean - row)
        good = share > kept
        z = off / (STEP_MM * deviation)
        return (f"held: {float(surprise(logits, row).mean()):.3f}, share {float(good.float().mean()):.2f}, median {float(off[good].abs().median()):.3f}, "
                f"rms {float(off[good].square().mean().sqrt()):.3f} mm, z {float(z[good].square().mean().sqrt()):.2f}")


def train(options):
    files, names = {}, set()
    network = Network()
    if options.start:
        network.load_state_dict(torch.load(options.start))
    smooth = Network()
    optimizer = torch.optim.AdamW(network.parameters(), lr=options.rate, weight_decay=1e-2)
    mean = {k: v.clone() for k, v in network.state_dict().items()}  # of the weights of late: steadier than the last
    begin, last, step = time.time(), time.time(), 0
    while (done := (time.time() - begin) / 60 / options.minutes) < 1:
        if step % 100 == 0:
            for name in sorted(glob.glob(os.path.join(options.tips, "*.pt"))):
                if name not in names and time.time() - os.path.getmtime(name) > 1:
                    names.add(name)
                    files[name] = torch.load(name)
            held_names = sorted(files)[:options.hold]
            held, learned = torch.cat([files[n] for n in held_names]), [files[n] for n in sorted(files)[options.hold:]]
        for group in optimizer.param_groups:
            group["lr"] = options.rate * min(1, (step + 1) / 200) * (0.5 + 0.5 * math.cos(math.pi * done)) + 1e-6
        network.train()
        tips = torch.cat([p[torch.randint(0, len(p), (BATCH // FILES,))] for p in random.choices(learned, k=FILES)])
        strips, row = about_tips(developed(tips))
        loss = surprise(network(normalized(disguised(shaded(strips)))), row).mean()
        optimizer.zero_grad()
        loss.backward()
        torch.nn.utils.clip_grad_norm_(network.parameters(), 1.0)
        optimizer.step()
        step += 1
        keep = min(0.998, step / (step + 100))
        for name, value in network.state_dict().items():
            mean[name].mul_(keep).add_(value, alpha=1 - keep)
        if time.time() - last > 60:
            last = time.time()
            smooth.load_state_dict(mean)
            print(f"{(last - begin) / 60:.1f} min, step {step}, {len(files)} files, loss {float(loss):.2f}; {told(smooth, held, 0.8)}", flush=True)
            save(smooth, mean, ROWS, COLUMNS, options.out)
    save(smooth, mean, ROWS, COLUMNS, options.out)


def parse():
    parser = argparse.ArgumentParser()
    parser.add_argument("tips")
    parser.add_argument("minutes", type=float)
    parser.add_argument("out")
    parser.add_argument("--from", dest="start")
    parser.add_argument("--rate", type=float, default=2e-3)
    parser.add_argument("--hold", type=int, default=6)
    return parser.parse_args()


if __name__ == "__main__":
    train(parse())

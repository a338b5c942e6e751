"""Trains a network of end_reading.cpp; see README.md.

    /usr/bin/python3 train_ends.py END_FOLDER MINUTES OUT [--from WEIGHTS] [--rate RATE] [--hold COUNT] [--beside ROWS]

Strips about lines that end, blue, green, red x ROWS x COLUMNS, go in, brought to mean 0 and deviation 1; how likely each
row is to be the end's comes out (logits). Writes OUT.pt and OUT.onnx. Strips are taken up as they appear. COUNT files are
not learned from; errors on them are told. Lines are beside the ends by ROWS (standard deviation).
"""
import random

import torch
import torch.nn.functional as F

import cut_ends
from draw_rods import uniform
from network import RowNetwork, normalized
from train import BATCH, Strips, blurred, developed, disguised, learn, options_of, softened, under_shade

ROWS, COLUMNS, HALF_WIDTH = 80, 32, 40  # to each side, in the distance of rows
EXPECTED_ROW, END_ROWS = 30, (12, 60)  # where the end should be, and may be
NEAR_SHARE = 0.2  # of the strips: the end about where it should be
LEAST_SHARE = 0.8  # of the likelihood about the likeliest row, for a reading


def end_network():
    return RowNetwork(COLUMNS, (16, 24, 32, 40), 48, told=1, forget=0.1)


def about_ends(ends, beside):
    """Parts of strips about lines that are a little off; in which row the end is."""
    n = len(ends)
    row = END_ROWS[0] + (END_ROWS[1] - END_ROWS[0]) * torch.rand(n, 1)
    row = torch.where(torch.rand(n, 1) < NEAR_SHARE, (EXPECTED_ROW + 5 * torch.randn(n, 1)).clamp(*END_ROWS), row)
    step = torch.exp(0.05 * torch.randn(n, 1).clamp(-2, 2))
    along = cut_ends.END_ROW + (torch.arange(ROWS) - row) * step
    off = beside * torch.randn(n, 1) + 0.025 * torch.randn(n, 1) * (torch.arange(ROWS) - row)
    side = torch.where(torch.rand(n, 1, 1) < 0.5, 1.0, -1.0) * torch.exp(0.06 * torch.randn(n, 1, 1).clamp(-2, 2))
    across = (torch.linspace(-HALF_WIDTH, HALF_WIDTH, COLUMNS) - off[:, :, None]) * side
    grid = torch.stack([across / cut_ends.HALF_WIDTH, (2 * along / (cut_ends.ROWS - 1) - 1)[:, :, None].expand_as(across)], -1)
    return F.grid_sample(ends, grid, mode="bilinear", padding_mode="border", align_corners=True), row[:, 0]


def shaded(strips):
    """Some blurred, some with another ground beside the rod, most under a shade that changes slowly."""
    n, s = len(strips), softened(strips, 0.3)
    beside = (torch.linspace(-HALF_WIDTH, HALF_WIDTH, COLUMNS).abs() - uniform(n, 16, 30)).mul(0.3).sigmoid() * (torch.rand(n, 1, 1, 1) < 0.25)
    s = s + beside * (s[torch.randperm(n)].roll(random.randrange(-10, 10), 2) - s)
    return under_shade(s, 5, 3, uniform(n, 0, 0.35)).clamp(0, 1)


def surprise(logits, row):
    """Minus the logarithm of the likelihood of rows between which the end is."""
    low = row.floor().long()
    part = row - low
    log = F.log_softmax(logits[:, 0, :, 0], 1)
    return -((1 - part) * log.gather(1, low[:, None])[:, 0] + part * log.gather(1, low[:, None] + 1)[:, 0])


def read_ends(logits, about=6):
    """Row and standard deviation, as end_reading.cpp reads them: of what is about the likeliest row."""
    p = logits[:, 0, :, 0].softmax(1)
    rows = torch.arange(ROWS)
    near = (rows - p.argmax(1)[:, None]).abs() <= about
    share = (p * near).sum(1)
    mean = (p * near * rows).sum(1) / share
    return mean, ((p * near * (rows - mean[:, None]) ** 2).sum(1) / share).sqrt(), share


def main():
    parser = options_of("ends")
    parser.add_argument("--hold", type=int, default=6)
    parser.add_argument("--beside", type=float, default=1.25)
    options = parser.parse_args()
    ends = Strips(options.ends, options.hold)

    def loss_of(network):
        strips, row = about_ends(ends.draw(BATCH).float(), options.beside)
        return surprise(network(normalized(disguised(shaded(developed(blurred(strips, 6.0, 2 * HALF_WIDTH / (COLUMNS - 1))))))), row).mean()

    def told(network):
        strips, row = about_ends(developed(ends.held()), options.beside)
        logits = network(normalized(disguised(strips)))
        mean, deviation, share = read_ends(logits)
        sure = share > LEAST_SHARE
        off = (mean - row)[sure]
        over = off / deviation[sure]
        return (f"{len(ends.files)} files; held back: loss {float(surprise(logits, row).mean()):.3f}, sure {float(sure.float().mean()):.2f}, "
                f"median {float(off.abs().median()):.3f}, rms {float(off.square().mean().sqrt()):.3f} rows, {float(over.square().mean().sqrt()):.2f} of the stated")

    learn(end_network, ROWS, COLUMNS, ends.look, loss_of, told, options, weight_decay=1e-2)


if __name__ == "__main__":
    main()

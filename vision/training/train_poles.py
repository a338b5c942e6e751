"""Trains the network of pole_reading.cpp; see README.md.

    /usr/bin/python3 train_poles.py POLE_FOLDER MINUTES OUT [--from WEIGHTS] [--rate RATE] [--hold COUNT]

Pictures about where a pole tip should be, blue, green, red x SIDE x SIDE, STEP_MM apart in the plane of its face, go in,
brought to mean 0 and deviation 1, and as one more channel how wide the tip is, ln(mm / USUAL_WIDE_MM). Out of each cell,
CELL_MM apart, come how likely the face's middle is there (logits) and the logarithms of the weights across and along the
picture. Writes OUT.pt and OUT.onnx; pictures are taken up as they appear. COUNT files are not learned from; errors on them
are told.
"""
import torch
import torch.nn.functional as F
from torch import nn

import cut_poles
import draw_poles
from draw_rods import chance, uniform
from network import normalized, start
from train import BATCH, Strips, blurred, developed, disguised, learn, options_of, under_shade

SIDE, STEP_MM = 64, 0.125
CELLS, CELL_MM = 16, 4 * STEP_MM
UNIT_MM = 0.1  # of the weights: 1 / UNIT_MM^2
LOG_WEIGHTS = (-6, 6)
DRAWN, BLANK = 14, 2  # of BATCH
MISTOLD = 0.1  # of how wide it is, this share
USUAL_ERROR_MM, FAR_ERROR_MM, FARTHEST_MM = 0.15, 0.5, 1.2


class PoleNetwork(nn.Module):
    def __init__(self, widths=(16, 28, 40)):
        super().__init__()
        self.a = nn.Conv2d(4, widths[0], 3, padding=1)
        self.b = nn.Conv2d(widths[0], widths[1], 3, stride=2, padding=1)
        self.c = nn.Conv2d(widths[1], widths[2], 3, stride=2, padding=1)
        self.r = nn.ModuleList([nn.Conv2d(widths[2], widths[2], 3, padding=k, dilation=k) for k in (1, 2, 4, 2, 1)])
        self.o = nn.Conv2d(widths[2], 3, 1)
        self.forget = nn.Dropout2d(0.1)
        start(self, 0.5)

    def forward(self, pictures):
        x = pictures
        for layer in (self.a, self.b, self.c):
            x = F.relu(layer(x))
        for layer in self.r:
            x = x + self.forget(F.relu(layer(x)))
        return self.o(x)


def read_poles(told):
    """Places in mm from the middle and the logarithms of their weights: means over the cells by how likely they are."""
    likely = told[:, 0].flatten(1).softmax(1).reshape(-1, CELLS, CELLS)
    # Cell k is about the middle of pixels 4 k; the picture's middle lies between pixels.
    cells = (torch.arange(CELLS) * 4 - (SIDE - 1) / 2) * STEP_MM
    place = torch.stack([(likely * cells).sum((1, 2)), (likely * cells[:, None]).sum((1, 2))], 1)
    return place, (likely[:, None] * told[:, 1:]).sum((2, 3)).clamp(*LOG_WEIGHTS)


def about_places(poles):
    """Parts of pictures about places that are a little off; where the pole is from there, mm."""
    n = len(poles)
    off = torch.randn(n, 2) * torch.where(torch.rand(n, 1) < 0.3, FAR_ERROR_MM, USUAL_ERROR_MM)
    off = off.clamp(-FARTHEST_MM, FARTHEST_MM)
    scale = torch.exp(0.05 * torch.randn(n, 2).clamp(-2, 2))
    scale[:, 0] *= torch.where(torch.rand(n) < 0.5, 1.0, -1.0)
    at = (torch.arange(SIDE) - (SIDE - 1) / 2) * STEP_MM
    x = ((at - off[:, :1]) * scale[:, :1])[:, None, :].expand(n, SIDE, SIDE)
    y = ((at - off[:, 1:]) * scale[:, 1:])[:, :, None].expand(n, SIDE, SIDE)
    half = (cut_poles.SIDE - 1) / 2 * cut_poles.STEP_MM
    return F.grid_sample(poles, torch.stack([x, y], -1) / half, mode="bilinear", padding_mode="border", align_corners=True), off


def shown(network, pictures, look):
    """What the network tells of the pictures as look(light) shows them, told how wide the poles are."""
    light, wide = pictures[:, :3], pictures[:, 3:]
    wide = torch.where(torch.rand(len(wide), 1, 1, 1) < MISTOLD, wide.roll(1, 0), wide)
    return read_poles(network(torch.cat([normalized(look(light)), wide], 1)))


def surprise(place, log_weights, true):
    off = (place - true) / UNIT_MM
    return 0.5 * (torch.exp(log_weights) * off ** 2 - log_weights).sum(1)


def main():
    parser = options_of("poles")
    parser.add_argument("--hold", type=int, default=6)
    options = parser.parse_args()
    poles = Strips(options.poles, options.hold)

    def loss_of(network):
        pictures, true = about_places(torch.cat([poles.draw(BATCH - DRAWN - BLANK).float(), draw_poles.draw(DRAWN), draw_poles.blank(BLANK)]))
        true[-BLANK:] = FARTHEST_MM * (2 * torch.rand(BLANK, 2) - 1)  # not to be known
        shade = uniform(BATCH, 0, 0.25) * chance(BATCH, 0.5)
        place, log_weights = shown(network, pictures, lambda light: disguised(developed(under_shade(blurred(light, 4.0), 4, 4, shade))))
        return surprise(place, log_weights, true).clamp(max=20).mean() + 0.3 * F.smooth_l1_loss(place / UNIT_MM, true / UNIT_MM)

    def told(network):
        pictures, true = about_places(poles.held().float())
        place, log_weights = shown(network, pictures, developed)
        off = place - true
        over = off / UNIT_MM * torch.exp(0.5 * log_weights)
        return (f"{len(poles.files)} files; held back: loss {float(surprise(place, log_weights, true).clamp(max=20).mean()):.3f}, "
                f"median {off.abs().median(0)[0].tolist()}, rms {off.square().mean(0).sqrt().tolist()} mm, {over.square().mean(0).sqrt().tolist()} of the stated")

    learn(PoleNetwork, SIDE, SIDE, poles.look, loss_of, told, options, weight_decay=1e-2)


if __name__ == "__main__":
    main()

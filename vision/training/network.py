"""What all networks are made of, and that of rod_reading.cpp: a strip about a line goes in, what each second row tells of the rod's middle comes out.

A strip is blue, green, red x ROWS x COLUMNS, the line in its middle, HALF_WIDTH diameters to each side, brought to mean
0 and deviation 1. Out of each second row come an offset, in UNIT diameters, and the logarithm of its weight.
"""
import torch
import torch.nn.functional as F
from torch import nn

ROWS, COLUMNS, HALF_WIDTH = 64, 64, 1.6
UNIT = 0.1
LEAST_CONTRAST = 0.02
LOG_WEIGHTS = (-8, 6)
PLACES = torch.linspace(0, 1, ROWS)  # of the rows along the strip
READ = PLACES[::2]


def normalized(strips):
    return (strips - strips.mean((1, 2, 3), keepdim=True)) / (strips.std((1, 2, 3), keepdim=True) + LEAST_CONTRAST)


def start(network, along):
    """Weights to learn from; those of the layers that are added along, network.r, by that much smaller."""
    for layer in network.modules():
        if isinstance(layer, nn.Conv2d):
            nn.init.kaiming_normal_(layer.weight, nonlinearity="relu")
            nn.init.zeros_(layer.bias)
    network.o.weight.data *= 0.1
    for layer in network.r:
        layer.weight.data *= along


class RowNetwork(nn.Module):
    """Convolutions that narrow a strip to one column, then along the column, further and further: `told` values of
    every row, or of every second. `forget`: the share of what the latter tell that is dropped in training."""

    def __init__(self, columns, widths, along, told, every=1, forget=0.0):
        super().__init__()
        self.a = nn.Conv2d(3, widths[0], 3, padding=1)
        self.b = nn.Conv2d(widths[0], widths[1], 3, stride=(1, 2), padding=1)
        self.c = nn.Conv2d(widths[1], widths[2], 3, stride=(every, 2), padding=1)
        self.d = nn.Conv2d(widths[2], widths[3], 3, stride=(1, 2), padding=1)
        self.e = nn.Conv2d(widths[3], along, (3, columns // 8), padding=(1, 0))
        self.r = nn.ModuleList([nn.Conv2d(along, along, (3, 1), padding=(k, 0), dilation=(k, 1)) for k in (1, 2, 4, 8)])
        self.o = nn.Conv2d(along, told, 1)
        self.forget = nn.Dropout2d(forget)
        start(self, 0.3)

    def forward(self, strips):
        x = strips
        for layer in (self.a, self.b, self.c, self.d, self.e):
            x = F.relu(layer(x))
        for layer in self.r:
            x = x + self.forget(F.relu(layer(x)))
        return self.o(x)


def rod_network():
    return RowNetwork(COLUMNS, (12, 20, 28, 32), 40, told=2, every=2)


def read_lines(told, usual=0.075):
    """Offsets at the first and the last row, diameters, and the inverse of their covariance: least squares through the
    rows, and a line as usual lies on the rod but for `usual`."""
    offsets, log_weights = told[:, 0, :, 0] * UNIT, told[:, 1, :, 0].clamp(*LOG_WEIGHTS)
    weights = torch.exp(log_weights) / (UNIT ** 2 * len(READ))
    ends = torch.stack([1 - READ, READ], 1)
    information = torch.einsum("nh,hi,hj->nij", weights, ends, ends) + torch.eye(2) / usual ** 2
    sums = torch.einsum("nh,nh,hi->ni", weights, offsets, ends)
    return torch.linalg.solve(information, sums), information


def surprise(offsets, information, true):
    """Minus the logarithm of the probability of the true offsets, but for a constant."""
    off = (offsets - true)[:, :, None]
    return 0.5 * (off.transpose(1, 2) @ information @ off)[:, 0, 0] - 0.5 * torch.logdet(information)

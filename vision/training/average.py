"""The mean of two networks' weights, which is steadier than either.

    /usr/bin/python3 average.py ends|poles ONE.pt OTHER.pt OUT
"""
import sys

import torch

from train import write
from train_ends import COLUMNS, ROWS, end_network
from train_poles import SIDE, PoleNetwork

kind, one, other, out = sys.argv[1:5]
make, rows, columns = {"ends": (end_network, ROWS, COLUMNS), "poles": (PoleNetwork, SIDE, SIDE)}[kind]
first, second = torch.load(one), torch.load(other)
write(make(), {name: (value + second[name]) / 2 for name, value in first.items()}, rows, columns, out)

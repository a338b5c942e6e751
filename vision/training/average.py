"""The mean of two end networks' weights, which is steadier than either.

    /usr/bin/python3 average.py ONE.pt OTHER.pt OUT
"""
import sys

import torch

from train import write
from train_ends import COLUMNS, ROWS, end_network

one, other, out = sys.argv[1:4]
first, second = torch.load(one), torch.load(other)
write(end_network(), {name: (value + second[name]) / 2 for name, value in first.items()}, ROWS, COLUMNS, out)

"""The mean of two networks' weights, which is steadier than either.

    /usr/bin/python3 average.py ends|poles ONE.pt OTHER.pt OUT
"""
import sys

import torch

from train_ends import COLUMNS, ROWS, end_network
from train_poles import SIDE, PoleNetwork

kind, one, other, out = sys.argv[1:5]
make, rows, columns = {"ends": (end_network, ROWS, COLUMNS), "poles": (PoleNetwork, SIDE, SIDE)}[kind]
first, second = torch.load(one), torch.load(other)
mean = {name: (value + second[name]) / 2 for name, value in first.items()}
network = make()
network.load_state_dict(mean)
torch.save(mean, out + ".pt")
torch.onnx.export(network.eval(), torch.zeros(1, 3, rows, columns), out + ".onnx", input_names=["strip"], output_names=["rows"], opset_version=11)

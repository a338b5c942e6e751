"""The mean of two networks' weights, which is steadier than either.

    /usr/bin/python3 average_ends.py ONE.pt OTHER.pt OUT
"""
import sys

import torch

from train_ends import COLUMNS, ROWS, end_network

one, other, out = sys.argv[1:4]
first, second = torch.load(one), torch.load(other)
mean = {name: (value + second[name]) / 2 for name, value in first.items()}
network = end_network()
network.load_state_dict(mean)
torch.save(mean, out + ".pt")
torch.onnx.export(network.eval(), torch.zeros(1, 3, ROWS, COLUMNS), out + ".onnx", input_names=["strip"], output_names=["rows"], opset_version=11)

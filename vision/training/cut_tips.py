"""Cuts the ends of the tines out of what render_rods.py --tips rendered, straightened as tip_reading.cpp does it.

    /usr/bin/python3 cut_tips.py RENDER_FOLDER TIP_FOLDER

One file per picture: half floats, linear light, tips x 3 x ROWS x COLUMNS, each tine twice with more and less blur. The
tip is in row TIP_ROW of all.
"""
import glob
import json
import os
import sys

import numpy as np
import torch

from cut_strips import picture_of, straightened

STEP_MM, ROWS, TIP_ROW = 0.25, 144, 88  # from 14 mm on the tine's side to as far beyond as a picture shows
COLUMNS, HALF_WIDTH = 56, 2.2  # to each side, diameters


def tip_of(picture, shot, note):
    """None: not all of it is in the picture."""
    along = np.array(note["direction"])
    middle = np.array(note["tip_mm"]) + along * (STEP_MM * (TIP_ROW - np.arange(ROWS)))[:, None]
    return straightened(picture, shot, middle, along, np.linspace(-HALF_WIDTH, HALF_WIDTH, COLUMNS) * note["diameter_mm"])


def main():
    renders, folder = sys.argv[1], sys.argv[2]
    os.makedirs(folder, exist_ok=True)
    for name in sorted(glob.glob(os.path.join(renders, "[0-9]*.exr"))):
        out = os.path.join(folder, os.path.basename(name)[:-4] + ".pt")
        if os.path.exists(out):
            continue
        rng = np.random.default_rng(int(os.path.basename(name)[:-4]))
        with open(name[:-3] + "json") as file:
            shot = json.load(file)
        tips = []
        for blurred in picture_of(name, rng):
            tips += [t for t in (tip_of(blurred, shot, note) for note in shot["notes"]) if t is not None]
        if tips:
            torch.save(torch.tensor(np.stack(tips)).permute(0, 3, 1, 2).half(), out)
        print(name, len(tips), "tips", flush=True)


if __name__ == "__main__":
    main()

"""Cuts pole tips out of what render_rods.py rendered (--tips), looked at as pole_reading.cpp does it.

    /usr/bin/python3 cut_poles.py RENDER_FOLDER POLE_FOLDER

One file per picture: half floats, linear light, poles x 3 x SIDE x SIDE, in the plane of the tip's face, whose middle is in
the middle; each twice with more and less blur.
"""
import numpy as np

from cut_strips import cut_pictures, looked

SIDE, STEP_MM = 96, 0.125


def pole_of(picture, shot, note, _):
    """None: not enough of it is in the picture."""
    beside = (np.arange(SIDE) - (SIDE - 1) / 2) * STEP_MM
    x, y, _ = np.eye(3)
    return looked(picture, shot, np.array(note["pole_mm"]) + x * beside[None, :, None] + y * beside[:, None, None], least=0.9)


if __name__ == "__main__":
    cut_pictures(pole_of)

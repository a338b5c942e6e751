"""Cuts pole tips out of what render_rods.py rendered (--tips), looked at as pole_reading.cpp does it.

    /usr/bin/python3 cut_poles.py RENDER_FOLDER POLE_FOLDER

One file per picture: half floats, poles x 4 x SIDE x SIDE: linear light, in the plane of the tip's face, whose middle is in
the middle, and in the fourth how wide the tip is, as the network is told it; each twice with more and less blur.
"""
import numpy as np

from cut_strips import cut_pictures, looked

SIDE, STEP_MM = 96, 0.125
USUAL_WIDE_MM = 3.0


def pole_of(picture, shot, note, _):
    """None: not enough of it is in the picture."""
    beside = (np.arange(SIDE) - (SIDE - 1) / 2) * STEP_MM
    x, y, _ = np.eye(3)
    seen = looked(picture, shot, np.array(note["pole_mm"]) + x * beside[None, :, None] + y * beside[:, None, None], least=0.9)
    wide = np.full((SIDE, SIDE, 1), np.log(note["pole_wide_mm"] / USUAL_WIDE_MM))
    return None if seen is None else np.concatenate([seen, wide], 2)


if __name__ == "__main__":
    cut_pictures(pole_of)

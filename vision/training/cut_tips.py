"""Cuts the ends of the tines out of what render_rods.py --tips rendered, straightened as tip_reading.cpp does it.

    /usr/bin/python3 cut_tips.py RENDER_FOLDER TIP_FOLDER

One file per picture: half floats, linear light, tips x 3 x ROWS x COLUMNS, each tine twice with more and less blur. The
tip is in row TIP_ROW of all.
"""
import numpy as np

from cut_strips import cut_pictures, straightened

STEP_MM, ROWS, TIP_ROW = 0.25, 144, 88  # from 14 mm on the tine's side to as far beyond as a picture shows
COLUMNS, HALF_WIDTH = 56, 2.2  # to each side, diameters


def tip_of(picture, shot, note, _):
    """None: not all of it is in the picture."""
    along = np.array(note["direction"])
    middle = np.array(note["tip_mm"]) + along * (STEP_MM * (TIP_ROW - np.arange(ROWS)))[:, None]
    return straightened(picture, shot, middle, along, np.linspace(-HALF_WIDTH, HALF_WIDTH, COLUMNS) * note["diameter_mm"])


if __name__ == "__main__":
    cut_pictures(tip_of)

"""Cuts out of what render_rods.py rendered where tines end before their pickups (--tips), or the tops of their blocks
(--roots), straightened as end_reading.cpp does it.

    /usr/bin/python3 cut_ends.py RENDER_FOLDER END_FOLDER [--roots]

Rows are as far apart as columns would be: then the end of a round rod is a round arc, and the top of a block a rectangle,
however steeply one looks at them.

One file per picture: half floats, linear light, ends x 3 x ROWS x COLUMNS, each tine twice with more and less blur. In row
END_ROW of all is the end of the tine's axis, or the block's upper edge toward the pickup.
"""
import sys

import numpy as np

from cut_strips import cut_pictures, looked, straightened

ROWS, END_ROW = 144, 88
ROW = 0.04  # of tines: from row to row, diameters as the picture shows them
BLOCK_ROW_MM = 0.11
COLUMNS, HALF_WIDTH = 56, 55  # to each side, in the distance of rows
BESIDE = np.linspace(-HALF_WIDTH, HALF_WIDTH, COLUMNS)


def sight(shot, point):
    pose = np.array(shot["camera_from_harp"])
    return point + pose[:3, :3].T @ pose[:3, 3]


def tip_of(picture, shot, note, _):
    """None: not all of it is in the picture."""
    along, tip = np.array(note["direction"]), np.array(note["tip_mm"])
    seen = sight(shot, tip)
    foreshortening = np.linalg.norm(np.cross(along, seen)) / np.linalg.norm(seen)
    step = ROW * note["diameter_mm"] / foreshortening
    middle = tip + along * (step * (END_ROW - np.arange(ROWS)))[:, None]
    return straightened(picture, shot, middle, along, BESIDE * ROW * note["diameter_mm"])


def block_of(picture, shot, note, _):
    """The plane of its top; None: not all of it is in the picture."""
    edge = np.array(note["block_edge_mm"])
    seen = sight(shot, edge)
    step = BLOCK_ROW_MM * np.linalg.norm(seen) / abs(seen[1])
    x, _, z = np.eye(3)
    rows = z * (step * (END_ROW - np.arange(ROWS)))[:, None, None]
    return looked(picture, shot, edge + rows + x * (BLOCK_ROW_MM * BESIDE)[:, None])


if __name__ == "__main__":
    cut_pictures(block_of if "--roots" in sys.argv else tip_of)

#!/usr/bin/python3
"""Writes tags36h11.json: the 8x8 cells (1 = white) of every tag the scene shows, upright as OpenCV draws it."""
import json
import cv2

dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
table = {}
for tag in list(range(20)) + list(range(40, 60)) + [200 + m for m in (36, 50, 64, 78, 92)]:
    cells = cv2.aruco.drawMarker(dictionary, tag, 8)
    table[tag] = ["".join("1" if c > 127 else "0" for c in row) for row in cells]
with open("tags36h11.json", "w") as f:
    json.dump(table, f, indent=0)
    f.write("\n")

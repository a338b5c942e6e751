#!/usr/bin/python3
"""Renders and develops every photo that is not there yet, one after the other; rendering has the lowest priority.

    python3 render_all.py [PHOTO ...]
"""
import json
import os
import shutil
import subprocess
import sys
import tempfile
import time

HERE = os.path.dirname(os.path.abspath(__file__))
RIG = [f"rig_{i:02d}" for i in range(1, 13)]
QUEUE = (["r2_left", "r2_right"] + RIG[:6] + ["r1_left", "r1_right", "r5_left", "r5_right", "r3_left", "r3_right",
                                              "r4_left", "r4_right"] + RIG[6:])
SAMPLES = {"harp": 12, "rig": 6}


def finish(job):
    """Waits for a photo's development and says how long it took."""
    name, folder, start, mid, process = job
    if process.wait():
        sys.exit(f"{name}: not developed, passes are in {folder}")
    shutil.rmtree(folder)
    print(f"{name}: rendered {mid - start:.0f} s, developed after {time.time() - mid:.0f} s", flush=True)


def main():
    nice = ["nice", "-n", "19"]
    job = None  # one photo is developed while the next one is rendered
    for name in sys.argv[1:] or QUEUE:
        with open(os.path.join(HERE, "..", "truth", name + ".json")) as f:
            truth = json.load(f)
        if os.path.exists(os.path.join(HERE, "..", truth["file"])):
            continue
        start = time.time()
        folder = tempfile.mkdtemp(prefix="render_")
        subprocess.run(nice + ["blender", "-b", "-noaudio", "--factory-startup", "--python-exit-code", "1", "-P",
                               os.path.join(HERE, "scene.py"), "--", name, folder, "--spp", str(SAMPLES[truth["kind"]])], check=True, stdout=subprocess.DEVNULL)
        if job:
            finish(job)
        process = subprocess.Popen(["/usr/bin/python3", os.path.join(HERE, "develop.py"), name, folder])
        job = (name, folder, start, time.time(), process)
    if job:
        finish(job)


if __name__ == "__main__":
    main()

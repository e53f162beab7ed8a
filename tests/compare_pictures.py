"""Small files for the tests of this folder."""

from __future__ import annotations

import numpy as np

from stackcomp import Window
from stackcomp.files import exr

__all__ = ["WINDOW", "picture", "write"]

WINDOW = Window.of_size(16, 9)


def picture(layers=("", "shadow."), seed=0, window=WINDOW):
    """Planes of some layers with R G B, and of a depth layer."""
    draw = np.random.default_rng(seed)
    planes = {f"{layer}{c}": draw.random(window.shape, np.float32) for layer in layers for c in "RGB"}
    return {**planes, "depth.Z": draw.random(window.shape, np.float32) * 40}


def write(path, change=None, *, pixel_type="half", window=WINDOW, display=WINDOW, layers=("", "shadow."), seed=0,
          planes=None, **options):  # fmt: skip
    """Write a file; ``change`` gives a channel's pixel in column 5 and row 4 another value."""
    planes = dict(picture(layers, seed, window) if planes is None else planes)
    for name, value in (change or {}).items():
        planes[name][4, 5] = value
    exr.write(path, planes, window=window, display=display, pixel_type=pixel_type, **options)
    return path

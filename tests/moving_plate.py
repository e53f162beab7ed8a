"""A plate in known motion, on disk: a part of a photograph of scikit-image, moved by scipy's spline of order 5."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from scipy import ndimage
from skimage import data

from stackcomp.data.window import Window
from stackcomp.files import exr

#: A corner in frame 1, and how far it moves from frame to frame.
LENS, WAY = (70.4, 60.2), (0.8, -0.3)
#: The frame in which all is covered.
COVERED = 4


def photograph() -> np.ndarray:
    """160×160 pixels, 0 to 1."""
    return data.camera()[60:220, 120:280].astype(np.float64) / 255


def lens_at(frame: int) -> tuple[float, float]:
    return LENS[0] + WAY[0] * (frame - 1), LENS[1] + WAY[1] * (frame - 1)


def write_grey(path: Path, picture: np.ndarray, *, display=None, window=None) -> None:
    """A picture as R G B alike, 32-bit."""
    window = window or Window.of_size(picture.shape[1], picture.shape[0])
    planes = {channel: picture.astype(np.float32) for channel in "RGB"}
    exr.write(path, planes, window=window, display=display or window, pixel_type="float")


def write_plate(folder: Path, frames=range(1, 6)) -> None:
    for frame in frames:
        shift = WAY[1] * (frame - 1), WAY[0] * (frame - 1)
        moved = ndimage.shift(photograph(), shift, order=5, mode="mirror")
        write_grey(folder / f"plate.{frame:04d}.exr", np.full_like(moved, 0.3) if frame == COVERED else moved)

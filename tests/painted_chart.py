"""A 24-patch chart drawn into a picture with OpenCV's perspective, for tests of chart measurement."""

from __future__ import annotations

import cv2
import numpy as np

from stackcomp import Image
from stackcomp.measure.picture import HALF_MAX, Measured

SIZE = 192, 128
CORNERS = ((24.0, 18.0), (170.0, 12.0), (176.0, 112.0), (20.0, 104.0))
BOARD = 0.02
#: Similar to a camera's matrix: rows mix channels, and it is not a multiple of the identity.
MATRIX = np.array([[1.25, -0.18, 0.04], [-0.11, 0.93, 0.09], [0.03, -0.16, 0.74]])
#: Share of a patch's pitch that is patch; the rest is board.
PAINTED = 0.85


def paint(patches, corners=CORNERS, size=SIZE, light=None):
    """Return scene-linear ``(height, width, 3)``; `light` is a function of chart coordinates, 0 to 1 each way."""
    width, height = size
    target = np.array([[0, 0], [6, 0], [6, 4], [0, 4]], np.float32)
    to_chart = cv2.getPerspectiveTransform(np.array(corners, np.float32), target)
    y, x = np.mgrid[0:height, 0:width] + 0.5
    at = cv2.perspectiveTransform(np.stack([x, y], axis=-1).reshape(1, -1, 2), to_chart).reshape(height, width, 2)
    column, row = np.floor(at[..., 0]), np.floor(at[..., 1])
    inside = (column >= 0) & (column < 6) & (row >= 0) & (row < 4)
    inside &= (np.abs(at - np.floor(at) - 0.5) < PAINTED / 2).all(axis=-1)
    picture = np.full((height, width, 3), BOARD)
    place = (np.clip(row, 0, 3) * 6 + np.clip(column, 0, 5)).astype(int)
    picture[inside] = np.asarray(patches)[place[inside]]
    if light is not None:
        picture *= light(at[..., 0] / 6, at[..., 1] / 4)[..., None]
    return picture


def grainy(picture, sigma=0.02, seed=1):
    return picture * (1 + sigma * np.random.default_rng(seed).standard_normal(picture.shape))


def measured(picture, ceiling=HALF_MAX):
    image = Image.from_array(picture)
    return Measured(image, image, ceiling)

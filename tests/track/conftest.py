"""Photographs of scikit-image in known motion, by scipy's spline of order 5, which the tracker does not use."""

from __future__ import annotations

import functools

import numpy as np
import pytest
from scipy import ndimage
from skimage import data

from stackcomp.track.sight import Sight


@functools.cache
def photograph(name, size):
    """The middle of a photograph, 0 to 1."""
    picture = getattr(data, name)().astype(np.float64) / 255
    picture = picture if picture.ndim == 2 else picture[..., :3] @ [0.25, 0.5, 0.25]
    top, left = ((side - size) // 2 for side in picture.shape)
    return picture[top : top + size, left : left + size]


@functools.lru_cache(maxsize=32)
def resampled(picture, linear, move):
    """A `Shared` picture, moved; many tests move one picture in one way."""
    height, width = picture.values.shape
    y, x = np.mgrid[0:height, 0:width] + 0.5
    back = np.linalg.inv(np.reshape(linear, (2, 2)))
    from_x, from_y = np.tensordot(back, np.stack([x - move[0], y - move[1]]), 1)
    places = [from_y - 0.5, from_x - 0.5]
    moved = ndimage.map_coordinates(picture.coefficients, places, order=5, mode="mirror", prefilter=False)
    moved.flags.writeable = False
    return moved


class Shared:
    """A picture that is the same object wherever it is used."""

    def __init__(self, values):
        self.values = values
        self.coefficients = ndimage.spline_filter(values, order=5, mode="mirror")


@functools.cache
def shared(name, size):
    return Shared(photograph(name, size))


class Motion:
    """A photograph that moves, turns and grows from frame to frame; frame 0 is at rest."""

    def __init__(
        self, name="camera", size=320, *, way=(1.3, -0.7), turn=0.006, grow=1.005, changed=None, picture=None
    ):
        self.shared = shared(name, size) if picture is None else Shared(picture)
        self.picture = self.shared.values
        self.way, self.turn, self.grow = way, turn, grow
        self.changed = changed or (lambda frame, picture: picture)

    def matrix(self, frame):
        """Pixels at frame 0 → pixels at the frame."""
        middle = np.array(self.picture.shape[::-1]) / 2
        size, angle = self.grow**frame, self.turn * frame
        linear = size * np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
        # A little unsteady, as a hand-held camera is.
        move = np.array(self.way) * frame + 1.5 * np.sin(frame * np.array([0.7, 0.5]))
        return linear, middle - linear @ middle + move

    def at(self, point, frame):
        linear, move = self.matrix(frame)
        return linear @ np.array(point) + move

    def frame(self, frame):
        linear, move = self.matrix(frame)
        return self.changed(frame, resampled(self.shared, tuple(linear.ravel()), tuple(move)))

    def sight(self, frame):
        return Sight.of(self.frame(frame))


@pytest.fixture(scope="session")
def motion():
    return Motion


@pytest.fixture(scope="session")
def errors():
    """Distances in pixels from the known places, over all frames at which a point is found but the first."""

    def measured(moved, tracks, points):
        return np.array(
            [
                np.hypot(*(np.array([place.x, place.y]) - moved.at(points[track.name], frame)))
                for track in tracks
                for frame, place in track.places.items()
                if place is not None and frame != 0
            ]
        )

    return measured

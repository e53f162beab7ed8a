"""Strokes of a round brush, flattened and painted onto a matte."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from stackcomp.data.window import Window
from stackcomp.kernels.compiled import Array
from stackcomp.kernels.curve_flatten import flatten
from stackcomp.kernels.strips import over_strips
from stackcomp.kernels.stroke_coverage import PIECE, paint_strokes, pieces_of

__all__ = ["DrawnStroke", "StrokePicture", "prepare"]

#: Largest distance between a curve and its chords, in pixels.
_TOLERANCE = 0.01
#: Pixels from the origin beyond which nothing is painted.
_FARTHEST = 1e5
_CHUNK = 16


@dataclass(frozen=True, eq=False)
class DrawnStroke:
    """A stroke at one time.

    Attributes:
        points: ``(n, 8)`` float64, see `stackcomp.data.keyed_points`; the last two are radius and softness.
        adds: whether it adds or takes away.
        opacity: 0 to 1.
    """

    points: Array
    adds: bool = True
    opacity: float = 1.0


@dataclass(frozen=True, eq=False)
class StrokePicture:
    """Strokes that are ready to be painted, at one or several times.

    Attributes:
        window: the pixels that strokes may add to.
    """

    window: Window
    _steps: Array
    _starts: Array
    _adds: Array
    _opacity: Array
    _pieces: Array

    def painted(self, below: Array, window: Window) -> Array:
        """Return a matte with the strokes painted on it: the mean over all times.

        Args:
            below: the matte, float32 of ``window.shape``.
            window: the pixels that it covers.
        """
        # Pixels are computed in groups that lie at the same places whatever the window is.
        left = window.x0 // _CHUNK * _CHUNK
        rows = np.zeros((window.height, window.x1 - left), np.float32)
        rows[:, window.x0 - left :] = below

        def strip(a: int, b: int) -> None:
            paint_strokes(
                rows, a, b, self._steps, self._starts, self._adds, self._opacity, self._pieces, left, window.y0
            )

        over_strips(strip, window.height, least=32)
        return np.ascontiguousarray(rows[:, window.x0 - left :])


def prepare(times: Sequence[tuple[Sequence[DrawnStroke], Array]]) -> StrokePicture:
    """Return strokes ready to be painted.

    Args:
        times: the strokes at each time, as many at all of them, and the homography from their pixels to the
            picture's.
    """
    box = np.array([-1, -1, 1, 1]) * _FARTHEST
    pieces: list[Array] = [np.empty((0, PIECE))]
    starts = [0]
    window = Window(0, 0, 0, 0)
    for strokes, matrix in times:
        for stroke in strokes:
            points = stroke.points.copy()
            points[:, 7] *= points[:, 6]
            around = box + np.array([-1, -1, 1, 1]) * points[:, 6].max()
            ends = np.array([0, len(points)])
            vertices, firsts = flatten(points, ends, False, matrix, around, _TOLERANCE)
            made, _ = pieces_of(vertices, firsts)
            pieces.append(made)
            starts.append(starts[-1] + len(made))
            if stroke.adds:
                window = window | _window(vertices)
    strokes = [stroke for some, _ in times for stroke in some]
    return StrokePicture(
        window,
        np.arange(len(times) + 1) * len(times[0][0]),
        np.array(starts, np.int64),
        np.array([stroke.adds for stroke in strokes], np.bool_),
        np.array([stroke.opacity for stroke in strokes], np.float32),
        np.concatenate(pieces),
    )


def _window(vertices: Array) -> Window:
    """The pixels that a stroke may cover."""
    if len(vertices) == 0:
        return Window(0, 0, 0, 0)
    # Half a pixel more, by which a border bends into pixels beside it.
    radius = vertices[:, 2:3] + 0.5
    low = np.clip((vertices[:, :2] - radius).min(axis=0), -_FARTHEST, _FARTHEST)
    high = np.clip((vertices[:, :2] + radius).max(axis=0), -_FARTHEST, _FARTHEST)
    return Window(*np.floor(low).astype(int).tolist(), *np.ceil(high).astype(int).tolist())

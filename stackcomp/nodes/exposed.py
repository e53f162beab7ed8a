"""Motion blur of what is drawn: a frame is the mean over the time that its shutter is open."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated

import numpy as np

from stackcomp.data.numbers import Keyed, Number
from stackcomp.kernels.compiled import Array
from stackcomp.nodes.base import Node

__all__ = ["Exposed", "mapped"]

#: How far a point moves from one step to the next, in pixels, and how many steps there are.
_STEP, _FEWEST, _MOST = 0.5, 2, 64
#: Nothing moves that moves less, in pixels.
_NOTHING = 0.01
#: Stretches of the exposure along which movement is measured.
_STRETCHES = 8


class Exposed(Node):
    """Mixin for drawn kinds with a shutter.

    The mean is taken over steps of equal length; each counts as it is in its middle. There are so many that no
    point moves more than half a pixel from one to the next, at least 2 and at most 64. What does not move has one.
    """

    shutter: Annotated[
        float,
        Number(
            "how long a frame is exposed: 360 is all of it, 0 is no motion blur", unit="degrees", low=0, high=720
        ),
    ] = 0.0
    shutter_centre: Annotated[
        float, Number("middle of the exposure, in frames from the number of the frame", low=-2, high=2)
    ] = 0.0

    def exposure(self, frame: float) -> tuple[float, float]:
        """Begin and end of the exposure, in frames; of all that keys may ask for where the shutter is keyed."""
        lengths = self.shutter.values if isinstance(self.shutter, Keyed) else (self.shutter,)
        centres = self.shutter_centre.values if isinstance(self.shutter_centre, Keyed) else (self.shutter_centre,)
        half = max(float(length) for length in lengths) / 720  # type: ignore[arg-type]
        middles = [float(centre) for centre in centres]  # type: ignore[arg-type]
        return frame + min(middles) - half, frame + max(middles) + half

    def instants(self, frame: float, places: Callable[[float], Array]) -> list[float]:
        """The times whose mean a frame is.

        Args:
            frame: frame number.
            places: of the points at a time, ``(n, 2)`` in pixels of the render; NaN where one is not seen.
        """
        begin, end = self.exposure(frame)
        if begin == end:
            return [begin]
        path = np.stack([places(begin + (end - begin) * k / _STRETCHES) for k in range(_STRETCHES + 1)])
        lengths = np.hypot(*np.moveaxis(np.diff(path, axis=0), 2, 0)).sum(axis=0)
        longest = float(lengths.max(initial=0.0, where=np.isfinite(lengths)))
        if longest < _NOTHING:
            return [0.5 * (begin + end)]
        count = int(min(max(np.ceil(longest / _STEP), _FEWEST), _MOST))
        return [begin + (end - begin) * (k + 0.5) / count for k in range(count)]


def mapped(points: Array, matrix: Array) -> Array:
    """Where the points of curves and the ends of their tangents are after a homography, ``(3 n, 2)``."""
    at = np.concatenate([points[:, :2], points[:, :2] + points[:, 2:4], points[:, :2] + points[:, 4:6]])
    x, y, w = matrix @ np.vstack([at.T, np.ones(len(at))])
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        return np.where(w > 0, np.stack([x, y]) / w, np.nan).T

"""Where a point may be in the next frame: by optical flow, and by a search for its pattern. Uses OpenCV.

Sources: Bouguet, Pyramidal Implementation of the Lucas Kanade Feature Tracker, 2000; Lewis, Fast Normalized
Cross-Correlation, 1995.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from stackcomp.data.opencv import opencv
from stackcomp.kernels.compiled import Array
from stackcomp.track.sight import Sight

__all__ = ["flow", "others_like_it", "searched"]

_LEAST_CORRELATION = 0.6
#: The best place must be better than any other: what it lacks to 1 is at most this share of what the other lacks.
_CLEARLY = 0.6


def flow(
    before: Sight, after: Sight, points: Sequence[tuple[float, float]], size: int, reach: int
) -> list[tuple[float, float] | None]:
    """Return where points went, by pyramidal Lucas–Kanade flow; None where it has no answer.

    Args:
        before: the picture with the points.
        after: the other picture, of the same size.
        points: in pixels.
        size: pixels of a side of the window around each point.
        reach: pixels that a point may move.
    """
    if not points:
        return []
    cv2 = opencv()
    limits = before.range
    levels = max(0, math.ceil(math.log2(max(1.0, 2 * reach / size))))
    begin = np.array(points, np.float32)[:, None] - np.float32(0.5)
    end, status, _ = cv2.calcOpticalFlowPyrLK(
        before.eight_bit(limits), after.eight_bit(limits), begin, None, winSize=(size, size), maxLevel=levels
    )
    moved = end[:, 0].astype(np.float64) + 0.5
    return [
        (float(x), float(y)) if good and math.hypot(x - p[0], y - p[1]) <= 1.5 * reach else None
        for (x, y), good, p in zip(moved, status[:, 0], points, strict=True)
    ]


def searched(sight: Sight, template: Array, centre: tuple[float, float], reach: int) -> tuple[float, float] | None:
    """Return the place where a template fits, to a whole pixel; None where none is clearly the best.

    Args:
        sight: the picture.
        template: ``(size, size)``, odd.
        centre: the middle of the search, in pixels.
        reach: pixels to each side.
    """
    places = _places(sight, template, centre, reach, 2)
    if not places:
        return None
    best, other = places[0][0], places[1][0] if len(places) > 1 else -1.0
    return None if best < _LEAST_CORRELATION or 1 - best > _CLEARLY * (1 - other) else places[0][1]


def others_like_it(
    sight: Sight, template: Array, centre: tuple[float, float], reach: int, most: int = 4
) -> list[tuple[float, tuple[float, float]]]:
    """Return the next best places to a template that is at the centre: likeness and place, the best first."""
    # Between two pixels it is no perfect fit at its own place, and another place may come before it.
    places = _places(sight, template, centre, reach, most + 1)
    apart = template.shape[0] / 6
    return [(like, place) for like, place in places if math.dist(place, centre) > apart][:most]


def _fits(sight: Sight, template: Array, centre: tuple[float, float], reach: int) -> tuple[Array, int, int] | None:
    """Normalised cross-correlation at whole pixels, and the left and top edge of its first square."""
    cv2 = opencv()
    half = template.shape[0] // 2
    x0, y0, x1, y1 = sight.known
    left, right = max(x0, round(centre[0] - reach) - half), min(x1, round(centre[0] + reach) + half + 1)
    top, bottom = max(y0, round(centre[1] - reach) - half), min(y1, round(centre[1] + reach) + half + 1)
    if right - left < template.shape[1] + 1 or bottom - top < template.shape[0] + 1:
        return None
    part = np.ascontiguousarray(sight.plane[top:bottom, left:right])
    likeness = cv2.matchTemplate(part, template.astype(np.float32), cv2.TM_CCOEFF_NORMED)
    likeness[~np.isfinite(likeness)] = -1
    return likeness, left, top


def _places(
    sight: Sight, template: Array, centre: tuple[float, float], reach: int, most: int
) -> list[tuple[float, tuple[float, float]]]:
    """The best places of a template, to a whole pixel, each with its likeness; one for each peak."""
    from scipy import ndimage

    fits = _fits(sight, template, centre, reach)
    if fits is None:
        return []
    likeness, left, top = fits
    half = template.shape[0] // 2
    tops = likeness == ndimage.maximum_filter(likeness, size=5, mode="constant", cval=-1)
    rows, columns = np.nonzero(tops)
    order = np.argsort(-likeness[rows, columns], kind="stable")[:most]
    return [
        (float(likeness[y, x]), (left + int(x) + half + 0.5, top + int(y) + half + 0.5))
        for y, x in zip(rows[order], columns[order], strict=True)
    ]

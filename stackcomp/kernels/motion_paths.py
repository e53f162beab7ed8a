"""The light of a path: which share of the time a pixel that moves gives to each pixel on its way.

A pixel moves from ``v · begin`` to ``v · end``, relative to its place. Along the axis in which the path is longer,
the share of each column (or row) is the exact integral over time of a pixel that is flat in its middle and fades
linearly into the next one. Across it, the share is divided between the two pixels nearest to its mean position. So
shares add up to 1, and a path costs two additions for each pixel of its length.
"""

from __future__ import annotations

from stackcomp.kernels.compiled import compiled

__all__ = ["ENDS", "end_share", "path_of", "second_share", "softness"]

#: Along a path, a pixel has all light up to the first distance from its centre, and none beyond the second. Half
#: way between two pixels it is divided evenly. A wider ramp would soften what moves by less than a pixel.
_FLAT, ENDS = 0.25, 0.75
# A path shorter than this is a point, in pixels.
_POINT = 1e-4


@compiled
def path_of(begin_x: float, begin_y: float, end_x: float, end_y: float) -> tuple[bool, float, float, float, float]:
    """Return whether a path is longer across than down, its range along that axis, and its line on the other.

    The line is ``at + slope · (place - low)``.
    """
    across = abs(end_x - begin_x) >= abs(end_y - begin_y)
    a, b, c, d = (begin_x, end_x, begin_y, end_y) if across else (begin_y, end_y, begin_x, end_x)
    if b < a:
        a, b, c, d = b, a, d, c
    if b - a < _POINT:
        return across, 0.5 * (a + b), 0.5 * (a + b), 0.5 * (c + d), 0.0
    return across, a, b, c, (d - c) / (b - a)


@compiled
def _kept(u: float) -> tuple[float, float]:
    """Return the integrals, from 0 on, of a pixel's share of light at distance u, and of distance times share."""
    away = abs(u)
    if away <= _FLAT:
        return u, 0.5 * u * u
    out = min(away, ENDS)
    total = 0.5 - (ENDS - out) * (ENDS - out) / (2 * (ENDS - _FLAT))
    steep = 1 / (ENDS - _FLAT)
    mean = steep * (out * out * (0.5 * ENDS - out / 3) - _FLAT * _FLAT * (0.5 * ENDS - _FLAT / 3))
    return total if u > 0 else -total, 0.5 * _FLAT * _FLAT + mean


@compiled
def end_share(place: int, low: float, high: float) -> tuple[float, float]:
    """Return the share of the time that a path gives to a column near its end, and its mean position."""
    if high == low:
        return min(1.0, max(0.0, (ENDS - abs(place - low)) / (ENDS - _FLAT))), low
    sum_a, mean_a = _kept(low - place)
    sum_b, mean_b = _kept(high - place)
    share = sum_b - sum_a
    if share < 1e-12:
        return 0.0, low
    return share / (high - low), min(high, max(low, place + (mean_b - mean_a) / share))


@compiled
def softness(slope: float, length: float) -> float:
    """Return half the width of the ramp between two pixels across a path: less where it hardly leaves its row."""
    return min(0.5, max(ENDS - 0.5, 0.5 * abs(slope) * length))


@compiled
def second_share(part: float, soft: float) -> float:
    """Return the share of the second of two pixels of a place between them."""
    return min(1.0, max(0.0, 0.5 + (part - 0.5) / (2 * soft)))

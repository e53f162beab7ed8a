"""What the check says of the outline of a patch: where nothing of the patch is left by it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from stackcomp.data.window import Window
from stackcomp.errors import Problem
from stackcomp.kernels.compiled import Array

__all__ = ["outline_findings"]

# Points of a grid on each side, and how often a finer one is laid around the best of them.
_GRID, _FINER = 32, 6


def outline_findings(
    outline: Sequence[tuple[float, float]] | None, feathers: Sequence[tuple[int, float]], patch: Window
) -> Iterator[Problem]:
    """Findings about an outline and its feather, one at most.

    Args:
        outline: corners, or None for the whole frame of the patch.
        feathers: frames to look at, each with the width of the soft edge in pixels.
        patch: display window of the patch.
    """
    frame = [(patch.x0, patch.y0), (patch.x1, patch.y0), (patch.x1, patch.y1), (patch.x0, patch.y1)]
    corners = np.array(frame if outline is None else outline, np.float64)
    low, high = corners.min(axis=0), corners.max(axis=0)
    if not ((low < (patch.x1, patch.y1)).all() and (high > (patch.x0, patch.y0)).all()):
        yield _nothing(
            f'the "outline" from {_point(low)} to {_point(high)} lies outside of the frame of the patch, {patch}',
            "give corners in pixels of the patch",
            "outline",
        )
        return
    radius = _widest(corners)
    if radius <= 1e-6 * float((high - low).max(initial=1)):
        yield _nothing(
            'the "outline" encloses nothing: its corners lie on one line',
            "give the corners in turn, on the way around what is to be laid on",
            "outline",
        )
        return
    number, feather = max(feathers, key=lambda pair: pair[1])
    if feather / 2 >= radius:
        when = f"frame {number}: " if len(feathers) > 1 else ""
        what = "the patch" if outline is None else 'the "outline"'
        yield _nothing(
            f"{when}a feather of {feather:g} px leaves nothing: the widest circle in {what} has a "
            f"radius of {radius:.3g} px, and the patch shows in full from {feather:g} px inward",
            f"write a feather of up to {radius:.3g}",
            "feather",
        )


def _nothing(message: str, way_out: str, field: str) -> Problem:
    return Problem("patch-nothing", message, way_out, field=field, severity="warning")


def _point(at: Array) -> str:
    return f"[{at[0]:g}, {at[1]:g}]"


def _widest(corners: Array) -> float:
    """The radius of the widest circle inside of a polygon; inside is what it goes around."""
    low, high = corners.min(axis=0), corners.max(axis=0)
    middle, half = (low + high) / 2, (high - low) / 2
    best = 0.0
    for _ in range(_FINER):
        x, y = np.meshgrid(*(at + by * np.linspace(-1, 1, _GRID) for at, by in zip(middle, half, strict=True)))
        points = np.stack([x.ravel(), y.ravel()], axis=-1)
        inward = np.where(_inside(points, corners), _distance(points, corners), -np.inf)
        k = int(inward.argmax())
        if inward[k] > best:
            best, middle = float(inward[k]), points[k]
        half = half / 4
    return best


def _inside(points: Array, corners: Array) -> Array:
    """Whether a polygon goes around points: its winding number is not 0."""
    turns = np.zeros(len(points), np.int64)
    x, y = points.T
    for (ax, ay), (bx, by) in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        left = (bx - ax) * (y - ay) - (by - ay) * (x - ax) > 0
        turns += ((ay <= y) & (by > y) & left).astype(np.int64) - ((by <= y) & (ay > y) & ~left)
    inside: Array = turns != 0
    return inside


def _distance(points: Array, corners: Array) -> Array:
    """The distance of points from the sides of a polygon."""
    nearest = np.full(len(points), np.inf)
    for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        side = b - a
        share = np.clip((points - a) @ side / max(float(side @ side), 1e-300), 0, 1)
        nearest = np.minimum(nearest, np.linalg.norm(points - a - share[:, None] * side, axis=1))
    return nearest

"""How wide the edges of a picture are: from 10 to 90 % of the step, in pixels.

A step that a Gaussian of standard deviation ``s`` blurred rises as the error function: from 10 to 90 % in
2.5631 s (twice the 90 % point of the normal distribution, 1.28155). Edges are measured along rows and along
columns and corrected by the cosine of their direction, so that nothing is resampled.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from stackcomp.inspection.pair import Array
from stackcomp.kernels.softening import WIDTH_OF_SIGMA

__all__ = ["WIDTH_OF_SIGMA", "Edges", "edges", "joined"]

_REACH = 12
#: The gradient lies at most that far from the row or column: the tangent of the angle.
_TURNED = 0.6
#: An edge ends where its slope falls to that part of the steepest.
#: Its sides are flat within that part of the step.
_ENDS, _FLAT = 0.1, 0.07
#: Pixels of a side that are averaged, and that must be flat.
_SIDE = 3
#: What lies nearer to either side, in parts of the step, is taken to lie there: so small differences are noise.
_TAIL = 0.002
#: How many standard deviations of the noise a step is high at least.
_NOISE = 15.0
#: From that width on, in pixels, an edge must have the form of a step that something blurred, see `Edges`.
_NARROW, _LEAST_FORM, _MOST_FORM = 1.8, 0.7, 1.15
#: Rows, and columns, that are looked at, at most; and edges that are measured in each direction.
_MOST_ROWS, _MOST = 500, 6000


@dataclass(frozen=True, eq=False)
class Edges:
    """Edges that were measured.

    Attributes:
        rows: of their middles, from the top of the plane.
        columns: likewise.
        width: 10 to 90 %, in pixels.
        step: the difference of both sides.
        contrast: that in parts of the brighter side.
        form: width times steepest slope, in parts of the step: 1.02 after a Gaussian, 1.11 after a triangle, 0.87
            after a disc, 0.8 after a box, as motion blur is.
    """

    rows: npt.NDArray[np.intp]
    columns: npt.NDArray[np.intp]
    width: Array
    step: Array
    contrast: Array
    form: Array

    def __len__(self) -> int:
        return int(self.rows.size)

    def some(self, chosen: npt.NDArray[np.bool_]) -> Edges:
        """Those that are chosen."""
        return Edges(
            self.rows[chosen],
            self.columns[chosen],
            self.width[chosen],
            self.step[chosen],
            self.contrast[chosen],
            self.form[chosen],
        )


def joined(first: Edges, second: Edges) -> Edges:
    """Edges of two planes."""
    return Edges(
        np.concatenate([first.rows, second.rows]),
        np.concatenate([first.columns, second.columns]),
        np.concatenate([first.width, second.width]),
        np.concatenate([first.step, second.step]),
        np.concatenate([first.contrast, second.contrast]),
        np.concatenate([first.form, second.form]),
    )


def edges(plane: Array, *, least: float, floor: float = 0.0, within: npt.NDArray[np.bool_] | None = None) -> Edges:
    """Measure isolated steps between flat sides.

    Args:
        plane: ``(height, width)``.
        least: contrast that an edge must have, in parts of the brighter side.
        floor: added to the brighter side, so that noise in black has no contrast.
        within: pixels whose edges are measured; all when None.
    """
    across = _along_rows(plane, least, floor, within)
    turned = np.ascontiguousarray(plane.T)
    down = _along_rows(turned, least, floor, None if within is None else np.ascontiguousarray(within.T))
    return joined(across, Edges(down.columns, down.rows, down.width, down.step, down.contrast, down.form))


def _along_rows(plane: Array, least: float, floor: float, within: npt.NDArray[np.bool_] | None) -> Edges:
    """Edges that rows cross."""
    height, width = plane.shape
    none = np.zeros(0, np.intp)
    nothing = np.zeros(0, np.float32)
    empty = Edges(none, none, nothing, nothing, nothing, nothing)
    if height < 3 or width < 2 * _REACH + 2:
        return empty
    count = min(height - 2, _MOST_ROWS)
    lines = 1 + (np.arange(count) * ((height - 2) / count)).astype(np.intp)
    with np.errstate(all="ignore"):
        rows, columns, turn = _steepest(plane, lines, least, floor)
        if within is not None:
            inside = within[rows, columns]
            rows, columns, turn = rows[inside], columns[inside], turn[inside]
        if rows.size > _MOST:
            chosen = (np.arange(_MOST) * (rows.size / _MOST)).astype(np.intp)
            rows, columns, turn = rows[chosen], columns[chosen], turn[chosen]
        if not rows.size:
            return empty
        steps = np.arange(-_REACH, _REACH + 2)
        profile = plane[rows[:, None], columns[:, None] + steps]
        found, known = _measured(profile, rows, columns, turn, floor)
        known &= found.step > _NOISE * _noise(plane, lines)
        return found.some(known & (found.contrast >= least))


def _steepest(
    plane: Array, lines: npt.NDArray[np.intp], least: float, floor: float
) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp], Array]:
    """Rows and columns left of the steepest places of rows, and the cosine of the direction of each."""
    own = plane[lines]
    rise = own[:, 1:] - own[:, :-1]
    size = np.abs(rise)
    inner = size[:, 1:-1]
    peak = (inner >= size[:, :-2]) & (inner > size[:, 2:])
    # The steepest pixel of an edge up to 5 pixels wide takes at least a tenth of the step.
    peak &= inner > 0.1 * least * (np.maximum(np.abs(own[:, 1:-2]), np.abs(own[:, 2:-1])) + floor)
    at, column = np.nonzero(peak)
    column = column + 1
    keep = (column >= _REACH) & (column + _REACH + 1 < plane.shape[1])
    at, column = at[keep], column[keep]
    row = lines[at]
    down = (
        plane[row + 1, column] + plane[row + 1, column + 1] - plane[row - 1, column] - plane[row - 1, column + 1]
    )
    across = sum(plane[row + k, column + 1] - plane[row + k, column] for k in (-1, 0, 1))
    tangent = np.abs(down / 4) / np.maximum(np.abs(across / 3), 1e-30)
    straight = tangent < _TURNED
    row, column, tangent = row[straight], column[straight], tangent[straight]
    return row, column, np.asarray(1 / np.sqrt(1 + tangent * tangent), np.float32)


def _noise(plane: Array, lines: npt.NDArray[np.intp]) -> float:
    """Standard deviation of single pixels, from second differences along rows; detail only adds."""
    some = plane[lines[:: max(1, lines.size // 100)]]
    bend = np.abs(some[:, :-2] - 2 * some[:, 1:-1] + some[:, 2:])
    bend = bend[np.isfinite(bend)]
    # The median absolute deviation of a normal distribution is 1/1.4826 of its standard deviation; here that of
    # the response to 1 -2 1.
    return float(1.4826 / np.sqrt(6) * np.median(bend)) if bend.size else 0.0


def _measured(
    profile: Array,
    rows: npt.NDArray[np.intp],
    columns: npt.NDArray[np.intp],
    turn: Array,
    floor: float,
) -> tuple[Edges, npt.NDArray[np.bool_]]:
    """Widths of edges, and which of them are steps between flat sides."""
    middle, last = _REACH, profile.shape[1] - 1
    rising = profile * np.sign(profile[:, middle + 1] - profile[:, middle])[:, None]
    slope = np.diff(rising, axis=1)
    flat = slope < _ENDS * slope[:, middle, None]
    end = middle + np.where(flat[:, middle:].any(axis=1), flat[:, middle:].argmax(axis=1), last)
    before = flat[:, middle::-1]
    start = middle + 1 - np.where(before.any(axis=1), before.argmax(axis=1), last)
    known = (end + _SIDE <= last) & (start - _SIDE >= 0)
    # A steeper place within the same step has an edge of its own.
    places = np.arange(slope.shape[1])
    within = (places >= start[:, None]) & (places < end[:, None])
    known &= np.max(slope, axis=1, where=within, initial=-np.inf) <= slope[:, middle]
    sides = np.arange(1, _SIDE + 1)
    each = np.arange(rows.size)[:, None]
    upper = rising[each, np.clip(end[:, None] + sides, 0, last)]
    lower = rising[each, np.clip(start[:, None] - sides, 0, last)]
    high, low = upper.mean(axis=1), lower.mean(axis=1)
    step = high - low
    known &= step > 0
    known &= np.maximum(np.ptp(upper, axis=1), np.ptp(lower, axis=1)) <= _FLAT * step
    left = middle - np.argmax(rising[:, middle::-1] <= (low + 0.1 * step)[:, None], axis=1)
    right = middle + 1 + np.argmax(rising[:, middle + 1 :] >= (high - 0.1 * step)[:, None], axis=1)
    each = each[:, 0]
    first = left + _crossing(rising[each, left], rising[each, left + 1], low, step, 0.1)
    final = right - 1 + _crossing(rising[each, right - 1], rising[each, right], low, step, 0.9)
    width = (final - first) * turn
    known &= np.isfinite(width) & (width > 0)
    contrast = step / (np.maximum(np.abs(high), np.abs(low)) + floor)
    form = (final - first) * slope[:, middle] / step
    # A narrow edge has too few pixels to show its form.
    known &= (width < _NARROW) | ((form > _LEAST_FORM) & (form < _MOST_FORM))
    parts = (np.asarray(part, np.float32) for part in (width, step, contrast, form))
    found = Edges(rows, columns, *parts)
    return found, np.asarray(known)


def _crossing(before: Array, after: Array, low: Array, step: Array, part: float) -> Array:
    """Where between two pixels, 0 to 1, an edge passes a part of its step.

    It is interpolated on the scale on which the error function is a straight line.
    """
    from scipy.special import ndtri

    first, second = (ndtri(np.clip((value - low) / step, _TAIL, 1 - _TAIL)) for value in (before, after))
    return np.asarray((ndtri(part) - first) / (second - first), np.float32)

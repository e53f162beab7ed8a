"""How strong grain is at each level of a picture, from squares of pixels without detail.

A square has detail where its level changes over some pixels; grain changes from pixel to pixel. So squares are chosen
by what is coarse in them, and measured by what is fine: the response to the mask

     1 -2  1
    -2  4 -2
     1 -2  1

divided by 6, which gives white noise its own standard deviation, and nothing for slopes (J. Immerkær, Fast Noise
Variance Estimation, Computer Vision and Image Understanding 64, 1996). Grain coarser than a pixel gives less than
its standard deviation, in CG and plate alike.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from stackcomp.inspection.pair import Array, Planes

__all__ = ["SIDE", "Grain", "Squares", "flattest", "grain_by_level", "squares"]

Floats = npt.NDArray[np.float64]

#: Side of a square in pixels.
SIDE = 8
#: The share of squares of one level with the least detail, of which grain is measured.
_FLATTEST = 0.4
#: Alpha from which on a pixel is covered.
_OPAQUE = 0.995
#: By how much neighbouring levels may deviate from what grain allows.
_STEP = 1.3
#: Levels below that are one level.
_DARKEST = 1e-4


@dataclass(frozen=True, eq=False)
class Squares:
    """Measurements of squares of `SIDE` pixels.

    Attributes:
        rows: of their upper left pixels, from the top of the plane.
        columns: likewise.
        level: mean of R, G and B.
        fine: standard deviation of what is fine, ``(3, squares)``.
        coarse: standard deviation of the means of its quarters, ``(3, squares)``.
    """

    rows: npt.NDArray[np.intp]
    columns: npt.NDArray[np.intp]
    level: Floats
    fine: Floats
    coarse: Floats


def squares(planes: Planes, cover: Array | None = None, *, most: int = 8000) -> Squares:
    """Measure squares on a regular grid; where these are few, those between them as well.

    Args:
        planes: R, G and B.
        cover: alpha; only squares that it covers fully are measured. All when None.
        most: squares at most, spread evenly.

    Returns:
        Those whose pixels are all finite.
    """
    height, width = planes[0].shape
    none = np.zeros(0, np.intp)
    empty = Squares(none, none, np.zeros(0), np.zeros((3, 0)), np.zeros((3, 0)))
    if min(height, width) < SIDE:
        return empty
    corners = [_corners(cover, height, width, 0, 0)]
    if corners[0].shape[1] < most // 4:
        half = SIDE // 2
        corners += [_corners(cover, height, width, y, x) for y, x in ((0, half), (half, 0), (half, half))]
    rows, columns = np.concatenate(corners, axis=1)
    if rows.size > most:
        chosen = (np.arange(most) * (rows.size / most)).astype(np.intp)
        rows, columns = rows[chosen], columns[chosen]
    if not rows.size:
        return empty
    steps = np.arange(SIDE)
    y, x = rows[:, None, None] + steps[:, None], columns[:, None, None] + steps
    level, fine, coarse = [], [], []
    with np.errstate(all="ignore"):
        for plane in planes:
            pixels = plane[y, x].astype(np.float64)
            bend = pixels[:, :, :-2] - 2 * pixels[:, :, 1:-1] + pixels[:, :, 2:]
            bend = (bend[:, :-2] - 2 * bend[:, 1:-1] + bend[:, 2:]) / 6
            half = SIDE // 2
            quarters = pixels.reshape(-1, 2, half, 2, half).mean(axis=(2, 4)).reshape(-1, 4)
            level.append(pixels.mean(axis=(1, 2)))
            fine.append(np.sqrt((bend * bend).mean(axis=(1, 2))))
            coarse.append(quarters.std(axis=1))
    levels, fines, coarses = np.mean(level, axis=0), np.stack(fine), np.stack(coarse)
    good = np.isfinite(levels) & np.isfinite(fines).all(axis=0)
    return Squares(rows[good], columns[good], levels[good], fines[:, good], coarses[:, good])


def _corners(cover: Array | None, height: int, width: int, y: int, x: int) -> npt.NDArray[np.intp]:
    """Rows and columns of the upper left pixels of squares on a grid that starts at y, x; those that are covered."""
    down, across = (height - y) // SIDE, (width - x) // SIDE
    if cover is None:
        full = np.ones((max(down, 0), max(across, 0)), bool)
    elif down <= 0 or across <= 0:
        full = np.zeros((0, 0), bool)
    else:
        with np.errstate(invalid="ignore"):
            opaque = cover[y : y + down * SIDE, x : x + across * SIDE] > _OPAQUE
        full = np.logical_and.reduceat(opaque, np.arange(0, down * SIDE, SIDE), axis=0)
        full = full.reshape(down, across, SIDE).all(axis=2)
    return np.stack(np.nonzero(full)) * SIDE + np.array([[y], [x]])


@dataclass(frozen=True, eq=False)
class Grain:
    """Grain of a picture, level by level.

    Attributes:
        levels: mean levels of R, G and B, rising, ``(levels,)``.
        deviation: of each level, the median over its squares, ``(3, levels)``.
        low: likewise, the lower quartile.
        spread: upper by lower quartile.
        number: of squares.
    """

    levels: Floats
    deviation: Floats
    low: Floats
    spread: Floats
    number: npt.NDArray[np.intp]

    def at(self, level: Floats, *, low: bool = False) -> Floats:
        """The deviation that belongs to levels, ``(3, squares)``; NaN a stop and more beyond those measured.

        Args:
            level: of squares of another picture.
            low: the lower quartile in place of the median.
        """
        if not self.levels.size:
            return np.full((3, level.size), np.nan)
        where = np.log2(np.maximum(level, _DARKEST))
        known = np.log2(self.levels)
        rows = self.low if low else self.deviation
        with np.errstate(divide="ignore"):
            found = np.stack([np.exp2(np.interp(where, known, np.log2(row))) for row in rows])
        found[:, (where < known[0] - 1) | (where > known[-1] + 1)] = np.nan
        # Between levels that are farther apart than two stops nothing is known.
        after = np.clip(np.searchsorted(known, where), 1, max(known.size - 1, 1))
        if known.size > 1:
            gap = (
                (known[after] - known[after - 1] > 2) & (where > known[after - 1] + 1) & (where < known[after] - 1)
            )
            found[:, gap] = np.nan
        return found


def flattest(measured: Squares, fewest: int) -> Iterator[npt.NDArray[np.intp]]:
    """The squares with the least detail, half a stop by half a stop; levels with too few squares are left out.

    Args:
        measured: squares of a picture.
        fewest: squares that a level must have.
    """
    halves = np.floor(2 * np.log2(np.maximum(measured.level, _DARKEST)))
    for half in np.unique(halves):
        here = np.flatnonzero(halves == half)
        if here.size >= fewest:
            count = max(fewest, round(_FLATTEST * here.size))
            yield here[np.argsort(measured.coarse[:, here].mean(axis=0), kind="stable")[:count]]


def grain_by_level(measured: Squares, fewest: int, most_spread: float) -> Grain:
    """Grain of the flattest squares of each level.

    Args:
        measured: squares of a picture.
        fewest: squares that a level must have.
        most_spread: levels whose quartiles are farther apart have texture, and are left out.
    """
    rows = []
    for flat in flattest(measured, fewest):
        low, middle, high = np.percentile(measured.fine[:, flat], (25, 50, 75), axis=1)
        with np.errstate(divide="ignore", invalid="ignore"):
            spread = np.where(low > 0, high / low, np.inf)
        if (spread <= most_spread).all():
            level = max(float(measured.level[flat].mean()), _DARKEST)
            rows.append((level, middle, low, spread, flat.size))
    if not rows:
        none = np.zeros((3, 0))
        return Grain(np.zeros(0), none, none, none, np.zeros(0, np.intp))
    levels, middle, low, spread, number = zip(*rows, strict=True)
    known = np.array(levels)
    deviation, quartile = np.stack(middle, axis=1), np.stack(low, axis=1)
    factor = _envelope(known, deviation) / deviation
    return Grain(known, deviation * factor, quartile * factor, np.stack(spread, axis=1), np.array(number, np.intp))


def _envelope(levels: Floats, deviation: Floats) -> Floats:
    """Deviations as far as their neighbours allow: grain grows with level, but not faster; texture only adds."""
    allowed = deviation.copy()
    allowed[:, :-1] = np.minimum(allowed[:, :-1], _STEP * deviation[:, 1:])
    allowed[:, 1:] = np.minimum(allowed[:, 1:], _STEP * deviation[:, :-1] * levels[1:] / levels[:-1])
    return allowed

"""How strong grain is at each level of a picture, from squares of pixels without detail.

A square has detail where its level changes over some pixels; grain changes from pixel to pixel. So squares are
chosen by what is coarse in them, and measured by what is fine: the response to the mask

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
#: Correlation of the channels from which on it is texture, and no sensor's grain.
_TEXTURE = 0.975
#: And by how much it exceeds that of the other levels there.
_MORE_ALIKE = 0.08
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
        level: means of R, G and B, ``(3, squares)``.
        fine: standard deviation of what is fine, ``(3, squares)``.
        coarse: standard deviation of the means of its quarters, ``(3, squares)``.
        alike: correlation of what is fine in R, G and B, the mean of the three pairs.
    """

    rows: npt.NDArray[np.intp]
    columns: npt.NDArray[np.intp]
    level: Floats
    fine: Floats
    coarse: Floats
    alike: Floats


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
    nothing = np.zeros((3, 0))
    empty = Squares(none, none, nothing, nothing, nothing, np.zeros(0))
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
    level, fine, coarse, bends = [], [], [], []
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
            bends.append(bend)
        pairs = [
            (bends[k] * bends[n]).mean(axis=(1, 2)) / (fine[k] * fine[n]) for k, n in ((0, 1), (1, 2), (2, 0))
        ]
    alike = np.nan_to_num(np.mean(pairs, axis=0), nan=1.0)
    levels, fines, coarses = np.stack(level), np.stack(fine), np.stack(coarse)
    good = np.isfinite(levels).all(axis=0) & np.isfinite(fines).all(axis=0)
    return Squares(rows[good], columns[good], levels[:, good], fines[:, good], coarses[:, good], alike[good])


def _corners(cover: Array | None, height: int, width: int, y: int, x: int) -> npt.NDArray[np.intp]:
    """Rows and columns of the upper left pixels of covered squares, on a grid that starts at y, x."""
    down, across = (height - y) // SIDE, (width - x) // SIDE
    if cover is None:
        full = np.ones((max(down, 0), max(across, 0)), bool)
    elif down <= 0 or across <= 0:
        full = np.zeros((0, 0), bool)
    else:
        with np.errstate(invalid="ignore"):
            opaque = cover[y : y + down * SIDE, x : x + across * SIDE] > _OPAQUE
        full = np.logical_and.reduceat(opaque, np.arange(0, down * SIDE, SIDE), axis=0)
        full = np.logical_and.reduceat(full, np.arange(0, across * SIDE, SIDE), axis=1)
    corners = np.stack(np.nonzero(full)) * SIDE + np.array([[y], [x]])
    return np.asarray(corners, np.intp)


@dataclass(frozen=True, eq=False)
class Grain:
    """Grain of one channel of a picture, level by level.

    Attributes:
        levels: mean levels, rising.
        deviation: of each level, the median over its squares.
        low: likewise, the lower quartile.
        alike: likewise, how much the channels are correlated.
    """

    levels: Floats
    deviation: Floats
    low: Floats
    alike: Floats

    def at(self, level: Floats, values: Floats) -> Floats:
        """One of these for other levels; NaN a stop and more beyond those measured.

        Args:
            level: of squares of another picture.
            values: ``deviation``, ``low`` or ``alike``.
        """
        if not self.levels.size:
            return np.full(level.shape, np.nan)
        where, known = np.log2(np.maximum(level, _DARKEST)), np.log2(self.levels)
        found = np.interp(where, known, values)
        after = np.clip(np.searchsorted(known, where), 1, max(known.size - 1, 1))
        below = where - known[after - 1]
        above = known[np.minimum(after, known.size - 1)] - where
        found[np.minimum(np.abs(below), np.abs(above)) > 1] = np.nan
        return np.asarray(found, np.float64)


def flattest(measured: Squares, channel: int, fewest: int) -> Iterator[npt.NDArray[np.intp]]:
    """The squares with the least detail, half a stop by half a stop; levels with too few squares are left out.

    Args:
        measured: squares of a picture.
        channel: whose level counts, 0 to 2.
        fewest: squares that a level must have.
    """
    halves = np.floor(2 * np.log2(np.maximum(measured.level[channel], _DARKEST)))
    for half in np.unique(halves):
        here = np.flatnonzero(halves == half)
        if here.size >= fewest:
            count = max(fewest, round(_FLATTEST * here.size))
            yield here[np.argsort(measured.coarse[channel, here], kind="stable")[:count]]


def grain_by_level(measured: Squares, channel: int, fewest: int, most_spread: float) -> Grain:
    """Grain of one channel in the flattest squares of each of its levels.

    Args:
        measured: squares of a picture.
        channel: 0 to 2.
        fewest: squares that a level must have.
        most_spread: levels whose quartiles are farther apart have texture, and are left out, as are those whose
            channels are all but the same.
    """
    rows = []
    for flat in flattest(measured, channel, fewest):
        low, middle, high = np.percentile(measured.fine[channel, flat], (25, 50, 75))
        same = float(np.median(measured.alike[flat]))
        if 0 < high <= most_spread * low and same < _TEXTURE:
            level = max(float(measured.level[channel, flat].mean()), _DARKEST)
            rows.append((level, middle, low, same))
    measured_levels = np.array(rows).reshape(-1, 4)
    if len(rows) > 2:
        usual = float(np.median(measured_levels[:, 3]))
        measured_levels = measured_levels[measured_levels[:, 3] < usual + _MORE_ALIKE]
    levels, deviation, quartile, alike = measured_levels.T
    factor = _envelope(levels, deviation) / deviation
    return Grain(levels, deviation * factor, quartile * factor, alike)


def _envelope(levels: Floats, deviation: Floats) -> Floats:
    """Deviations as far as their neighbours allow: grain grows with level, but not faster; texture only adds."""
    allowed = deviation.copy()
    allowed[:-1] = np.minimum(allowed[:-1], _STEP * deviation[1:])
    allowed[1:] = np.minimum(allowed[1:], _STEP * deviation[:-1] * levels[1:] / levels[:-1])
    return allowed

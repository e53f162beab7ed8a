"""What an area of a picture holds: mean, median, spread, and how much of it cannot be trusted.

**Clipped** is what lies at the largest value that the file can hold (`Measured.ceiling`). A picture with grain can
also end below that, and then many pixels share its largest value:

- on a flat top: the picture's largest stored value of a channel, shared by whole blocks of 3 × 3 neighbours and
  brighter than a white card;
- inside a named area, at any brightness (a dark exposure or a print ends below white too): values that pile up at
  the largest one of the area, where hardly a pixel of the whole picture is brighter.

A picture without grain is drawn or rendered clean. It is flat everywhere, and is never clipped for that. Grain is
told from drawn slopes, edges and rounding by pixels that stand out from both of their neighbours, see `has_grain`.
All is looked for in the numbers as stored, since a matrix mixes what was clipped alone. Flat tops, piles and the
measure of grain are common practice, no source; the limits were set on the photographs and renders that the tests
use.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from functools import partial
from typing import Any

import numpy as np
import numpy.typing as npt

from stackcomp.data.image import Image
from stackcomp.measure.area import Area
from stackcomp.measure.picture import Measured

__all__ = [
    "ChannelStatistics",
    "Statistics",
    "area_statistics",
    "clipped",
    "clipped_inside",
    "has_grain",
    "piled_up",
]

Mask = npt.NDArray[np.bool_]

# In a picture as a whole, a flat place below a white card's light is more likely drawn than clipped.
_WHITE = 0.9
# Grain spreads values over many steps: more than this share of an area on the largest one, and so many times more
# than on any other there, or than on each of the next ones below in the picture, is a pile.
_PILE, _PILE_OVER, _NEXT_STEPS = 0.02, 3, 5
_FEWEST = 9
# So many pixels of a picture may be brighter than its end: hot pixels of a sensor, edges that were sharpened.
_BRIGHTER = 1e-4
# Share of pixels that stand out from two neighbours: more than .28 in all photographs tried (8 bits and scaled up
# among them), less than .08 in all clean renders.
_GRAINY = 0.15
_STANDS_OUT = 1e-4  # share of the value; less is rounding
_BLOCK = 3


@dataclass(frozen=True)
class ChannelStatistics:
    """Figures of one channel, over its finite values; None where there is none.

    ``standard_deviation`` is that of the pixels themselves (divided by their number); ``standard_error``, of the
    mean, takes their grain to be independent: it is that divided by the root of the number.
    """

    mean: float | None
    median: float | None
    min: float | None
    max: float | None
    standard_deviation: float | None
    standard_error: float | None
    clipped: int
    non_finite: int


@dataclass(frozen=True)
class Statistics:
    """Figures of an area: pixels in it; pixels that are clipped, or not finite, in any channel; each channel."""

    pixels: int
    clipped: int
    non_finite: int
    channels: Mapping[str, ChannelStatistics]

    def as_dict(self) -> dict[str, Any]:
        """As JSON data."""
        return asdict(self)


def area_statistics(measured: Measured, area: Area) -> Statistics:
    """Measure an area.

    Args:
        measured: a picture as light and as stored.
        area: where.

    Raises:
        AreaError: the area leaves the picture, or holds no pixel.
    """
    values = area.pixels(measured.light)
    hit = clipped_inside(measured, area)
    wild = ~np.isfinite(values)
    channels = {
        name: _channel(values[:, k], hit[:, k], wild[:, k]) for k, name in enumerate(measured.light.channels)
    }
    return Statistics(len(values), int(hit.any(axis=1).sum()), int(wild.any(axis=1).sum()), channels)


def _channel(values: npt.NDArray[np.float32], hit: Mask, wild: Mask) -> ChannelStatistics:
    counts = {"clipped": int(hit.sum()), "non_finite": int(wild.sum())}
    good = values[~wild].astype(np.float64)
    if not good.size:
        return ChannelStatistics(None, None, None, None, None, None, **counts)
    spread = float(good.std())
    return ChannelStatistics(
        float(good.mean()),
        float(np.median(good)),
        float(good.min()),
        float(good.max()),
        spread,
        spread / float(np.sqrt(good.size)),
        **counts,
    )


def clipped_inside(measured: Measured, area: Area) -> Mask:
    """Which values of an area are clipped: one row a pixel, one column a channel, in the order of `Area.pixels`.

    Raises:
        AreaError: as `Area.pixels`.
    """
    area.pixels(measured.stored)  # speaks up where the area leaves the picture
    bounds = area.bounds
    chosen = area.mask(bounds)
    part = bounds.slices_in(measured.stored.window)
    found = np.stack([mask[part][chosen] for mask in clipped(measured).values()], axis=-1)
    return found | piled_up(measured, area)


def piled_up(measured: Measured, area: Area) -> Mask:
    """Which values of an area are piled up at the picture's end, in the order of `Area.pixels`.

    A light that grain spreads over many values, cut at one of them, leaves a pile there. That is looked for in
    pictures with grain, where hardly a pixel of the picture (1 of 10,000) is brighter than the area's largest
    value. Nothing is said of areas of fewer than 9 pixels.

    Raises:
        AreaError: as `Area.pixels`.
    """
    values, light = area.pixels(measured.stored), area.pixels(measured.light)
    found = np.zeros(values.shape, bool)
    for k, (name, plane) in enumerate(measured.stored.planes.items()):
        finite = np.isfinite(values[:, k])
        if finite.sum() < _FEWEST or not light[:, k].max(where=finite, initial=-np.inf) > 0:
            continue
        steps, counts = np.unique(values[finite, k], return_counts=True)
        top, most = steps[-1], counts[-1]
        if most <= max(_PILE * finite.sum(), 3) or not measured.remembered(name, partial(has_grain, plane)):
            continue
        lone = most > _PILE_OVER * counts[:-1].max(initial=0)
        if _ends_at(plane, top) and (lone or measured.remembered(f"{name} {top}", partial(_crowded, plane, top))):
            found[:, k] = values[:, k] == top
    return found


def _ends_at(plane: npt.NDArray[np.float32], value: np.float32) -> bool:
    """Whether hardly a pixel of the picture is brighter."""
    with np.errstate(invalid="ignore"):
        brighter = np.count_nonzero(plane > value) - np.count_nonzero(np.isposinf(plane))
    return bool(brighter <= _BRIGHTER * plane.size)


def _crowded(plane: npt.NDArray[np.float32], value: np.float32) -> bool:
    """Whether a picture has many more pixels of this value than of each of the next ones below it."""
    most = 0
    below = float(value)
    for _ in range(_NEXT_STEPS):
        below = float(plane.max(where=plane < below, initial=-np.inf))
        most = max(most, int(np.count_nonzero(plane == below)))
    return bool(np.count_nonzero(plane == value) > _PILE_OVER * most)


def clipped(measured: Measured) -> dict[str, Mask]:
    """Which values of a picture are clipped: a mask over its window for each channel of ``stored``."""
    return measured.remembered("clipped", partial(_clipped, measured))


def _clipped(measured: Measured) -> dict[str, Mask]:
    bright = _bright(measured.light)
    found = {}
    for name, plane in measured.stored.planes.items():
        finite = np.isfinite(plane)
        found[name] = finite & (plane >= np.float32(measured.ceiling))
        found[name] |= _flat_top(plane, finite, bright)
    return found


def _bright(light: Image) -> Mask:
    """Where any channel is brighter than a white card."""
    found = np.zeros(light.window.shape, bool)
    with np.errstate(invalid="ignore"):
        for plane in light.planes.values():
            found |= plane >= np.float32(_WHITE)
    return found


def _flat_top(plane: npt.NDArray[np.float32], finite: Mask, bright: Mask) -> Mask:
    nothing = np.zeros(plane.shape, bool)
    if min(plane.shape) < _BLOCK or not finite.any():
        return nothing
    highest = plane.max(where=finite, initial=-np.inf)
    top = finite & (plane == highest) & bright
    blocks = _blocks(top)
    if not blocks.any() or not has_grain(plane):
        return nothing
    # Whole blocks grown back to the pixels that they are made of.
    for rows in range(_BLOCK):
        for columns in range(_BLOCK):
            height, width = blocks.shape
            nothing[rows : rows + height, columns : columns + width] |= blocks
    return nothing


def has_grain(plane: npt.NDArray[np.float32]) -> bool:
    """Whether a picture has grain, as a photograph or a noisy render has, and a clean render has not.

    Counted are pixels that are brighter, or darker, than both neighbours of a row, a column or a diagonal by more
    than rounding. Those of a slope, an edge or an even place are not, however coarse the steps in which they are
    stored. The picture's largest value is left out, since grain is cut off there.

    Args:
        plane: ``(height, width)``, as stored.

    Returns:
        Whether more than 15 % of the pixels stand out. White noise gives 90 %.
    """
    if min(plane.shape) < _BLOCK:
        return False
    finite = np.isfinite(plane)
    among = (finite & (plane < plane.max(where=finite, initial=-np.inf)))[1:-1, 1:-1]
    count = np.count_nonzero(among)
    middle = plane[1:-1, 1:-1]
    found = np.zeros(middle.shape, bool)
    with np.errstate(invalid="ignore", over="ignore"):
        least = np.float32(_STANDS_OUT) * np.abs(middle)
        for down, right in ((0, 1), (1, 0), (1, 1), (1, -1)):
            one = middle - _beside(plane, down, right)
            other = middle - _beside(plane, -down, -right)
            found |= ((one > least) & (other > least)) | ((one < -least) & (other < -least))
    return bool(count and np.count_nonzero(found & among) > _GRAINY * count)


def _beside(plane: npt.NDArray[np.float32], down: int, right: int) -> npt.NDArray[np.float32]:
    """For each pixel that is not at the border, its neighbour so far down and right."""
    height, width = plane.shape
    return plane[1 + down : height - 1 + down, 1 + right : width - 1 + right]


def _blocks(top: Mask) -> Mask:
    """Left top corners of blocks that are on top as a whole."""
    height, width = (side - _BLOCK + 1 for side in top.shape)
    whole = np.ones((height, width), bool)
    for rows in range(_BLOCK):
        for columns in range(_BLOCK):
            whole &= top[rows : rows + height, columns : columns + width]
    return whole

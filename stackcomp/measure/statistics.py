"""Statistics of an area of a picture: mean, median, spread, and how many values are clipped or not finite.

A value is **clipped** at the largest value that the file can hold (`Measured.ceiling`). A picture with grain can
also be clipped below that. Then many pixels share its largest value:

- on a flat top: the largest stored value of a channel, shared by whole blocks of 3 × 3 neighbours and brighter
  than a white card;
- inside an area, at any brightness, since a dark exposure or a print is clipped below white: values that pile up
  at the largest value of the area, where hardly any pixel of the whole picture is brighter.

A picture without grain was drawn or rendered clean. Flat places are normal there, and do not count as clipped.
Grain is unlike drawn slopes, edges and rounding: its pixels differ from both of their neighbours, see
`has_grain`. The search is done on the numbers as stored, since a matrix mixes a clipped channel with the others.
Flat tops, piles and the measure of grain are common practice, no source; the limits were set on the photographs
and renders that the tests use.
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
from stackcomp.measure.given import AreaLike, area_in
from stackcomp.measure.picture import Measured, opened

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

# In the whole picture, a flat place darker than a white card is more likely drawn than clipped.
_WHITE = 0.9
# Grain spreads values over many steps. A pile is more than this share of an area at the largest step, and so many
# times more than at any other step there, or than at each of the next steps below in the picture.
_PILE, _PILE_OVER, _NEXT_STEPS = 0.02, 3, 5
_FEWEST = 9
# Share of a picture's pixels that may be brighter than its clip level: hot pixels, sharpened edges.
_BRIGHTER = 1e-4
# Share of pixels that differ from two neighbours: more than .28 in all photographs tried (8 bits and scaled up
# among them), less than .08 in all clean renders.
_GRAINY = 0.15
_STANDS_OUT = 1e-4  # share of the value; less is rounding
_BLOCK = 3


@dataclass(frozen=True)
class ChannelStatistics:
    """Figures of one channel, over its finite values; None where no value is finite.

    Attributes:
        mean: scene-linear, as the next four.
        median: of all finite values.
        min: the smallest.
        max: the largest.
        standard_deviation: of the pixels (the sum of squares is divided by their number).
        standard_error: of the mean, if the grain of pixels is independent: the standard deviation divided by the
            square root of the number of pixels.
        clipped: number of clipped values.
        non_finite: number of values that are NaN or infinite.
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
    """Figures of an area.

    Attributes:
        pixels: in the area.
        clipped: pixels that are clipped in any channel.
        non_finite: pixels that are NaN or infinite in any channel.
        channels: figures of R, G and B.
    """

    pixels: int
    clipped: int
    non_finite: int
    channels: Mapping[str, ChannelStatistics]

    @property
    def doubts(self) -> tuple[str, ...]:
        """Sentences about what may be wrong."""
        doubts = []
        if self.clipped:
            doubts.append(f"{_pixels(self.clipped)} clipped: the true light is more than these figures")
        if self.non_finite:
            doubts.append(f"{_pixels(self.non_finite)} not finite: left out of these figures")
        return tuple(doubts)

    def as_dict(self) -> dict[str, Any]:
        """As JSON data."""
        return {**asdict(self), "doubts": list(self.doubts)}


def area_statistics(measured: Measured, area: AreaLike | None = None) -> Statistics:
    """Measure an area of colour.

    Args:
        measured: a picture from `open_measured`.
        area: where, in pixels; the whole picture when None.

    Returns:
        Statistics of R, G and B, scene-linear, and counts of pixels.

    Raises:
        AreaError: the area leaves the picture, or holds no pixel.
        ArgumentError: an argument of the wrong kind.
    """
    measured = opened(measured, "measured")
    area = area_in(area, measured.light)
    values = area.pixels(measured.light)
    hit = clipped_inside(measured, area)
    wild = ~np.isfinite(values)
    channels = {
        name: _channel(values[:, k], hit[:, k], wild[:, k]) for k, name in enumerate(measured.light.channels)
    }
    return Statistics(len(values), int(hit.any(axis=1).sum()), int(wild.any(axis=1).sum()), channels)


def _pixels(number: int) -> str:
    return "1 pixel" if number == 1 else f"{number} pixels"


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
    """Which values of an area are clipped: one row for each pixel, one column for each channel, as `Area.pixels`.

    Raises:
        AreaError: as `Area.pixels`.
    """
    area.pixels(measured.stored)  # raises where the area leaves the picture
    bounds = area.bounds
    chosen = area.mask(bounds)
    part = bounds.slices_in(measured.stored.window)
    found = np.stack([mask[part][chosen] for mask in clipped(measured).values()], axis=-1)
    return found | piled_up(measured, area)


def piled_up(measured: Measured, area: Area) -> Mask:
    """Which values of an area are piled up at the clip level, in the order of `Area.pixels`.

    Grain spreads a light over many values; where they are cut at one of them, they pile up there. Piles are looked
    for in pictures with grain, where hardly any pixel of the picture (1 of 10,000) is brighter than the largest
    value of the area. Areas of fewer than 9 pixels have none.

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
    """Whether hardly any pixel of the picture is brighter."""
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
    """Clipped values of a picture: for each channel of ``stored``, a mask over its window."""
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
    """A mask of pixels of which a channel is brighter than a white card."""
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
    # Blocks are grown back to the pixels that they consist of.
    for rows in range(_BLOCK):
        for columns in range(_BLOCK):
            height, width = blocks.shape
            nothing[rows : rows + height, columns : columns + width] |= blocks
    return nothing


def has_grain(plane: npt.NDArray[np.float32]) -> bool:
    """Whether a picture has grain. A photograph and a noisy render have; a clean render has not.

    Pixels are counted that are brighter, or darker, than both neighbours of a row, a column or a diagonal by more
    than rounding. Pixels of a slope, an edge or an even place are not counted, however coarse the steps in which
    they are stored. Pixels at the largest value are left out, since grain is cut off there.

    Args:
        plane: ``(height, width)``, as stored.

    Returns:
        True where more than 15 % of the pixels are counted. White noise gives 90 %.
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
    """For each pixel that is not at the border, the neighbour at this offset."""
    height, width = plane.shape
    return plane[1 + down : height - 1 + down, 1 + right : width - 1 + right]


def _blocks(top: Mask) -> Mask:
    """Top-left corners of blocks of which all pixels are set."""
    height, width = (side - _BLOCK + 1 for side in top.shape)
    whole = np.ones((height, width), bool)
    for rows in range(_BLOCK):
        for columns in range(_BLOCK):
            whole &= top[rows : rows + height, columns : columns + width]
    return whole

"""What an area of a picture holds: mean, median, spread, and how much of it cannot be trusted.

**Clipped** is what lies at the largest value that the file's format holds, and what lies on a flat top: the
picture's largest stored value of a channel, shared by whole blocks of 3 × 3 neighbours and brighter than a white
card, in a picture whose other pixels differ from their neighbours (a drawn picture is flat everywhere, and not
clipped for that). Inside a named area, what is piled up at its largest value is clipped at any brightness: a
dark exposure or a print ends below white too. All are looked for in the numbers as stored, since a matrix mixes
what was clipped alone. Flat tops and piles are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from stackcomp.image import Image
from stackcomp.measure.area import Area
from stackcomp.measure.picture import Measured

__all__ = ["ChannelStatistics", "Statistics", "area_statistics", "clipped", "clipped_inside", "piled_up"]

Mask = npt.NDArray[np.bool_]

# In a picture as a whole, a flat place below a white card's light is more likely drawn than clipped.
_WHITE = 0.9
# Grain spreads values over many steps: more than this share on the largest one, and so many times more than on
# any other, is a pile.
_PILE, _PILE_OVER = 0.02, 3
_FEWEST = 9
_GRAIN = 1e-4
_BLOCK = 3
_TEXTURED = 0.5


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
    """Which values of an area are piled up at its largest one, in the order of `Area.pixels`.

    A light that grain spreads over many values, cut at one of them, leaves a pile there. A place where all values
    are one is a pile too, if the rest of the picture has grain. Nothing is said of areas of fewer than 9 pixels.

    Raises:
        AreaError: as `Area.pixels`.
    """
    values, light = area.pixels(measured.stored), area.pixels(measured.light)
    found = np.zeros(values.shape, bool)
    for k, plane in enumerate(measured.stored.planes.values()):
        finite = np.isfinite(values[:, k])
        if finite.sum() < _FEWEST or not light[:, k].max(where=finite, initial=-np.inf) > 0:
            continue
        steps, counts = np.unique(values[finite, k], return_counts=True)
        others = counts[:-1].max(initial=0)
        piled = counts[-1] > _PILE * finite.sum() and counts[-1] > max(_PILE_OVER * others, 3)
        if piled and (len(steps) > 1 or _grainy(plane)):
            found[:, k] = values[:, k] == steps[-1]
    return found


def clipped(measured: Measured) -> dict[str, Mask]:
    """Which values of a picture are clipped: a mask over its window for each channel of ``stored``."""
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
    if not blocks.any():
        return nothing
    if not _textured(plane, finite & (plane < highest)):
        return nothing
    # Whole blocks grown back to the pixels that they are made of.
    for rows in range(_BLOCK):
        for columns in range(_BLOCK):
            height, width = blocks.shape
            nothing[rows : rows + height, columns : columns + width] |= blocks
    return nothing


def _textured(plane: npt.NDArray[np.float32], among: Mask) -> bool:
    """Whether most neighbours among these pixels differ: a photograph, not a drawing."""
    pairs = among[:, 1:] & among[:, :-1]
    return bool(pairs.sum() >= _BLOCK**2 and (plane[:, 1:] == plane[:, :-1])[pairs].mean() <= _TEXTURED)


def _grainy(plane: npt.NDArray[np.float32]) -> bool:
    """Whether most pixels stand out from the middle of their neighbours; those of a drawn slope do not."""
    if plane.shape[1] < _BLOCK:
        return False
    middle = plane[:, 1:-1]
    with np.errstate(invalid="ignore", over="ignore"):
        off = np.abs(plane[:, :-2] - 2 * middle + plane[:, 2:])
        return bool((off > _GRAIN * np.abs(middle)).mean() > _TEXTURED)


def _blocks(top: Mask) -> Mask:
    """Left top corners of blocks that are on top as a whole."""
    height, width = (side - _BLOCK + 1 for side in top.shape)
    whole = np.ones((height, width), bool)
    for rows in range(_BLOCK):
        for columns in range(_BLOCK):
            whole &= top[rows : rows + height, columns : columns + width]
    return whole

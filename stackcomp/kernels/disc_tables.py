"""Discs as the differences along their rows.

Along a row of a disc the weight changes at its rim alone. Adding each change, times a pixel's light, at its place
in a row and then summing along the row spreads the light over the disc: by as many additions as the rim has
pixels, not the area. Discs of blocks of pixels are the sums of the discs of their pixels, so a block of one light
and one radius gives what its pixels would give, for a fraction of the additions.
"""

from __future__ import annotations

import functools
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from stackcomp.kernels.aperture import RADII, Aperture, disc_mask
from stackcomp.kernels.compiled import Array, compiled

__all__ = [
    "LEVELS",
    "SIDE_PART",
    "SIDE_SLOTS",
    "SLOTS",
    "Discs",
    "dense_discs",
    "discs_for",
    "mask_of",
    "side_room",
    "with_side_discs",
]

#: Radii from which pixels are joined to blocks of 2, 4, 8 and 16 pixels a side, if they are alike.
LEVELS = (0.0, 6.0, 24.0, 96.0, 384.0)
#: Numbers of rounded radii.
SLOTS = len(RADII)
#: Radius of the discs that make one side of a disc brighter and the other darker, as a part of its radius, and the
#: number of that radius, rounded down.
SIDE_PART = 0.7
SIDE_SLOTS = (np.searchsorted(RADII, np.maximum(RADII * SIDE_PART, 0.5), side="right") - 1).astype(np.int16)


class Discs(NamedTuple):
    """Differences of discs, for compiled loops.

    Attributes:
        found: number of the disc of a key and a level, int32 ``(levels, keys)``; -1 if it has none. The key is
            the number of the radius, plus `SLOTS` for discs behind the focus, plus twice that for each part of
            the field.
        top: row of each disc's first difference, counted from its pixel (the upper left one of a block).
        first: place of that row in ``rows``, for each disc and for the one behind the last.
        rows: place of each row's first difference, and of the end of the last.
        columns: where the differences are, counted from the pixel, int16.
        changes: the differences, float32, multiples of 1 / 256.
        shares: one over the sum of a pixel's disc, float64, for each disc.
        moments: mean of squared rows, of rows times columns, and of squared columns of a pixel's disc, float64
            ``(discs, 3)``.
    """

    found: Array
    top: Array
    first: Array
    rows: Array
    columns: Array
    changes: Array
    shares: Array
    moments: Array


def with_side_discs(keys: Array, sloping: Array) -> Array:
    """Return keys, and those of the side discs of radii that occur on slopes, by their numbers."""
    some = keys[sloping[keys % SLOTS]]
    return np.unique(np.concatenate([keys, some - some % SLOTS + SIDE_SLOTS[some % SLOTS]]))


@functools.lru_cache(maxsize=16)
def side_room(aperture: Aperture) -> float:
    """Return how far out side discs may lie, as a part of where they would touch the rim of a round opening."""
    mask = mask_of(SLOTS + int(np.searchsorted(RADII, 60.0)), aperture)
    rows, columns = np.mgrid[: mask.shape[0], : mask.shape[1]] - mask.shape[0] // 2
    down, mixed, across = _moments(mask)
    # Distance from the middle in radii of the ellipse that has the opening's moments.
    square = (across * rows**2 - 2 * mixed * rows * columns + down * columns**2) / (down * across - mixed**2)
    return float(min(1.0, np.sqrt(square[mask < 0.5].min(initial=4.0)) / 2))


def discs_for(
    keys: Array,
    aperture: Aperture,
    parts: Sequence[int] = (0,),
    *,
    levels: int = len(LEVELS),
    sides: bool = False,
) -> Discs:
    """Return the discs of some keys, at every level that their radius allows.

    Args:
        keys: different keys.
        aperture: the opening.
        parts: the parts of the field that keys count, as numbers of cells of the aperture.
        levels: how many levels at most.
        sides: there are side discs, whose level is that of the disc that they belong to.
    """
    found = np.full((len(LEVELS), 2 * SLOTS * len(parts)), -1, np.int32)
    top: list[int] = []
    counts: list[int] = []
    shares: list[float] = []
    moments: list[tuple[float, float, float]] = []
    ends: list[Array] = []
    columns: list[Array] = []
    changes: list[Array] = []
    place = 0
    for key in keys.tolist():
        mask = mask_of(key, aperture, parts)
        share = 1 / mask.sum()
        moment = _moments(mask)
        for level, least in enumerate(LEVELS[:levels]):
            if RADII[key % SLOTS] < (least * SIDE_PART * 0.98 if sides else least):
                break
            found[level, key] = len(top)
            where, some, ended = _changes(mask, 1 << level)
            ends.append(ended + place)
            place += where.size
            columns.append(where)
            changes.append(some)
            top.append(-(mask.shape[0] // 2))
            counts.append(ended.size)
            shares.append(share)
            moments.append(moment)
    first = np.zeros(len(top) + 1, np.int64)
    np.cumsum(counts, out=first[1:])
    return Discs(
        found,
        np.array(top, np.int32),
        first,
        np.concatenate([np.zeros(1, np.int64), *ends]),
        np.concatenate([np.zeros(0, np.int16), *columns]),
        np.concatenate([np.zeros(0, np.float32), *changes]),
        np.array(shares, np.float64),
        np.array(moments, np.float64).reshape(-1, 3),
    )


def dense_discs(keys: Array, aperture: Aperture, parts: Sequence[int]) -> tuple[Array, Array, Array, Array]:
    """Return the discs of some keys pixel by pixel.

    Returns:
        The number of each key's disc, int32, -1 if it is not among them; the place of each disc's middle among the
        weights; half the side of each; all weights, float64, divided by the sum of their disc.
    """
    found = np.full(2 * SLOTS * len(parts), -1, np.int32)
    masks = []
    for number, key in enumerate(keys.tolist()):
        found[key] = number
        mask = mask_of(key, aperture, parts)
        masks.append(mask / mask.sum())
    reaches = np.array([mask.shape[0] // 2 for mask in masks], np.int64)
    sizes = np.array([mask.size for mask in masks], np.int64)
    middles = np.cumsum(sizes) - sizes + sizes // 2
    weights = np.concatenate([mask.ravel() for mask in masks]) if masks else np.zeros(0)
    return found, middles, reaches, weights


def mask_of(key: int, aperture: Aperture, parts: Sequence[int] = (0,)) -> Array:
    """Return the weights of the disc of a key, float64 ``(2 n + 1, 2 n + 1)``."""
    cell, rest = divmod(key, 2 * SLOTS)
    side, slot = divmod(rest, SLOTS)
    return disc_mask(
        float(RADII[slot]),
        1 if side else -1,
        *aperture.cut(parts[cell]),
        aperture.numbers,
        aperture.normals,
        aperture.reach(float(RADII[slot])),
    )


@compiled
def _moments(mask: Array) -> tuple[float, float, float]:
    reach = mask.shape[0] // 2
    total = rows = mixed = columns = 0.0
    for y in range(mask.shape[0]):
        for x in range(mask.shape[1]):
            weight = mask[y, x]
            total += weight
            rows += weight * (y - reach) * (y - reach)
            mixed += weight * (y - reach) * (x - reach)
            columns += weight * (x - reach) * (x - reach)
    return rows / total, mixed / total, columns / total


@compiled
def _changes(mask: Array, side: int) -> tuple[Array, Array, Array]:
    """Where rows of the sum of the discs of a block change, by how much, and how many changes there are so far."""
    size = mask.shape[0]
    reach, rows = size // 2, size + side - 1
    where = np.empty(rows * (rows + 1), np.int16)
    some = np.empty(rows * (rows + 1), np.float32)
    ends = np.empty(rows, np.int64)
    # Sums over the rows of a block. Weights are multiples of 1 / 256, so they come back to 0.
    tall = np.zeros(size)
    count = 0
    for row in range(rows):
        for k in range(size):
            if row < size:
                tall[k] += mask[row, k]
            if row >= side:
                tall[k] -= mask[row - side, k]
        before = total = 0.0
        for k in range(rows + 1):
            if k < size:
                total += tall[k]
            if side <= k < size + side:
                total -= tall[k - side]
            if total != before:
                where[count] = k - reach
                some[count] = total - before
                count += 1
                before = total
        ends[row] = count
    return where[:count].copy(), some[:count].copy(), ends

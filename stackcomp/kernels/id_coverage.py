"""Coverage of chosen ids, from ranked pairs of id and coverage.

Ids are compared as 32-bit whole numbers, bit by bit: as floats some are equal to others (0 and −0) or to nothing
(NaN). The order of the ranks does not matter. What is negative or not finite is no coverage, and is counted.

A few ids are compared one by one, which compiles to vector code. Many are looked up in tables, without branches.
"""

from __future__ import annotations

import threading
from collections.abc import Collection, Sequence

import numpy as np

from stackcomp.kernels.compiled import Array, compiled
from stackcomp.kernels.strips import over_strips

__all__ = ["id_coverage"]

#: Ids that are compared in one pass, and in all passes, before a table is faster.
_AT_ONCE, _FEW = 8, 16
#: Pixels of a block, whose sums stay in the processor's cache from one rank to the next.
_BLOCK = 1 << 15
_LARGEST = np.float32(np.finfo(np.float32).max)


def id_coverage(
    pairs: Sequence[tuple[Array, Array]],
    ids: Collection[int],
    target: Array,
    corner: tuple[int, int] = (0, 0),
) -> tuple[int, float]:
    """Sum up the coverage of some ids, and limit it to 1.

    Args:
        pairs: planes of ids, uint32 or float32 whose bits are taken, and of their coverage, float32; all of one
            shape and C-contiguous. They are read where they are.
        ids: bits of the ids.
        target: float32, C-contiguous; becomes the sum, 0 to 1.
        corner: row and column of the planes at which the target begins.

    Returns:
        How often coverage of the ids was negative or not finite, and was taken as 0; and the largest sum before
        the limit.

    Raises:
        ValueError: planes of another type or layout, or a target that does not lie within them.
    """
    planes = [_checked(*pair) for pair in pairs]
    (top, left), (height, width) = corner, target.shape
    if target.dtype != np.float32 or not target.flags.c_contiguous:
        raise ValueError("the target is a C-contiguous plane of float32")
    for plane in (plane for pair in planes for plane in pair):
        if min(corner) < 0 or top + height > plane.shape[0] or left + width > plane.shape[1]:
            raise ValueError(f"a target of {target.shape} at {corner} does not lie within {plane.shape}")
    chosen = np.unique(np.fromiter(ids, np.uint32, len(ids)))
    tables, rest = _tables(chosen)
    few = [_padded(rest[at : at + _AT_ONCE]) for at in range(0, len(rest), _AT_ONCE)]
    rows = max(1, _BLOCK // max(1, width))
    odd, most, lock = 0, 0.0, threading.Lock()

    def strip(first: int, last: int) -> None:
        nonlocal odd, most
        own, largest = 0, 0.0
        for begin in range(first, last, rows):
            end = min(begin + rows, last)
            target[begin:end] = 0
            for id_plane, cover in planes:
                for shift, table in tables:
                    own += _add_many(id_plane, cover, top, left, shift, table, target, begin, end)
                for some in few:
                    own += _add_few(id_plane, cover, top, left, some, target, begin, end)
            block = target[begin:end]
            largest = max(largest, float(block.max(initial=0)))
            np.minimum(block, 1, out=block)
        with lock:
            odd, most = odd + own, max(most, largest)

    over_strips(strip, height, least=rows)
    return odd, most


def _checked(ids: Array, cover: Array) -> tuple[Array, Array]:
    if ids.dtype not in (np.uint32, np.float32) or cover.dtype != np.float32 or ids.shape != cover.shape:
        raise ValueError(f"ids are {ids.dtype} {ids.shape} with coverage {cover.dtype} {cover.shape}")
    if not ids.flags.c_contiguous or not cover.flags.c_contiguous:
        raise ValueError("planes of ids and coverage are C-contiguous")
    return ids.view(np.uint32), cover


def _padded(some: Array) -> Array:
    """Some ids, the last of them repeated, so that there are as many as a pass compares."""
    return np.pad(some, (0, _AT_ONCE - len(some)), mode="edge")


def _tables(chosen: Array) -> tuple[list[tuple[int, Array]], Array]:
    """Tables that hold ids at a place that some of their bits give, with these bits' shift; and ids left over.

    A place without an id of its own holds the table's first id. So a place holds the id that leads to it if that
    is in the table, and another one if it is not: one comparison tells.
    """
    tables = []
    for shift in (0, 9, 4):
        if len(chosen) <= _FEW:
            break
        table = np.full(1 << min(20, int(len(chosen) - 1).bit_length() + 5), chosen[0])
        places = (chosen >> np.uint32(shift)) & np.uint32(len(table) - 1)
        _, first = np.unique(places, return_index=True)
        table[places[first]] = chosen[first]
        tables.append((shift, table))
        held = table[places] == chosen
        chosen = chosen[~held]
    return tables, chosen


@compiled
def _add_few(
    ids: Array,
    cover: Array,
    top: int,
    left: int,
    some: Array,
    target: Array,
    first: int,
    last: int,
) -> int:
    width = target.shape[1]
    a, b, c, d, e, f, g, h = some[0], some[1], some[2], some[3], some[4], some[5], some[6], some[7]
    odd = 0
    for y in range(first, last):
        row = ids[top + y, left : left + width]
        covered = cover[top + y, left : left + width]
        sums = target[y]
        count = np.uint32(0)
        for x in range(width):
            id = row[x]
            share = covered[x]
            one = (id == a) | (id == b) | (id == c) | (id == d)
            found = one | (id == e) | (id == f) | (id == g) | (id == h)
            good = (share >= 0) & (share <= _LARGEST)
            sums[x] += share if found & good else np.float32(0)
            count += np.uint32(1) if found & (not good) else np.uint32(0)
        odd += int(count)
    return odd


@compiled
def _add_many(
    ids: Array,
    cover: Array,
    top: int,
    left: int,
    shift: int,
    table: Array,
    target: Array,
    first: int,
    last: int,
) -> int:
    width = target.shape[1]
    bits, mask = np.uint32(shift), np.uint32(table.shape[0] - 1)
    odd = 0
    for y in range(first, last):
        row = ids[top + y, left : left + width]
        covered = cover[top + y, left : left + width]
        sums = target[y]
        count = np.uint32(0)
        for x in range(width):
            id = row[x]
            share = covered[x]
            found = table[(id >> bits) & mask] == id
            good = (share >= 0) & (share <= _LARGEST)
            sums[x] += share if found & good else np.float32(0)
            count += np.uint32(1) if found & (not good) else np.uint32(0)
        odd += int(count)
    return odd

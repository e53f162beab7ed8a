"""One disc for all pixels: a convolution by running sums along rows.

The weights of a disc change at its rim alone, so a sum over the disc is a sum over its rim of running sums,
times the changes of weight. Where the disc is the same upside down, rows above and below are added first.
Values are rounded to multiples of 2^-30 and changes are those of 2^-8, so sums in float64 are exact up to 2^15:
a pixel does not depend on where its tile begins.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from llvmlite import ir
from numba import types
from numba.core import cgutils

from stackcomp.kernels.compiled import Array, compiled
from stackcomp.kernels.vector_code import VectorCode, intrinsic

__all__ = ["BRIGHTEST", "disc_rims", "spread_evenly"]

#: Values above would leave a trace in the dark beside them.
BRIGHTEST = 2.0**20
_GRAIN = 2.0**30
_DOUBLE, _LONG = ir.DoubleType(), ir.IntType(64)
_EIGHT = ir.VectorType(_DOUBLE, 8)
# Pixels that are summed at once: four vectors.
_ONCE = 32


@intrinsic
def _sum_at_rim(context, sums, at, offsets, changes, count, result, to):  # type: ignore[no-untyped-def]
    """Sums of 32 pixels side by side: of running sums at offsets from the first, times changes."""
    whole = types.int64
    signature = types.void(sums, whole, offsets, changes, whole, result, whole)

    def write(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        code = VectorCode(context, builder)
        _, at, _, _, count, _, to = arguments

        def data(number: int) -> Any:
            return context.make_array(signature.args[number])(context, builder, arguments[number]).data

        def place(start: Any, n: int) -> Any:
            there = builder.gep(start, [code.whole(8 * n)], source_etype=_DOUBLE)
            return builder.bitcast(there, ir.PointerType(_EIGHT))

        sums, offsets, changes, result = data(0), data(2), data(3), data(5)
        totals = [code.register(_EIGHT, 0.0) for _ in range(_ONCE // 8)]
        for total in totals:
            builder.store(ir.Constant(_EIGHT, [0.0] * 8), total)
        with cgutils.for_range_slice(builder, code.whole(0), count, code.whole(1), _LONG) as (number, _):
            offset = builder.load(builder.gep(offsets, [number], source_etype=_LONG), typ=_LONG)
            change = builder.load(builder.gep(changes, [number], source_etype=_DOUBLE), typ=_DOUBLE)
            change = code.all_lanes(change, 8)
            start = builder.gep(sums, [builder.add(at, offset)], source_etype=_DOUBLE)
            for n, total in enumerate(totals):
                value = builder.load(place(start, n), align=8, typ=_EIGHT)
                builder.store(builder.fadd(builder.load(total, typ=_EIGHT), builder.fmul(change, value)), total)
        start = builder.gep(result, [to], source_etype=_DOUBLE)
        for n, total in enumerate(totals):
            builder.store(builder.load(total, typ=_EIGHT), place(start, n), align=8)
        return context.get_dummy_value()

    return signature, write


def disc_rims(mask: Array) -> tuple[bool, Array, Array, Array]:
    """Return where the rows of a disc change, for `spread_evenly`.

    Args:
        mask: weights, multiples of 1 / 256, ``(2 n + 1, 2 n + 1)``.

    Returns:
        Whether it is the same upside down, and of each change (then of the lower half alone) its row and
        column from the middle, and its size.
    """
    reach = mask.shape[0] // 2
    even = bool(np.array_equal(mask, mask[::-1]))
    changes = np.diff(mask, axis=1, prepend=0, append=0)
    if even:
        changes[:reach] = 0
    rows, columns = np.nonzero(changes)
    return even, rows - reach, columns - reach, changes[rows, columns]


@compiled
def spread_evenly(
    plane: Array, at: tuple[int, int], reach: int, even: bool, rows: Array, columns: Array, changes: Array,
    share: float, result: Array, part: tuple[int, int, int, int],
) -> None:  # fmt: skip
    """Spread a part of a plane by one disc.

    Args:
        plane: float32, with the pixels around.
        at: of the part's first pixel in the plane; row, column.
        reach: of the disc, in pixels.
        even: of `disc_rims`, as the next three.
        rows: see there.
        columns: see there.
        changes: see there.
        share: one over the sum of the disc.
        result: float32, written to in the part alone.
        part: of the result: its first row and column, its height and its width.
    """
    top, left, height, width = part
    padded = (width + _ONCE - 1) // _ONCE * _ONCE
    stride = padded + 2 * reach + 2
    until = np.zeros((height + 2 * reach) * stride)
    for y in range(height + 2 * reach):
        line = plane[at[0] - reach + y, at[1] - reach : at[1] + width + reach]
        row = until[y * stride : (y + 1) * stride]
        total = 0.0
        for x in range(line.size):
            total += np.rint(np.float64(line[x]) * _GRAIN) * (1 / _GRAIN)
            row[x + 1] = total
        for x in range(line.size + 1, stride):
            row[x] = total
    offsets = np.empty(rows.size, np.int64)
    for n in range(rows.size):
        line = rows[n] if even else reach - rows[n]
        offsets[n] = line * stride + reach + 1 - columns[n]
    pairs = np.empty((reach + 1) * stride if even else 0)
    sums = np.empty(padded)
    for y in range(height):
        middle = (y + reach) * stride
        if even:
            for d in range(reach + 1):
                above = until[middle - d * stride : middle - d * stride + stride]
                below = until[middle + d * stride : middle + d * stride + stride]
                to = pairs[d * stride : (d + 1) * stride]
                if d == 0:
                    for x in range(stride):
                        to[x] = above[x]
                else:
                    for x in range(stride):
                        to[x] = above[x] + below[x]
        for x in range(0, padded, _ONCE):
            if even:
                _sum_at_rim(pairs, x, offsets, changes, rows.size, sums, x)
            else:
                _sum_at_rim(until, y * stride + x, offsets, changes, rows.size, sums, x)
        for x in range(width):
            result[top + y, left + x] = sums[x] * share

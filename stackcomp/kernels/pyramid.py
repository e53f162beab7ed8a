"""Filters of planes, and grids of half the size and back: what wide softening is made of.

A grid of level k has a sample at every 2^k-th pixel, counted from pixel (0, 0) of the frame whatever part of it a
plane covers. So a sample is the same number in a tile as in the whole.

`halve` goes from a grid to the next, `double` back. Both weigh with 1 4 6 4 1, the binomial filter from which
cubic B-splines are made by subdivision. Each pixel, odd or even, gives the same share of itself to the coarser
grid, so light is kept exactly; what is constant stays constant; weights are never negative. Halved k times, the
filter is four boxes of 2^k pixels, one after the other, whose spectrum has fourfold zeros where the coarse grid
would fold frequencies onto slow ones.

All loops are sums of rows times weights, in a fixed order, multiplication and addition apart: bits do not depend
on the tile, the number of threads or the processor. They are written for LLVM, because numba keeps no sum of
several vectors in registers.

Source: Lane and Riesenfeld, A Theoretical Development for the Computer Generation and Display of Piecewise
Polynomial Surfaces, 1980 (subdivision); Burt and Adelson, The Laplacian Pyramid as a Compact Image Code, 1983.
Both from memory.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from llvmlite import ir
from numba import types

from stackcomp.data.window import Window
from stackcomp.kernels.compiled import Array, compiled
from stackcomp.kernels.strips import over_strips
from stackcomp.kernels.vector_code import FLOAT, VectorCode, intrinsic

__all__ = ["double", "filtered", "finer", "halve", "rougher"]

# Vectors that are summed at a time, and the pixels in them.
_VECTORS, _LANES = 4, 16
_BLOCK = _VECTORS * _LANES
_VECTOR = ir.VectorType(FLOAT, _LANES)
# Pixels under a filter that are in work at a time, so that they stay in the second cache; and columns at least.
_CACHED, _COLUMNS = 150_000, 512
# Weights at distances 0, 1 and 2 to the coarser grid, and from it to samples that it has.
_TO_HALF = np.array([6, 4, 1], np.float32) / 16
_TO_EVEN = np.array([6, 1], np.float32) / 8
_ALONE = np.ones(1, np.float32)


def rougher(window: Window, across: bool = True, down: bool = True) -> Window:
    """Return the samples of the next grid from which `double` makes a window."""
    x0, x1 = _rougher(window.x0, window.x1) if across else (window.x0, window.x1)
    y0, y1 = _rougher(window.y0, window.y1) if down else (window.y0, window.y1)
    return Window(x0, y0, x1, y1)


def _rougher(first: int, last: int) -> tuple[int, int]:
    return (first - 1) // 2 if first % 2 else first // 2 - 1, (last - 1) // 2 + 2


def finer(window: Window, across: bool = True, down: bool = True) -> Window:
    """Return the samples of the grid before from which `halve` makes a window."""
    x0, x1 = (2 * window.x0 - 2, 2 * window.x1 + 1) if across else (window.x0, window.x1)
    y0, y1 = (2 * window.y0 - 2, 2 * window.y1 + 1) if down else (window.y0, window.y1)
    return Window(x0, y0, x1, y1)


def filtered(
    plane: Array,
    window: Window,
    target: Window,
    across: Array,
    down: Array,
    into: Array | None = None,
) -> Array:
    """Return a plane, weighed with its neighbours in both directions.

    Args:
        plane: float32, C-contiguous, of the window's shape.
        window: samples that it covers; the target and what the filter needs around it lie inside.
        target: samples to compute.
        across: float32, weights at distances 0, 1 … on both sides.
        down: likewise.
        into: plane over the target to which the result is added.

    Returns:
        float32 of the target's shape; ``into`` where there is one.
    """
    return _run(plane, window, target, (across, 1), (down, 1), into)


def halve(plane: Array, window: Window, target: Window, across: bool = True, down: bool = True) -> Array:
    """Return samples of the next grid.

    Args:
        plane: float32, C-contiguous, of the window's shape.
        window: samples that it covers; `finer` of the target lies inside.
        target: samples of the next grid to compute.
        across: whether the grid is halved across.
        down: whether it is halved down.
    """
    ways = [(_TO_HALF, 2) if halved else (_ALONE, 1) for halved in (across, down)]
    return _run(plane, window, target, ways[0], ways[1], None)


def _run(
    plane: Array,
    window: Window,
    target: Window,
    across: tuple[Array, int],
    down: tuple[Array, int],
    into: Array | None,
) -> Array:
    adding = into is not None
    result = np.empty(target.shape, np.float32) if into is None else into
    if target.empty:
        return result
    (weights_x, step_x), (weights_y, step_y) = across, down
    place = (step_y * target.y0 - window.y0, step_x * target.x0 - window.x0)
    far_x, far_y = len(weights_x) - 1, len(weights_y) - 1
    inside = (
        place[0] >= far_y
        and place[1] >= far_x
        and place[0] + step_y * (target.height - 1) + far_y < window.height
        and place[1] + step_x * (target.width - 1) + far_x < window.width
    )
    if not inside or plane.shape != window.shape or result.shape != target.shape:
        raise ValueError(f"a plane over {window} has no room for a filter of {far_x} and {far_y} around {target}")
    flat = plane.ravel()
    over_strips(
        lambda first, last: _filter(
            flat, window.width, *place, weights_x, step_x, weights_y, step_y, result, adding, first, last
        ),
        target.height,
    )
    return result


def double(plane: Array, window: Window, target: Window, across: bool = True, down: bool = True) -> Array:
    """Return samples of the grid before, on a smooth surface.

    Args:
        plane: float32, C-contiguous, of the window's shape.
        window: samples that it covers; `rougher` of the target lies inside.
        target: samples of the finer grid to compute.
        across: whether the grid is doubled across.
        down: whether it is doubled down.
    """
    result = np.empty(target.shape, np.float32)
    if target.empty:
        return result
    if plane.shape != window.shape or rougher(target, across, down) not in window:
        raise ValueError(f"a plane over {window} has no room for {target} of the finer grid")
    flat = plane.ravel()
    over_strips(
        lambda first, last: _double(
            flat, window.width, window.y0, window.x0, across, down, target.y0, target.x0, result, first, last
        ),
        target.height,
    )
    return result


@dataclass(frozen=True)
class _Block:
    """Code that reads blocks of numbers of a flat source, and weights."""

    code: VectorCode
    source_kind: Any
    source: Any
    weights_kind: Any
    weights: Any

    def places(self, kind: Any, array: Any, first: Any) -> list[Any]:
        """Places of the vectors of a block of an array."""
        firsts = [self.code.builder.add(first, self.code.whole(_LANES * k)) for k in range(_VECTORS)]
        return [self.code.place(kind, array, start, _VECTOR) for start in firsts]

    def numbers(self, first: Any) -> list[Any]:
        """The vectors of a block of the source."""
        return [self.code.load(place, _VECTOR) for place in self.places(self.source_kind, self.source, first)]

    def weight(self, index: Any) -> Any:
        """A weight in all lanes."""
        number = self.code.load(self.code.place(self.weights_kind, self.weights, index, FLOAT), FLOAT)
        return self.code.all_lanes(number, _LANES)


@intrinsic
def _weigh(
    typing: Any, source: Any, at: Any, step: Any, weights: Any, base: Any, base_at: Any, target: Any, to: Any
) -> tuple[Any, Callable[..., Any]]:
    """Write 64 numbers: those of the base, and the sum of numbers times weights on both sides.

    Arguments: flat source, where in it the middle of the first is; by how much its neighbours are away; weights at
    distances 0, 1 …; flat base and where to begin in it; flat target and where to write.
    """

    def write(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        code = VectorCode(context, builder)
        source, at, step, weights, base, base_at, target, to = arguments

        block = _Block(code, signature.args[0], source, signature.args[3], weights)
        numbers, weight = block.numbers, block.weight
        size = context.make_array(signature.args[3])(context, builder, weights).nitems
        sums = [code.register(_VECTOR, 0.0) for _ in range(_VECTORS)]
        first = weight(code.whole(0))
        for place, start, centre in zip(
            sums, block.places(signature.args[4], base, base_at), numbers(at), strict=True
        ):
            builder.store(builder.fadd(code.load(start, _VECTOR), builder.fmul(first, centre)), place)
        with code.counting(code.whole(1), builder.sub(size, code.whole(1)), 1) as distance:
            away = builder.mul(distance, step)
            share = weight(distance)
            pairs = zip(sums, numbers(builder.sub(at, away)), numbers(builder.add(at, away)), strict=True)
            for place, before, behind in pairs:
                both = builder.fmul(share, builder.fadd(before, behind))
                builder.store(builder.fadd(builder.load(place), both), place)
        for place, there in zip(sums, block.places(signature.args[6], target, to), strict=True):
            code.store(builder.load(place), there)
        return context.get_dummy_value()

    return types.none(source, types.intp, types.intp, weights, base, types.intp, target, types.intp), write


@intrinsic
def _weigh_two(
    typing: Any, source: Any, at: Any, step: Any, weights: Any, target: Any, to: Any, second: Any
) -> tuple[Any, Callable[..., Any]]:
    """As `_weigh` for two rows, one below the other, which have most of what they read in common; without a base.

    Arguments: flat source, where in it the middle of the first row is; by how much its rows are away; weights at
    distances 0, 1 …; flat target, where to write the first row and the second.
    """

    def write(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        code = VectorCode(context, builder)
        source, at, step, weights, target, to, second = arguments

        block = _Block(code, signature.args[0], source, signature.args[3], weights)
        numbers, weight = block.numbers, block.weight
        size = context.make_array(signature.args[3])(context, builder, weights).nitems
        upper, lower, above, below = ([code.register(_VECTOR, 0.0) for _ in range(_VECTORS)] for _ in range(4))
        first, next_row = weight(code.whole(0)), builder.add(at, step)
        for k, centres in enumerate(zip(numbers(at), numbers(next_row), strict=True)):
            for sums, seen, centre in zip((upper, lower), (above, below), centres, strict=True):
                builder.store(builder.fmul(first, centre), sums[k])
                builder.store(centre, seen[k])
        with code.counting(code.whole(1), builder.sub(size, code.whole(1)), 1) as distance:
            away = builder.mul(distance, step)
            share = weight(distance)
            new = zip(numbers(builder.sub(at, away)), numbers(builder.add(next_row, away)), strict=True)
            for k, (up, down) in enumerate(new):
                pairs = ((upper, up, builder.load(below[k])), (lower, builder.load(above[k]), down))
                for sums, before, behind in pairs:
                    both = builder.fmul(share, builder.fadd(before, behind))
                    builder.store(builder.fadd(builder.load(sums[k]), both), sums[k])
                builder.store(up, above[k])
                builder.store(down, below[k])
        for sums, place in ((upper, to), (lower, second)):
            for number, there in zip(sums, block.places(signature.args[4], target, place), strict=True):
                code.store(builder.load(number), there)
        return context.get_dummy_value()

    numbers = (types.intp, types.intp)
    return types.none(source, *numbers, weights, target, *numbers), write


@compiled
def _filter(
    source: Array,
    pitch: int,
    top: int,
    left: int,
    across: Array,
    step_x: int,
    down: Array,
    step_y: int,
    result: Array,
    adding: bool,
    first: int,
    last: int,
) -> None:
    """Rows of a filtered plane; row ``top`` and column ``left`` of the source lie where the result begins."""
    reach = across.size - 1
    nothing, sums = np.zeros(_BLOCK, np.float32), np.zeros(_BLOCK, np.float32)
    columns = min(result.shape[1], max(_COLUMNS, _CACHED // (2 * down.size - 1)))
    # Some more than is used: it is read in whole blocks.
    room = step_x * columns + 2 * reach + _BLOCK
    both = np.zeros(2 * room, np.float32)
    for begin in range(0, result.shape[1], columns):
        count = min(columns, result.shape[1] - begin)
        used = step_x * (count - 1) + 1 + 2 * reach
        at = left + step_x * begin - reach
        for y in range(first, last):
            start = (top + step_y * y) * pitch + at
            target = result[y]
            row = both[:room]
            if step_y == 1 and used >= _BLOCK and (y - first) % 2 == 1:
                row = both[room:]
            elif used < _BLOCK:
                _few(source, start, pitch, down, row, used)
            elif step_y == 1 and y + 1 < last:
                for x in range(0, used, _BLOCK):
                    begun = min(x, used - _BLOCK)
                    _weigh_two(source, start + begun, pitch, down, both, begun, room + begun)
            else:
                for x in range(0, used, _BLOCK):
                    # The last block may lie over the one before: nothing is read beyond the plane.
                    begun = min(x, used - _BLOCK)
                    _weigh(source, start + begun, pitch, down, nothing, 0, row, begun)
            if step_x == 2:
                _every_second(row, across, target[begin : begin + count])
                continue
            for x in range(0, count, _BLOCK):
                base, base_at, into, to = nothing, 0, target, begin + x
                rest = min(_BLOCK, count - x)
                if rest < _BLOCK:
                    into, to = sums, 0
                if adding:
                    base, base_at = target, begin + x
                    if rest < _BLOCK:
                        base, base_at = sums, 0
                        for k in range(rest):
                            sums[k] = target[begin + x + k]
                _weigh(row, reach + x, 1, across, base, base_at, into, to)
                if rest < _BLOCK:
                    for k in range(rest):
                        target[begin + x + k] = sums[k]


@compiled
def _few(source: Array, start: int, step: int, weights: Array, target: Array, count: int) -> None:
    """As `_weigh`, for fewer numbers."""
    for x in range(count):
        total = weights[0] * source[start + x]
        for k in range(1, weights.size):
            total += weights[k] * (source[start + x - k * step] + source[start + x + k * step])
        target[x] = total


@compiled
def _every_second(row: Array, weights: Array, target: Array) -> None:
    """The filter of `halve` at every second number of a row."""
    centre, near, far = weights[0], weights[1], weights[2]
    for x in range(target.size):
        i = 2 * x
        target[x] = centre * row[i + 2] + near * (row[i + 1] + row[i + 3]) + far * (row[i] + row[i + 4])


@compiled
def _double(
    source: Array,
    pitch: int,
    y0: int,
    x0: int,
    across: bool,
    down: bool,
    top: int,
    left: int,
    result: Array,
    first: int,
    last: int,
) -> None:
    """Rows of the finer grid, from sample (``top``, ``left``) on; the source begins at its (``y0``, ``x0``)."""
    row = np.empty(pitch, np.float32)
    half, near, far = np.float32(0.5), np.float32(0.75), np.float32(0.125)
    width = result.shape[1]
    # Where pairs of samples begin, an even one and an odd one.
    begin = (left + 1) // 2
    pairs = (left + width) // 2 - begin
    for y in range(first, last):
        target = result[y]
        place = top + y
        if not down:
            at = (place - y0) * pitch
            for x in range(pitch):
                row[x] = source[at + x]
        elif place % 2 == 0:
            at = (place // 2 - y0) * pitch
            above, middle, below = (
                source[at - pitch : at],
                source[at : at + pitch],
                source[at + pitch : at + 2 * pitch],
            )
            for x in range(pitch):
                row[x] = near * middle[x] + far * (above[x] + below[x])
        else:
            at = ((place - 1) // 2 - y0) * pitch
            middle, below = source[at : at + pitch], source[at + pitch : at + 2 * pitch]
            for x in range(pitch):
                row[x] = half * (middle[x] + below[x])
        if not across:
            for x in range(width):
                target[x] = row[left - x0 + x]
            continue
        if left % 2:
            x = begin - 1 - x0
            target[0] = half * (row[x] + row[x + 1])
        some = row[begin - 1 - x0 : begin + pairs + 1 - x0]
        out = target[2 * begin - left : 2 * (begin + pairs) - left]
        for k in range(pairs):
            middle_one = some[k + 1]
            out[2 * k] = near * middle_one + far * (some[k] + some[k + 2])
            out[2 * k + 1] = half * (middle_one + some[k + 2])
        if (left + width) % 2:
            x = begin + pairs - x0
            target[width - 1] = near * row[x] + far * (row[x - 1] + row[x + 1])

"""Weighs pixels by a cubic kernel, in LLVM code, since numba has no type for vectors; see `cubic_filter`.

Four planes of a pixel lie side by side, and four pixels fill a vector. On processors with shorter vectors LLVM
splits them, with the same bits. Multiplications and additions stay separate, so the last bit does not depend on
the processor.

The loop over all pixels stands in this file, too: numba compiles it again when its own file has changed, no other.

Source: Keys, Cubic Convolution Interpolation for Digital Image Processing, 1981 (the kernel, a = -1/2).
"""

from __future__ import annotations

import functools
from collections.abc import Callable
from typing import Any

import numpy as np
from llvmlite import ir
from numba import types

from stackcomp.kernels.compiled import Array, compiled, inlined
from stackcomp.kernels.pixel_code import EIGHT, FOUR, INT, INTS, PAIR, PLANES, SIXTEEN, PixelCode
from stackcomp.kernels.vector_code import FLOAT, intrinsic

__all__ = ["BORDER", "PLANES", "WIDEST", "weigh_all"]

#: Pixels of nothing around a stack.
BORDER = 3
#: Largest stretch of the kernel, in source pixels, for target pixels that cover more.
WIDEST = 256.0
# How far a kernel extends that has at most six pixels in a row, or eight rows.
_FAR_IN_SIX, _FAR_IN_EIGHT = 2.99, 3.99
# A bit for each plane.
_ALL_PLANES = (1 << PLANES) - 1
# The kernel's weights of the four pixels around a place, as polynomials of its distance t to the second one.
_CUBES, _SQUARES = (-0.5, 1.5, -1.5, 0.5), (1.0, -2.5, 2.0, -0.5)
_SLOPES, _CONSTANTS = (-0.5, 0.0, 0.5, 0.0), (0.0, 1.0, 0.0, 0.0)

# What has been weighed at first: sums, smallest and largest values of four pixels.
_NOTHING_WEIGHED = ((SIXTEEN, 0.0), (SIXTEEN, float("inf")), (SIXTEEN, float("-inf")))


@intrinsic
def sample(
    typing: Any, source: Any, at: Any, stride: Any, x: Any, y: Any, target: Any, to: Any
) -> tuple[Any, Callable[..., Any]]:
    """Write the four planes at a place between pixels, weighed from the 4×4 pixels around it and held within them.

    Arguments: flat source, where the first of the 4×4 pixels is, distance of its rows, distances x and y from the
    second pixel and row (0 to 1), flat target, where to write.
    """

    def write(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        code = PixelCode(context, builder)
        source, at, stride, x, y, target, to = arguments
        across, down = (_weights(code, builder, t) for t in (x, y))
        places = [builder.add(at, builder.mul(stride, ir.Constant(stride.type, row))) for row in range(4)]
        rows = [code.load(code.place(signature.args[0], source, place, SIXTEEN), SIXTEEN) for place in places]
        weighed = [builder.fmul(row, code.shuffle(down, down, [k] * 16)) for k, row in enumerate(rows)]
        total = functools.reduce(builder.fadd, weighed)
        total = code.of_pixels(builder.fadd, builder.fmul(total, code.planes_of(across, range(4))))
        least, most = code.limits(rows)
        held = code.least(code.most(total, least), most)
        code.store(held, code.place(signature.args[5], target, to, FOUR))
        return context.get_dummy_value()

    numbers = (types.intp, types.intp, types.float32, types.float32)
    return types.none(source, *numbers, target, types.intp), write


def _weights(code: PixelCode, builder: Any, t: Any) -> Any:
    """The kernel's weights of four pixels in a row, for a place at a distance t from the second."""
    t = code.all_lanes(t, 4)
    value = builder.fadd(builder.fmul(code.constant(*_CUBES), t), code.constant(*_SQUARES))
    value = builder.fadd(builder.fmul(value, t), code.constant(*_SLOPES))
    return builder.fadd(builder.fmul(value, t), code.constant(*_CONSTANTS))


@intrinsic
def weigh(
    typing: Any,
    source: Any,
    size: Any,
    border: Any,
    place: Any,
    inverse: Any,
    reach: Any,
    down: Any,
    target: Any,
    to: Any,
) -> tuple[Any, Callable[..., Any]]:
    """Write the four planes at a place, weighed by a kernel that is stretched to an ellipse, and held likewise.

    Arguments: flat source; height and width of what lies inside of its border of nothing; width of that border,
    3 or more; x and y from the centre of the first pixel; a, b and c, see below; then -b / a, by how much the
    middle of a row lies farther to the right than that of the row above; how far the kernel extends within a row,
    and down, in pixels; an array for the weights of rows, 8 longer than there are rows under the kernel; flat
    target, where to write. A pixel is weighed by the kernel at ``a dx + b dy`` times the kernel at ``c dy``.
    """

    def write(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        code = PixelCode(context, builder)
        source, size, border, place, inverse, reach, down, target, to = arguments
        (height, width), (x, y), (far_x, far_y) = (code.parts(pair) for pair in (size, place, reach))
        a, b, c, slant = code.parts(inverse)
        none, four = code.whole(0), code.whole(4)
        stride = builder.mul(builder.add(width, builder.mul(border, code.whole(2))), code.whole(PLANES))

        def of_row(at: Any) -> Any:
            return code.place(signature.args[6], down, at, FLOAT)

        top, bottom, _ = code.rows(y, far_y, c, of_row)
        totals = [code.register(*first) for first in _NOTHING_WEIGHED]
        sums = code.register(EIGHT, 0.0)
        # The nearest pixel has a weight whatever the stretch is.
        half = ir.Constant(x.type, 0.5)
        column, row = (code.down(builder.fadd(at, half)) for at in (x, y))
        at = builder.mul(builder.add(row, border), stride)
        at = builder.add(at, builder.mul(builder.add(column, border), code.whole(PLANES)))
        inside = builder.and_(code.within(column, width), code.within(row, height))
        at = builder.select(inside, at, none)
        nearest = code.load(code.place(signature.args[0], source, at, FOUR), FOUR)
        nearest = code.shuffle(nearest, nearest, list(range(4)) * 4)
        growth = builder.fmul(code.all_lanes(code.short(a), 8), code.constant(*range(8)))
        with code.counting(top, bottom, 1) as row:
            weight = code.all_lanes(code.load(of_row(builder.sub(row, top)), FLOAT), 8)
            dy = builder.fsub(builder.sitofp(row, y.type), y)
            middle, shift = builder.fadd(x, builder.fmul(slant, dy)), builder.fmul(b, dy)
            in_rows = code.within(row, height)
            begin = builder.mul(builder.add(row, border), stride)
            first, last = code.up(builder.fsub(middle, far_x)), code.down(builder.fadd(middle, far_x))
            with code.counting(first, last, 8) as left:
                dx = builder.fsub(builder.sitofp(left, x.type), x)
                start = code.short(builder.fadd(builder.fmul(a, dx), shift))
                across = builder.fmul(code.kernel(builder.fadd(code.all_lanes(start, 8), growth)), weight)
                builder.store(builder.fadd(builder.load(sums), across), sums)
                for k in range(2):
                    column = left if k == 0 else builder.add(left, four)
                    at = builder.add(begin, builder.mul(builder.add(column, border), code.whole(PLANES)))
                    # Outside of the stack is nothing: the border of its first row stands for it.
                    at = builder.select(builder.and_(in_rows, code.in_row(column, width)), at, none)
                    values = code.load(code.place(signature.args[0], source, at, SIXTEEN), SIXTEEN)
                    wide = code.planes_of(across, range(4 * k, 4 * k + 4))
                    code.add_pixels(wide, values, nearest, totals)
        weight = code.sum_of_eight(builder.load(sums))
        code.finish(totals, weight, code.place(signature.args[7], target, to, FOUR))
        return context.get_dummy_value()

    pair, four = types.UniTuple(types.float64, 2), types.UniTuple(types.float64, 4)
    counts = types.UniTuple(types.intp, 2)
    return types.none(source, counts, types.intp, pair, four, pair, down, target, types.intp), write


@intrinsic
def weigh_few(
    typing: Any, source: Any, at: Any, stride: Any, rows: Any, place: Any, inverse: Any, target: Any, to: Any
) -> tuple[Any, Callable[..., Any]]:
    """As `weigh` for a kernel over at most eight rows of six pixels, unless the result may need more limits.

    Arguments: flat source; where in it the pixel is that is in the first row under the kernel, and in the column
    of the place or on its left; distance of its rows; how many rows there are; x and y from that pixel; a, b and c
    of `weigh`, which are 1 at most; flat target, where to write.

    Returns:
        a bit for each plane whose mean lies between the smallest and the largest of the 4×4 pixels in the middle
        of the kernel, or beside them by no more than rounding. The limits of others, which are rare, are those of
        all pixels: see `weigh`.
    """

    def write(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        code = PixelCode(context, builder)
        source, at, stride, rows, place, inverse, target, to = arguments
        (x, y), (a, b, c) = code.parts(place), code.parts(inverse)
        one = code.whole(1)

        def of_source(index: Any, kind: Any) -> Any:
            return code.place(signature.args[0], source, builder.add(at, index), kind)

        # For all eight rows at once: where the middle of the kernel is, and what is weighed there.
        distance = builder.fsub(code.constant(*range(8)), code.all_lanes(y, 8))
        slant = builder.fneg(builder.fdiv(b, a))
        middle = builder.fadd(builder.fmul(distance, code.all_lanes(slant, 8)), code.all_lanes(x, 8))
        reach = code.all_lanes(builder.fdiv(ir.Constant(FLOAT, 2.0), a), 8)
        left, inner = code.of_lanes("ceil", builder.fsub(middle, reach)), code.of_lanes("floor", middle)
        wide_a = code.all_lanes(a, 16)
        starts = code.kept(builder.fmul(builder.fsub(left, middle), code.shuffle(wide_a, wide_a, list(range(8)))))
        down = code.kept(code.kernel(builder.fmul(distance, code.all_lanes(c, 8))))
        lines = builder.mul(code.all_lanes(builder.trunc(stride, INT), 8), ir.Constant(INTS, list(range(8))))
        firsts, inners = (code.kept(builder.add(lines, code.of_floats(some))) for some in (left, inner))
        growth = builder.fmul(wide_a, code.constant(*list(range(8)) * 2))
        weights, total, more = (code.register(kind, 0.0) for kind in (SIXTEEN, SIXTEEN, EIGHT))
        pairs = builder.lshr(builder.sub(rows, one), one)
        with code.counting(code.whole(0), pairs, 1) as pair:
            row = builder.shl(pair, one)
            start, weight = (code.twice(code.of_row(some, row, PAIR)) for some in (starts, down))
            some = builder.fmul(code.kernel(builder.fadd(start, growth)), weight)
            builder.store(builder.fadd(builder.load(weights), some), weights)
            for k in range(2):
                first = code.start_of(firsts, builder.add(row, code.whole(k)))
                four = code.planes_of(some, range(8 * k, 8 * k + 4))
                builder.store(
                    builder.fadd(
                        builder.load(total), builder.fmul(code.load(of_source(first, SIXTEEN), SIXTEEN), four)
                    ),
                    total,
                )
                two = code.planes_of(some, range(8 * k + 4, 8 * k + 6))
                rest = code.load(of_source(builder.add(first, code.whole(16)), EIGHT), EIGHT)
                builder.store(builder.fadd(builder.load(more), builder.fmul(rest, two)), more)
        # The 4×4 pixels around the middle of the kernel are under it, however it is stretched.
        nearest = code.larger(builder.sub(builder.fptosi(y, ir.IntType(64)), one), code.whole(0))
        near = [code.start_of(inners, builder.add(nearest, code.whole(k))) for k in range(4)]
        near = [of_source(builder.sub(at, code.whole(PLANES)), SIXTEEN) for at in near]
        weight = code.sum_of_four(code.of_pixels(builder.fadd, builder.load(weights)))
        sums = builder.load(total), builder.load(more)
        return code.finish_few(sums, weight, near, code.place(signature.args[6], target, to, FOUR))

    numbers = types.intp, types.intp, types.intp
    pair, three = types.UniTuple(types.float32, 2), types.UniTuple(types.float32, 3)
    return types.intp(source, *numbers, pair, three, target, types.intp), write


@intrinsic
def weigh_upright(
    typing: Any,
    source: Any,
    size: Any,
    border: Any,
    place: Any,
    inverse: Any,
    reach: Any,
    down: Any,
    target: Any,
    to: Any,
) -> tuple[Any, Callable[..., Any]]:
    """As `weigh`, for a kernel that is stretched along rows and columns: each column has one weight, too.

    Arguments: as those of `weigh`, with a and c alone.
    """

    def write(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        code = PixelCode(context, builder)
        source, size, border, place, inverse, reach, down, target, to = arguments
        (height, width), (x, y), (a, c) = (code.parts(pair) for pair in (size, place, inverse))
        far_x, far_y = code.parts(reach)
        none = code.whole(0)
        stride = builder.mul(builder.add(width, builder.mul(border, code.whole(2))), code.whole(PLANES))

        def of_row(at: Any) -> Any:
            return code.place(signature.args[6], down, at, FLOAT)

        totals = [code.register(*first) for first in _NOTHING_WEIGHED]
        of_columns = code.register(EIGHT, 0.0)
        top, bottom, of_rows = code.rows(y, far_y, c, of_row)
        first = code.larger(top, none)
        last = code.smaller(bottom, builder.sub(height, code.whole(1)))
        ends = code.up(builder.fsub(x, far_x)), code.down(builder.fadd(x, far_x))
        with code.counting(*ends, 8) as left:
            across = code.weights(left, x, a)
            sums = [[code.register(*kind) for kind in _NOTHING_WEIGHED] for _ in range(2)]
            starts = []
            for k in range(2):
                column = builder.add(left, code.whole(4 * k))
                inside = code.in_row(column, width)
                at = builder.mul(builder.add(column, border), code.whole(PLANES))
                # Outside of the stack is nothing: the border of its first row stands for it.
                starts.append((builder.select(inside, at, none), builder.select(inside, stride, none)))
            with code.counting(first, last, 1) as row:
                weight = code.load(of_row(builder.sub(row, top)), FLOAT)
                for (start, step), (own, low, high) in zip(starts, sums, strict=True):
                    at = builder.add(start, builder.mul(builder.add(row, border), step))
                    values = code.load(code.place(signature.args[0], source, at, SIXTEEN), SIXTEEN)
                    weighed = builder.fmul(values, code.all_lanes(weight, 16))
                    builder.store(builder.fadd(builder.load(own), weighed), own)
                    builder.store(code.least(builder.load(low), values), low)
                    builder.store(code.most(builder.load(high), values), high)
            for k, (own, low, high) in enumerate(sums):
                wide = code.planes_of(across, range(4 * k, 4 * k + 4))
                code.add(wide, builder.load(own), builder.load(low), builder.load(high), totals)
            builder.store(builder.fadd(builder.load(of_columns), across), of_columns)
        outside = builder.or_(builder.icmp_signed("<", top, none), builder.icmp_signed(">=", bottom, height))
        zeros = code.constant(*[0.0] * 16)
        for limit, join in zip(totals[1:], (code.least, code.most), strict=True):
            old = builder.load(limit)
            builder.store(builder.select(outside, join(old, zeros), old), limit)
        weight = builder.fmul(code.sum_of_eight(of_rows), code.sum_of_eight(builder.load(of_columns)))
        code.finish(totals, weight, code.place(signature.args[7], target, to, FOUR))
        return context.get_dummy_value()

    pair, counts = types.UniTuple(types.float64, 2), types.UniTuple(types.intp, 2)
    return types.none(source, counts, types.intp, pair, pair, pair, down, target, types.intp), write


@intrinsic
def weigh_few_upright(
    typing: Any, source: Any, at: Any, stride: Any, rows: Any, place: Any, inverse: Any, target: Any, to: Any
) -> tuple[Any, Callable[..., Any]]:
    """As `weigh_few` for a kernel that is stretched along rows and columns.

    Arguments: as those of `weigh_few`, but the first pixel and the place are counted from the first column under
    the kernel, and of the inverse there are a and c alone.
    """

    def write(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        code = PixelCode(context, builder)
        source, at, stride, rows, place, inverse, target, to = arguments
        (x, y), (a, c) = code.parts(place), code.parts(inverse)
        one = code.whole(1)

        def of_source(index: Any, kind: Any) -> Any:
            return code.place(signature.args[0], source, builder.add(at, index), kind)

        across, down = (
            code.kernel(
                builder.fmul(
                    builder.fsub(code.constant(*range(8)), code.all_lanes(t, 8)), code.all_lanes(units, 8)
                )
            )
            for t, units in ((x, a), (y, c))
        )
        of_rows = code.kept(down)
        total, more = code.register(SIXTEEN, 0.0), code.register(EIGHT, 0.0)
        with code.counting(code.whole(0), builder.sub(rows, one), 1) as row:
            weight = code.of_row(of_rows, row, FLOAT)
            first = builder.mul(row, stride)
            for index, kind, some in (
                (first, SIXTEEN, total),
                (builder.add(first, code.whole(16)), EIGHT, more),
            ):
                weighed = builder.fmul(code.load(of_source(index, kind), kind), code.all_lanes(weight, kind.count))
                builder.store(builder.fadd(builder.load(some), weighed), some)
        sums = [
            builder.fmul(builder.load(some), code.planes_of(across, lanes))
            for some, lanes in ((total, range(4)), (more, range(4, 6)))
        ]
        # The 4×4 pixels around the middle of the kernel are under it, however it is stretched.
        left, top = (
            code.larger(builder.sub(builder.fptosi(t, ir.IntType(64)), one), code.whole(0)) for t in (x, y)
        )
        near = [
            of_source(
                builder.add(
                    builder.mul(builder.add(top, code.whole(k)), stride), builder.mul(left, code.whole(PLANES))
                ),
                SIXTEEN,
            )
            for k in range(4)
        ]
        weight = builder.fmul(code.sum_of_eight(across), code.sum_of_eight(down))
        return code.finish_few(sums, weight, near, code.place(signature.args[6], target, to, FOUR))

    numbers, pair = (types.intp, types.intp, types.intp), types.UniTuple(types.float32, 2)
    return types.intp(source, *numbers, pair, pair, target, types.intp), write


@inlined
def _weigh_few_upright(
    stack: Array,
    size: tuple[int, int],
    place: tuple[float, float],
    inverse: tuple[float, float],
    reach: tuple[float, float],
    target: Array,
    to: int,
) -> int:
    """Weigh few pixels that all lie in the stack; a bit for each plane that is within its limits."""
    (height, width), (x, y), (far_x, far_y) = size, place, reach
    if far_x > _FAR_IN_SIX or far_y > _FAR_IN_EIGHT:
        return 0
    left, top, bottom = int(np.ceil(x - far_x)), int(np.ceil(y - far_y)), int(np.floor(y + far_y))
    if top < -BORDER or bottom >= height + BORDER or left < -BORDER or left + 6 > width + BORDER:
        return 0
    stride = (width + 2 * BORDER) * PLANES
    at = (top + BORDER) * stride + (left + BORDER) * PLANES
    within = (np.float32(x - left), np.float32(y - top))
    held: int = weigh_few_upright(stack, at, stride, bottom - top + 1, within, inverse, target, to)
    return held


@inlined
def _weigh_few(
    stack: Array,
    size: tuple[int, int],
    place: tuple[float, float],
    inverse: tuple[float, float, float],
    reach: tuple[float, float],
    target: Array,
    to: int,
) -> int:
    """Weigh few pixels that all lie in the stack; a bit for each plane that is within its limits."""
    (height, width), (x, y), (a, b, c), (far_x, far_y) = size, place, inverse, reach
    if far_x > _FAR_IN_SIX or far_y > _FAR_IN_EIGHT:
        return 0
    top, bottom, column = int(np.ceil(y - far_y)), int(np.floor(y + far_y)), int(np.floor(x))
    # How far the middle of the first and of an eighth row can lie from the place, and where rows begin at most.
    aslant = abs(b / a) * (8 - far_y)
    first, last = x - far_x - aslant, x - far_x + aslant + 1
    if top < -BORDER or top + 8 > height + BORDER or first < -BORDER or last + 6 > width + BORDER:
        return 0
    stride = (width + 2 * BORDER) * PLANES
    at = (top + BORDER) * stride + (column + BORDER) * PLANES
    within = (np.float32(x - column), np.float32(y - top))
    held: int = weigh_few(stack, at, stride, bottom - top + 1, within, (a, b, c), target, to)
    return held


@compiled
def weigh_all(stack: Array, height: int, width: int, places: Array, shapes: Array, target: Array) -> None:
    """Write what is seen at all places; see `stackcomp.kernels.cubic_filter.filtered` for places.

    Args:
        stack: flat, with its border.
        height: of what lies inside of the border.
        width: likewise.
        places: ``(2, n)``.
        shapes: ``(5, n)``, the kernel of each: a, b and c of `weigh`, and its reach across and down.
        target: flat.
    """
    stride = (width + 2 * BORDER) * PLANES
    down = np.empty(int(4 * WIDEST) + 16, np.float32)
    for k in range(places.shape[1]):
        # From the centre of the first pixel.
        x, y = places[0, k] - 0.5, places[1, k] - 0.5
        a, b, c, far_x, far_y = shapes[0, k], shapes[1, k], shapes[2, k], shapes[3, k], shapes[4, k]
        if not (x > -1 - far_x and y > -1 - far_y and x < width + far_x and y < height + far_y):
            continue
        to = k * PLANES
        if a == 1 and b == 0 and c == 1:
            if x > -2 and y > -2 and x < width + 1 and y < height + 1:
                left, top = int(np.floor(x)), int(np.floor(y))
                at = (top - 1 + BORDER) * stride + (left - 1 + BORDER) * PLANES
                # Rounded to 2^-23: what lies a rounding error beside a pixel is that pixel.
                right = np.float32(np.float32(1 + (x - left)) - np.float32(1))
                below = np.float32(np.float32(1 + (y - top)) - np.float32(1))
                sample(stack, at, stride, right, below, target, to)
            continue
        size, place, reach = (height, width), (x, y), (2.0 / a, 2.0 / c)
        if b == 0:
            held = _weigh_few_upright(stack, size, place, (a, c), reach, target, to)
        else:
            held = _weigh_few(stack, size, place, (a, b, c), reach, target, to)
        if held == _ALL_PLANES:
            continue
        # What the others are must not depend on planes that lie beside them.
        few = target[to], target[to + 1], target[to + 2], target[to + 3]
        if b == 0:
            weigh_upright(stack, size, BORDER, place, (float(a), float(c)), reach, down, target, to)
        else:
            slopes = (float(a), float(b), float(c), -b / float(a))
            weigh(stack, size, BORDER, place, slopes, reach, down, target, to)
        for plane in range(PLANES):
            if held >> plane & 1:
                target[to + plane] = few[plane]
